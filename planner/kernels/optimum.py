"""Solves an instance of the programme on plain arrays, and walks its optimum.

Nothing here knows of streets or maps: whoever has the arrays of `Instance` can solve them here,
or hand them to another solver and compare. ``docs/method/instance.md`` states the problem.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from planner.kernels.programme import (
    LOWER_ROLE,
    UPPER_ROLE,
    Drops,
    Filled,
    Groups,
    Legs,
    Pits,
    pit_price,
)
from planner.kernels.tables import fill_tables, trace_pit

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Instance(NamedTuple):
    """Candidate pits and legs, and what they may do and cost."""

    pits: Pits
    groups: Groups
    legs: Legs
    drops: Drops
    roots: Ints  # (roots,) pits that everything must reach; each has one level and one out group


class Optimum(NamedTuple):
    """The cheapest pits and legs: one row a leg, from the roots up."""

    cost: float
    leg: Ints  # (legs,) number in `Legs`
    drive: Ints  # (legs,)
    up_level: Ints  # (legs,) level at which the sewer leaves the upper pit
    down_level: Ints  # (legs,) level at which the leg arrives at the lower pit
    level: dict[int, int]  # pit -> level at which the sewer leaves it
    role: dict[int, int]  # pit -> `EXIT` or `LAUNCH`


def find_optimum(instance: Instance) -> Optimum | None:
    """The cheapest way to drain every string to its root, or None where there is none.

    Parameters
    ----------
    instance
        The instance.
    """
    return walk_optimum(instance, fill(instance))


def fill(instance: Instance) -> Filled:
    """The tables of an instance, from the heads to the roots."""
    return fill_tables(instance.pits, instance.groups, instance.legs, instance.drops)


def least_cost(instance: Instance, filled: Filled) -> float:
    """Cost of the optimum as the tables of the roots have it; infinite where there is none."""
    total = 0.0
    for root in instance.roots.tolist():
        start = int(filled.offset[instance.groups.out_start[root]])
        total += float(filled.tables[start : start + 2].min())
    return total


def walk_optimum(instance: Instance, filled: Filled) -> Optimum | None:
    """Walk the optimum from the roots to the heads by looking at the tables again."""
    cost = least_cost(instance, filled)
    if not np.isfinite(cost) or not len(instance.roots):
        return None
    rows: list[tuple[int, int, int, int]] = []
    level: dict[int, int] = {}
    roles: dict[int, int] = {}
    stack = []
    for root in instance.roots.tolist():
        out = int(instance.groups.out_start[root])
        start = int(filled.offset[out])
        role = int(filled.tables[start : start + 2].argmin())
        stack.append((root, out, role, int(instance.pits.low[root])))
    while stack:
        pit, out, role, at = stack.pop()
        level[pit], roles[pit] = at, role
        strings = trace_pit(
            pit, out, role, at, instance.pits, instance.groups, instance.legs, instance.drops,
            filled,
        )  # fmt: skip
        for leg, drive, z, a in strings.tolist():
            rows.append((leg, drive, z, a))
            up = int(instance.legs.up[leg])
            stack.append((up, int(instance.legs.out_group[leg]), UPPER_ROLE[drive], z))
    table = np.array(rows, np.int64).reshape(-1, 4)
    return Optimum(cost, table[:, 0], table[:, 1], table[:, 2], table[:, 3], level, roles)


def price_optimum(instance: Instance, found: Optimum) -> float:
    """Cost of an optimum added up again from its pits, legs and drops alone."""
    pits, legs, drops = instance.pits, instance.legs, instance.drops
    down = np.searchsorted(legs.start, found.leg, side="right") - 1
    arrived = set(down.tolist())
    total = 0.0
    for pit, level in found.level.items():
        total += pit_price(pits, pit, found.role[pit], level)
        if pit not in arrived:
            total += float(pits.price_head[pit])
    columns = (found.leg, down, found.drive, found.up_level, found.down_level)
    for leg, at, drive, z, a in zip(*(c.tolist() for c in columns), strict=True):
        up = int(legs.up[leg])
        if found.role[up] != UPPER_ROLE[drive] or found.role[at] != LOWER_ROLE[drive]:
            return float("inf")
        rate = legs.price_depth[leg, drive]
        deep = rate[0] * (pits.ground[up] - z) + rate[1] * (pits.ground[at] - a)
        total += float(legs.price[leg, drive] + deep)
        fall = a - found.level[at]
        if fall > drops.free:
            total += drops.price + drops.price_level * fall
    return total
