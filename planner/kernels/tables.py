"""Runs the programme from the heads to the roots, and traces its optimum back."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

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
from planner.kernels.relax import arrive_at, make_desk

Ints = NDArray[np.int64]


@njit(cache=True, nogil=True)
def fill_tables(pits: Pits, groups: Groups, legs: Legs, drops: Drops) -> Filled:
    """Run the programme from the heads to the roots.

    Parameters
    ----------
    pits, groups, legs, drops
        The instance.

    Returns
    -------
    The tables.
    """
    n_pits = len(pits.low)
    n_out = groups.out_start[n_pits]
    offset = np.zeros(n_out, np.int64)
    total = 0
    for v in range(n_pits):
        n = max(pits.high[v] - pits.low[v] + 1, 0)
        for out in range(groups.out_start[v], groups.out_start[v + 1]):
            offset[out] = total
            total += 2 * n
    alive = np.empty((2 * n_out, 2), np.int64)
    alive[:, 0], alive[:, 1] = 1, 0
    filled = Filled(
        offset, np.empty(total), alive, np.zeros(2 * n_out, np.int64), np.zeros(n_pits, np.int64),
        np.zeros(len(groups.in_branch), np.bool_),
    )  # fmt: skip
    desk = make_desk(pits, legs)
    for v in range(n_pits):
        arrive = arrive_at(v, pits, groups, legs, filled, desk)
        close_pit(v, pits, groups, drops, arrive, filled, desk.zone)
    return filled


@njit(cache=True, nogil=True)
def _best_start_of(
    leg: int, drive: int, v: int, a: int, most: float, pits: Pits, legs: Legs, filled: Filled
) -> tuple[float, int]:  # fmt: skip
    """Cheapest upper level of a leg into pit v at an arrival level, if it costs less than most."""
    u = legs.up[leg]
    low, high = pits.low[u], pits.high[u]
    start = filled.offset[legs.out_group[leg]] + UPPER_ROLE[drive] * (high - low + 1)
    up, down = legs.price_depth[leg, drive, 0], legs.price_depth[leg, drive, 1]
    fixed = legs.price[leg, drive] + up * pits.ground[u] + down * (pits.ground[v] - a)
    best, where = most, -1
    for z in range(min(high, a + legs.most_fall[leg]), max(low, a + legs.least_fall[leg]) - 1, -1):
        cost = filled.tables[start + z - low] + fixed - up * z
        if cost < best - GUARD and leg_allows(legs, leg, z, a):
            best, where = cost, z
    return best, where


@njit(cache=True, nogil=True)
def _arrival(
    v: int, group: int, role: int, at: int, pits: Pits, legs: Legs, filled: Filled
) -> Ints:
    """Leg, drive, upper and lower level of the cheapest way to arrive by a group at a level."""
    found = np.array([-1, -1, -1, at])
    cheapest = np.inf
    for leg in range(legs.start[v], legs.start[v + 1]):
        if legs.in_group[leg] != group:
            continue
        for drive in range(DRIVES):
            if LOWER_ROLE[drive] != role or legs.price[leg, drive] == np.inf:
                continue
            cost, z = _best_start_of(leg, drive, v, at, cheapest, pits, legs, filled)
            if cost < cheapest:
                cheapest = cost
                found[0], found[1], found[2] = leg, drive, z
    return found


@njit(cache=True, nogil=True)
def trace_pit(
    v: int, out: int, role: int, level: int, pits: Pits, groups: Groups, legs: Legs, drops: Drops,
    filled: Filled,
) -> Ints:  # fmt: skip
    """What arrives at a pit of the optimum, given how it is left.

    Parameters
    ----------
    v, out, role, level
        The pit, the group and level at which it is left, and its role.
    pits, groups, legs, drops, filled
        The instance and its tables.

    Returns
    -------
    (strings, 4)
        Of each string that arrives: the leg, its drive, its upper level and the level at which it
        arrives. Empty for a head.
    """
    if pits.branches[v] == 0:
        return np.empty((0, 4), np.int64)
    arrive = arrive_at(v, pits, groups, legs, filled, make_desk(pits, legs))
    first = groups.in_start[v]
    low = pits.low[v]
    found = np.full((pits.branches[v], 4), -1)
    total = 0.0
    for branch in range(pits.branches[v]):
        best, group, at = np.inf, -1, -1
        for pair in range(groups.turn_start[out], groups.turn_start[out + 1]):
            g = groups.turn_in[pair]
            if groups.in_branch[g] != branch:
                continue
            for k in range(level - low + groups.turn_drop[pair], arrive.shape[2]):
                fall = k - (level - low)
                if fall > drops.most:
                    break
                cost = arrive[g - first, role, k]
                if fall > drops.free:
                    cost += drops.price + drops.price_level * fall
                if cost < best - GUARD:
                    best, group, at = cost, g, low + k
        total += best
        if group >= 0:
            found[branch] = _arrival(v, group, role, at, pits, legs, filled)
    if pits.price_head[v] <= total + GUARD:
        return np.empty((0, 4), np.int64)
    return found
