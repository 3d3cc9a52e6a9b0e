"""Solves an instance of the programme on plain arrays, and walks its optimum.

Nothing here knows of streets or maps: whoever has the arrays of `Instance` can solve them here,
or hand them to another solver and compare. ``docs/method/instance.md`` states the problem.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from planner.kernels.bounds import Bounds, bound_prices, make_budget, no_budget, prices_into
from planner.kernels.desk import Desk, make_desk
from planner.kernels.programme import (
    EXIT,
    LAUNCH,
    LOWER_ROLE,
    UPPER_ROLE,
    Drops,
    Filled,
    Groups,
    Legs,
    Pits,
    pit_price,
)
from planner.kernels.stretches import MOST_ENTRIES, Tables
from planner.kernels.tables import (
    count_entries,
    fill_tables,
    make_filled,
    trace_pit,
    written,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FIRST_ROOM = 1 << 16  # entries of tables
SHARES = (0.005, 0.03, 0.15, 0.6)  # of the legs, that a budget is tried with
WORTH_A_PASS = 0.04  # of the tables: once that much is written, no more budgets are tried
ENOUGH = 1 << 17  # legs, whose least prices show what share of all can keep a budget
MANY_LEGS = 50  # with fewer, none is worth its while


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


def find_optimum(instance: Instance, most: float = math.inf) -> Optimum | None:
    """The cheapest way to drain every string to its root, or None where there is none.

    Parameters
    ----------
    instance
        The instance.
    most
        What the optimum costs at most, if that is known; heeded where there is one root.
    """
    parts = []
    for tables, desk, root in _fill_each(instance, most):
        if not math.isfinite(_price_of(instance, tables.filled, root)):
            return None
        parts.append(_walk(instance, tables, desk, root))
    return _joined(parts) if parts else None


def find_cost(instance: Instance) -> float:
    """Cost of the optimum; infinite where there is none."""
    costs = [_price_of(instance, tables.filled, root) for tables, _, root in _fill_each(instance)]
    return sum(costs) if costs else math.inf


def find_reached(instance: Instance) -> Filled:
    """What of an instance can be served at all; of its tables only some are there."""
    pits, groups, legs, drops, _ = instance
    filled, desk = make_filled(pits, groups, FIRST_ROOM), make_desk(pits, groups, legs)
    order = np.arange(len(pits.low))
    return Tables((pits, groups, legs, drops), order, filled, no_budget(), desk).filled


def _fill_each(instance: Instance, most: float = math.inf) -> Iterator[tuple[Tables, Desk, int]]:
    """For each root the tables of all that drains to it, as far as they matter; one is kept."""
    pits, groups, legs, _, roots = instance
    bounds = bound_prices(pits, groups, legs, roots)
    filled, desk = make_filled(pits, groups, FIRST_ROOM), make_desk(pits, groups, legs)
    pits_by_tree = np.argsort(bounds.tree, kind="stable")
    starts = np.searchsorted(bounds.tree[pits_by_tree], np.arange(len(roots) + 1))
    for k in range(len(roots) - 1, -1, -1):
        order = pits_by_tree[starts[k] : starts[k + 1]]
        known = most if len(roots) == 1 else math.inf
        tables = _fill_root(instance, (int(roots[k]), order, known), bounds, filled, desk)
        filled = tables.filled
        yield tables, desk, int(roots[k])


def _fill_root(
    instance: Instance, asked: tuple[int, Ints, float], bounds: Bounds, filled: Filled, desk: Desk
) -> Tables:
    """Fill the tables of all that drains to a root under one budget after another.

    A budget is one that some share of the legs can keep by their bounds. What a plan within the
    budget uses is never left out, so a plan within it is the cheapest there is; any other plan
    that is found is a budget that holds. Once a pass writes a good part of the tables, the next
    has none. ``asked`` is the root, the pits and a budget that is known to hold.
    """
    pits, groups, legs, drops, _ = instance
    root, order, known = asked

    def fill_for(most: float) -> Tables:
        budget = make_budget(most, bounds)
        return Tables((pits, groups, legs, drops), order, filled, budget, desk)

    if known < math.inf:
        tables = fill_for(known)
        if math.isfinite(_price_of(instance, tables.filled, root)):
            return tables
        filled = tables.filled
    into = int((legs.start[order + 1] - legs.start[order]).sum())
    apart = into // ENOUGH + 1  # of many pits only some are asked
    prices = np.sort(prices_into(order[::apart], legs, bounds))
    entries = count_entries(order, pits, groups)
    for share in SHARES if len(prices) >= MANY_LEGS else ():
        most = float(prices[int(share * len(prices))])
        tables = fill_for(most)
        filled = tables.filled
        cost = _price_of(instance, filled, root)
        if cost <= most:
            return tables
        if math.isfinite(cost):
            return fill_for(cost)
        if written(order, groups, filled) > WORTH_A_PASS * entries:
            break
    if len(filled.tables) < entries <= MOST_ENTRIES:
        filled = filled._replace(tables=np.empty(entries))
    return fill_for(math.inf)


def fill(instance: Instance) -> Filled:
    """The tables of an instance, from the heads to the roots, of all pits at all levels."""
    return fill_tables(instance.pits, instance.groups, instance.legs, instance.drops)


def _price_of(instance: Instance, filled: Filled, root: int) -> float:
    """Least price of a root and all above it; infinite where there is none."""
    return min(prices_of_root(instance, filled, root))


def prices_of_root(instance: Instance, filled: Filled, root: int) -> tuple[float, float]:
    """Least price of a root and all above it, as an exit pit and as a launch pit."""
    out = int(instance.groups.out_start[root])
    start, size = int(filled.offset[out]), int(filled.span[out, 1])
    if size == 0:
        return math.inf, math.inf
    return float(filled.tables[start]), float(filled.tables[start + size])


def _walk(instance: Instance, tables: Tables, desk: Desk, root: int) -> Optimum:
    """Walk one root's part of the optimum."""
    pits, groups, legs, drops, _ = instance
    prices = prices_of_root(instance, tables.filled, root)
    role = EXIT if prices[EXIT] <= prices[LAUNCH] else LAUNCH
    left = {root: (int(groups.out_start[root]), role, int(pits.low[root]))}
    runs: dict[int, list[list[int]]] = {}
    waiting = [-root]
    while waiting:  # the lowest pit first, as tables are there
        pit = -heapq.heappop(waiting)
        filled = tables.holding(pit)
        runs[pit] = trace_pit(pit, *left[pit], pits, groups, legs, drops, filled, desk).tolist()
        for leg, drive, z, _ in runs[pit]:
            up = int(legs.up[leg])
            left[up] = (int(legs.out_group[leg]), UPPER_ROLE[drive], z)
            heapq.heappush(waiting, -up)
    rows: list[list[int]] = []
    stack = [root]
    while stack:  # from the root up, one string after another
        own = runs[stack.pop()]
        rows += own
        stack += [int(legs.up[row[0]]) for row in own]
    table = np.array(rows, np.int64).reshape(-1, 4)
    level = {pit: at for pit, (_, _, at) in left.items()}
    roles = {pit: own for pit, (_, own, _) in left.items()}
    return Optimum(min(prices), table[:, 0], table[:, 1], table[:, 2], table[:, 3], level, roles)


def _joined(parts: list[Optimum]) -> Optimum:
    """The optima of several roots as one."""
    if len(parts) == 1:
        return parts[0]
    leg, drive, up_level, down_level = (
        np.concatenate([part[k] for part in parts]) for k in range(1, 5)
    )
    level = {pit: at for part in parts for pit, at in part.level.items()}
    role = {pit: own for part in parts for pit, own in part.role.items()}
    cost = sum(part.cost for part in parts)
    return Optimum(cost, leg, drive, up_level, down_level, level, role)


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
