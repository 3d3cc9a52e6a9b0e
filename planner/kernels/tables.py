"""Runs the programme from the heads to the roots, and traces its optimum back."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from planner.kernels.bounds import Budget, no_budget
from planner.kernels.compiled import inner, leaf, whole
from planner.kernels.desk import Desk, make_desk
from planner.kernels.leg_rows import leg_allows
from planner.kernels.manholes import close_pit
from planner.kernels.programme import (
    DRIVES,
    GUARD,
    LOWER_ROLE,
    UPPER_ROLE,
    Drops,
    Filled,
    Groups,
    Legs,
    Pits,
)
from planner.kernels.relax import arrive_at

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ONLY_ARRIVE, AND_CLOSE = 0, 1  # at a pit
NO_DROPS = Drops(0, 0, 0.0, 0.0)
GROWTH = 2  # times the room for tables, where it is too little


def make_filled(pits: Pits, groups: Groups, entries: int) -> Filled:
    """Tables of which none is filled.

    Parameters
    ----------
    pits, groups
        The instance.
    entries
        How many entries there is room for at first.
    """
    n_out = int(groups.out_start[-1])
    alive = np.empty((2 * n_out, 2), np.int64)
    alive[:, 0], alive[:, 1] = 1, 0
    return Filled(
        np.zeros(n_out, np.int64), np.zeros((n_out, 2), np.int64), np.empty(entries), alive,
        np.zeros(2 * n_out, np.int64), np.zeros(n_out), np.zeros(len(pits.low), np.int64),
        np.zeros(len(groups.in_branch), np.bool_),
    )  # fmt: skip


def fill_tables(pits: Pits, groups: Groups, legs: Legs, drops: Drops) -> Filled:
    """Run the programme from the heads to the roots, for all levels of all pits.

    Parameters
    ----------
    pits, groups, legs, drops
        The instance.

    Returns
    -------
    The tables.
    """
    order, desk = np.arange(len(pits.low)), make_desk(pits, groups, legs)
    filled = make_filled(pits, groups, count_entries(order, pits, groups))
    return fill_within(order, pits, groups, legs, drops, filled, no_budget(), desk)


def count_entries(order: Ints, pits: Pits, groups: Groups) -> int:
    """How many entries the tables of some pits have at all their levels."""
    return int(sizes_of(order, pits, groups).sum())


def sizes_of(order: Ints, pits: Pits, groups: Groups) -> Ints:
    """How many entries the tables of each of some pits have at all its levels."""
    levels = np.maximum(pits.high[order] - pits.low[order] + 1, 0)
    return np.asarray(2 * (groups.out_start[order + 1] - groups.out_start[order]) * levels)


def written(order: Ints, groups: Groups, filled: Filled) -> int:
    """How many entries the tables of some pits have."""
    if not len(order):
        return 0
    first, last = groups.out_start[order], groups.out_start[order + 1]
    begin = int(first.min())
    size = np.append(0, np.cumsum(filled.span[begin : int(last.max()), 1]))
    return int(2 * (size[last - begin] - size[first - begin]).sum())


def fill_within(
    order: Ints, pits: Pits, groups: Groups, legs: Legs, drops: Drops, filled: Filled,
    budget: Budget, desk: Desk, used: int = 0,
) -> Filled:  # fmt: skip
    """Run the programme for some pits, leaving out what no plan within a budget can use.

    Parameters
    ----------
    order
        The pits, upstream first.
    pits, groups, legs, drops
        The instance.
    filled
        Tables to be written over.
    budget
        What a plan may cost at most.
    desk
        Room to work in.
    used
        Entries at the beginning of the tables that stay.

    Returns
    -------
    The tables, with more room where they had too little.
    """
    done, used = _run(AND_CLOSE, 0, used, order, pits, groups, legs, drops, filled, budget, desk)
    while done < len(order):
        need = count_entries(order[done : done + 1], pits, groups)
        room = np.empty(GROWTH * len(filled.tables) + need)
        room[:used] = filled.tables[:used]
        filled = filled._replace(tables=room)
        done, used = _run(
            AND_CLOSE, done, used, order, pits, groups, legs, drops, filled, budget, desk
        )
    return filled


@leaf
def _run(
    doing: int, done: int, used: int, order: Ints, pits: Pits, groups: Groups, legs: Legs,
    drops: Drops, filled: Filled, budget: Budget, desk: Desk,
) -> tuple[int, int]:  # fmt: skip
    """Go on until all pits are filled, or there is no room for the next; or only arrive at them.

    Returns how many pits are filled, and how many entries.
    """
    for k in range(done, len(order)):
        v = order[k]
        if doing == AND_CLOSE and used + _count_of(v, pits, groups) > len(filled.tables):
            return k, used
        arrived = arrive_at(v, pits, groups, legs, filled, budget, desk)
        if doing == AND_CLOSE:
            used = close_pit(v, arrived, pits, groups, drops, filled, used, budget, desk)
    return len(order), used


@inner
def _count_of(v: int, pits: Pits, groups: Groups) -> int:
    """How many entries the tables of a pit have at all its levels."""
    outs = groups.out_start[v + 1] - groups.out_start[v]
    return int(2 * outs * max(pits.high[v] - pits.low[v] + 1, 0))


def arrivals(
    v: int, pits: Pits, groups: Groups, legs: Legs, filled: Filled, desk: Desk | None = None
) -> Floats:
    """Cheapest way to arrive at a pit, by group, role and level.

    Parameters
    ----------
    v
        The pit.
    pits, groups, legs
        The instance.
    filled
        Tables of all pits above.
    desk
        Room to work in.

    Returns
    -------
    (groups that arrive, 2, levels)
        Part of the desk.
    """
    desk = desk or make_desk(pits, groups, legs)
    n = max(int(pits.arrive_high[v] - pits.low[v]) + 1, 0)
    best = desk.best[: groups.in_start[v + 1] - groups.in_start[v], :, :n]
    best[:] = np.inf
    order = np.array([v])
    _run(ONLY_ARRIVE, 0, 0, order, pits, groups, legs, NO_DROPS, filled, no_budget(), desk)
    return best


def trace_pit(
    v: int, out: int, role: int, level: int, pits: Pits, groups: Groups, legs: Legs, drops: Drops,
    filled: Filled, desk: Desk | None = None,
) -> Ints:  # fmt: skip
    """What arrives at a pit of the optimum, given how it is left.

    Parameters
    ----------
    v, out, role, level
        The pit, the group and level at which it is left, and its role.
    pits, groups, legs, drops, filled
        The instance and its tables.
    desk
        Room to work in.

    Returns
    -------
    (strings, 4)
        Of each string that arrives: the leg, its drive, its upper level and the level at which it
        arrives. Empty for a head.
    """
    nothing = np.empty((0, 4), np.int64)
    if pits.branches[v] == 0:
        return nothing
    desk = desk or make_desk(pits, groups, legs)
    arrivals(v, pits, groups, legs, filled, desk)
    found = np.full((int(pits.branches[v]), 4), -1)
    total = _choose(v, out, role, level, pits, groups, legs, drops, filled, desk.best, found)
    return nothing if pits.price_head[v] <= total + GUARD else found


@leaf
def _choose(
    v: int, out: int, role: int, level: int, pits: Pits, groups: Groups, legs: Legs, drops: Drops,
    filled: Filled, arrive: Floats, found: Ints,
) -> float:  # fmt: skip
    """Set the cheapest leg of each string, its drive and levels; returns what they cost."""
    first, fall = groups.in_start[v], level - pits.low[v]
    total = 0.0
    for branch in range(len(found)):
        best, group, at = np.inf, whole(-1), whole(-1)
        for pair in range(groups.turn_start[out], groups.turn_start[out + 1]):
            g = groups.turn_in[pair]
            if groups.in_branch[g] != branch:
                continue
            last = min(fall + drops.most, pits.arrive_high[v] - pits.low[v])
            for k in range(fall + groups.turn_drop[pair], last + 1):
                cost = arrive[g - first, role, k]
                if k - fall > drops.free:
                    cost += drops.price + drops.price_level * (k - fall)
                if cost < best - GUARD:
                    best, group, at = cost, g, pits.low[v] + k
        total += best
        if group >= 0:
            found[branch, 3] = at
            _find_leg(v, group, role, pits, legs, filled, found[branch])
    return total


@inner
def _find_leg(
    v: int, group: int, role: int, pits: Pits, legs: Legs, filled: Filled, found: Ints
) -> None:
    """Set leg, drive and upper level of the cheapest way to arrive by a group at a level."""
    cheapest = np.inf
    for leg in range(legs.start[v], legs.start[v + 1]):
        if legs.in_group[leg] != group:
            continue
        for drive in range(DRIVES):
            if LOWER_ROLE[drive] != role or legs.price[leg, drive] == np.inf:
                continue
            cost, z = _best_start_of(leg, drive, v, found[3], cheapest, pits, legs, filled)
            if cost < cheapest:
                cheapest = cost
                found[0], found[1], found[2] = leg, drive, z


@inner
def _best_start_of(
    leg: int, drive: int, v: int, a: int, most: float, pits: Pits, legs: Legs, filled: Filled
) -> tuple[float, int]:  # fmt: skip
    """Cheapest upper level of a leg into pit v at an arrival level, if it costs less than most."""
    u, out = legs.up[leg], legs.out_group[leg]
    low, table = pits.low[u], 2 * out + UPPER_ROLE[drive]
    start = filled.offset[out] + UPPER_ROLE[drive] * filled.span[out, 1] - filled.span[out, 0]
    up, down = legs.price_depth[leg, drive, 0], legs.price_depth[leg, drive, 1]
    fixed = legs.price[leg, drive] + up * pits.ground[u] + down * (pits.ground[v] - a)
    best, where = most, whole(-1)
    top = min(low + filled.alive[table, 1], a + legs.most_fall[leg])
    bottom = max(low + filled.alive[table, 0], a + legs.least_fall[leg])
    for z in range(top, bottom - 1, -1):
        cost = filled.tables[start + z - low] + fixed - up * z
        if cost < best - GUARD and leg_allows(legs, leg, z, a):
            best, where = cost, z
    return best, where
