"""The exact programme: cheapest pits, legs, inverts and drive directions on given candidates.

A pit has a range of levels, on the printed grid, at which its sewer may leave it. A leg joins the
outgoing level z of its upper pit with the level a at which it arrives at its lower pit. What it
may do is linear in the two (`planner.kernels.rows`), and its price is a constant plus a sum per
level of mean depth, so it splits into a part of each end: the cheapest z for every a is a minimum
over a window that moves steadily, found in time linear in the number of levels.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

EXIT, LAUNCH = 0, 1  # what a pit is built for
DRIVES = 4
UP_TO_EXIT, UP_TO_LAUNCH, DOWN, FROM_BETWEEN = range(DRIVES)
# upgrade to an exit pit; upgrade to a pit that launches another drive; downgrade; both ways from a
# launch pit between the two
UPPER_ROLE = (EXIT, LAUNCH, LAUNCH, EXIT)  # by drive
LOWER_ROLE = (LAUNCH, LAUNCH, EXIT, EXIT)
GUARD = 1e-9  # [levels] what rounding may spoil of a row
NEVER, ALWAYS = -(1 << 40), 1 << 40  # [levels] beyond any level


class Pits(NamedTuple):
    """Candidate pits, in an order where everything upstream comes first."""

    low: Ints  # (pits,) lowest level that may leave
    high: Ints  # (pits,) highest
    arrive_high: Ints  # (pits,) highest level that may arrive
    ground: Floats  # (pits,) [levels]
    price: Floats  # (pits, 2) by role: fixed sum
    price_depth: Floats  # (pits, 2) by role: per level of depth below the ground
    price_head: Floats  # (pits,) extra when nothing arrives, infinite if something must
    branches: Ints  # (pits,) number of strings that must all arrive, when any does
    step_depth: Floats  # (steps,) depth from which a further sum is due [levels]
    step_price: Floats  # (steps, 2) that sum, by role
    under: Floats  # (2,) by role: floor below the outgoing level [levels]


class Groups(NamedTuple):
    """Legs at a pit that leave, or arrive, in nearly one direction.

    Group numbers run through all pits. ``turn`` pairs list for each group that leaves the groups
    that may arrive with it, and the drop that the rules then ask for.
    """

    out_start: Ints  # (pits + 1,)
    in_start: Ints  # (pits + 1,)
    in_branch: Ints  # (in groups,) which of the pit's strings the group belongs to
    turn_start: Ints  # (out groups + 1,)
    turn_in: Ints  # (pairs,)
    turn_drop: Ints  # (pairs,) [levels]


class Legs(NamedTuple):
    """Candidate legs, sorted by their lower pit."""

    start: Ints  # (pits + 1,) first leg into each pit
    up: Ints  # (legs,) upper pit
    out_group: Ints  # (legs,) at the upper pit
    in_group: Ints  # (legs,) at the lower pit
    least_fall: Ints  # (legs,) [levels]
    most_fall: Ints  # (legs,) [levels]
    price: Floats  # (legs, 4) by drive: constant part, infinite if it may not be driven so
    price_depth: Floats  # (legs, 4) by drive: per level of depth at either end
    row_start: Ints  # (legs + 1,)
    row_t: Floats  # (rows,)
    row_h: Floats  # (rows,) [levels]
    band_start: Ints  # (legs + 1,)
    band_low: Ints  # (bands + 1,)
    band_high: Ints  # (bands + 1,)
    band_t: Floats
    band_h: Floats  # [levels]


class Filled(NamedTuple):
    """What the programme knows when it has run from the heads to the roots."""

    offset: Ints  # (out groups,) where each group's tables begin: the exit pit's, the launch pit's
    tables: Floats  # (entries,) cheapest price of everything at and above a pit
    alive: Ints  # (2 x out groups, 2) first and last level that can be served, from the lowest
    reached: Ints  # (pits,) 1 where some level of the pit can be served
    arrived: Bools  # (in groups,) whether anything arrives by the group


class Drops(NamedTuple):
    """Falls through a manhole."""

    free: int  # greatest fall without a drop structure [levels]
    most: int  # greatest fall with one [levels]
    price: float
    price_level: float  # per level of fall


@njit(cache=True, nogil=True)
def _highest_upper(legs: Legs, leg: int, a: int) -> float:
    """Highest z that the upper rows of a leg leave for an arrival level."""
    best = np.inf
    for k in range(legs.row_start[leg], legs.row_start[leg + 1]):
        t, h = legs.row_t[k], legs.row_h[k]
        if t >= 1.0:
            if a > h + GUARD:
                return -np.inf
        else:
            best = min(best, (h + GUARD - t * a) / (1.0 - t))
    return best


@njit(cache=True, nogil=True)
def _gap(legs: Legs, band: int, a: int) -> tuple[float, float]:
    """Highest z below a band and lowest z above it, for an arrival level."""
    below, above = np.inf, -np.inf
    for k in range(legs.band_low[band], legs.band_high[band]):
        t, h = legs.band_t[k], legs.band_h[k]
        if t >= 1.0:
            if a > h + GUARD:
                below = -np.inf
        else:
            below = min(below, (h + GUARD - t * a) / (1.0 - t))
    for k in range(legs.band_high[band], legs.band_low[band + 1]):
        t, h = legs.band_t[k], legs.band_h[k]
        if t >= 1.0:
            if a < h - GUARD:
                above = np.inf
        else:
            above = max(above, (h - GUARD - t * a) / (1.0 - t))
    return below, above


@njit(cache=True, nogil=True)
def leg_allows(legs: Legs, leg: int, z: int, a: int) -> bool:
    """Whether a leg may run from level z at its upper pit to level a at its lower one.

    Parameters
    ----------
    legs
        The legs.
    leg
        Which one.
    z, a
        Levels of its ends.
    """
    if not legs.least_fall[leg] <= z - a <= legs.most_fall[leg]:
        return False
    if z > _highest_upper(legs, leg, a):
        return False
    for band in range(legs.band_start[leg], legs.band_start[leg + 1]):
        below, above = _gap(legs, band, a)
        if below < z < above:
            return False
    return True


@njit(cache=True, nogil=True)
def _upper_limits(legs: Legs, leg: int, a_low: int, limits: Ints) -> None:
    """Highest z that the upper rows leave, for each arrival level from ``a_low`` up.

    As the arrival falls, the row that binds moves steadily towards the upper end: one walk finds
    them all.
    """
    first, k = legs.row_start[leg], legs.row_start[leg + 1] - 1
    top = np.inf
    if k >= first and legs.row_t[k] >= 1.0:
        top = legs.row_h[k] + GUARD
        k -= 1
    for i in range(len(limits) - 1, -1, -1):
        a = a_low + i
        if a > top:
            limits[i] = NEVER
            continue
        if k < first:
            limits[i] = ALWAYS
            continue
        z = (legs.row_h[k] + GUARD - legs.row_t[k] * a) / (1.0 - legs.row_t[k])
        while k > first:
            t = legs.row_t[k - 1]
            other = (legs.row_h[k - 1] + GUARD - t * a) / (1.0 - t)
            if other > z:
                break
            z = other
            k -= 1
        limits[i] = NEVER if z < NEVER else math.floor(min(z, 1e12))


@njit(cache=True, nogil=True)
def _relax_open(
    fall0: int, fall1: int, limits: Ints, values: Floats, low: int, slope: float,
    constant: float, leg: int, best: Floats, which: Ints, a_low: int, queue: Ints,
) -> None:  # fmt: skip
    """Update a lower pit's table by a leg without bands; ``values`` start at level ``low``."""
    high = low + len(values) - 1
    top = min(a_low + len(best) - 1, high - fall0)
    head, tail = 0, 0  # the queue holds levels of ascending value, the first is the best
    z0, z1 = 0, -1  # window seen so far
    sliding = False
    running = np.inf
    for a in range(top, a_low - 1, -1):
        lo = max(a + fall0, low)
        hi = min(a + fall1, min(high, limits[a - a_low]))
        if hi < lo:
            if a + fall1 < low:
                break
            continue
        if z1 < z0:  # the first window
            z0, z1 = lo, lo - 1
        if not sliding and hi < z1:
            sliding = True
            for z in range(z1, z0 - 1, -1):
                v = values[z - low] - slope * z
                while tail > head and values[queue[tail - 1] - low] - slope * queue[tail - 1] >= v:
                    tail -= 1
                queue[tail] = z
                tail += 1
        if sliding:
            for z in range(z0 - 1, lo - 1, -1):
                v = values[z - low] - slope * z
                while tail > head and values[queue[tail - 1] - low] - slope * queue[tail - 1] >= v:
                    tail -= 1
                queue[tail] = z
                tail += 1
            z0, z1 = min(z0, lo), hi
            while head < tail and queue[head] > hi:
                head += 1
            running = values[queue[head] - low] - slope * queue[head] if head < tail else np.inf
        else:
            for z in range(z1 + 1, hi + 1):
                running = min(running, values[z - low] - slope * z)
            for z in range(lo, z0):
                running = min(running, values[z - low] - slope * z)
            z0, z1 = min(z0, lo), max(z1, hi)
        cost = running + constant - slope * a
        if cost < best[a - a_low]:
            best[a - a_low] = cost
            which[a - a_low] = leg


@njit(cache=True, nogil=True)
def _sparse_table(values: Floats, low: int, slope: float) -> Floats:
    """Minima of ``values - slope x level`` over runs of 1, 2, 4 ... levels."""
    n = len(values)
    rows = 1
    while (1 << rows) <= n:
        rows += 1
    table = np.empty((rows, n))
    for i in range(n):
        table[0, i] = values[i] - slope * (low + i)
    for r in range(1, rows):
        half = 1 << (r - 1)
        for i in range(n - (1 << r) + 1):
            table[r, i] = min(table[r - 1, i], table[r - 1, i + half])
    return table


@njit(cache=True, nogil=True)
def _range_min(table: Floats, i: int, j: int) -> float:
    r = 0
    while (1 << (r + 1)) <= j - i + 1:
        r += 1
    return float(min(table[r, i], table[r, j - (1 << r) + 1]))


@njit(cache=True, nogil=True)
def _gaps(legs: Legs, leg: int, a_low: int, count: int) -> Ints:
    """Forbidden z of every band, for each arrival level: highest below and lowest above."""
    first, last = legs.band_start[leg], legs.band_start[leg + 1]
    gaps = np.empty((count, last - first, 2), np.int64)
    for i in range(count):
        for band in range(first, last):
            b0, b1 = _gap(legs, band, a_low + i)
            below = NEVER if b0 < NEVER else math.floor(min(b0, 1e12))
            above = ALWAYS if b1 > ALWAYS else math.ceil(max(b1, -1e12))
            k = band - first
            while k > 0 and gaps[i, k - 1, 0] > below:
                gaps[i, k, 0], gaps[i, k, 1] = gaps[i, k - 1, 0], gaps[i, k - 1, 1]
                k -= 1
            gaps[i, k, 0], gaps[i, k, 1] = below, above
    return gaps


@njit(cache=True, nogil=True)
def _relax_banded(
    fall0: int, fall1: int, limits: Ints, gaps: Ints, values: Floats, low: int, slope: float,
    constant: float, leg: int, best: Floats, which: Ints, a_low: int,
) -> None:  # fmt: skip
    """Update a lower pit's table by a leg that passes services above or below."""
    table = _sparse_table(values, low, slope)
    high = low + len(values) - 1
    for a in range(min(a_low + len(best) - 1, high - fall0), a_low - 1, -1):
        at = max(a + fall0, low)
        hi = min(a + fall1, min(high, limits[a - a_low]))
        found = np.inf
        for k in range(gaps.shape[1]):
            upto = min(gaps[a - a_low, k, 0], hi)
            if at <= upto:
                found = min(found, _range_min(table, at - low, upto - low))
            at = max(at, gaps[a - a_low, k, 1])
        if at <= hi:
            found = min(found, _range_min(table, at - low, hi - low))
        cost = found + constant - slope * a
        if cost < best[a - a_low]:
            best[a - a_low] = cost
            which[a - a_low] = leg


@njit(cache=True, nogil=True)
def _arrivals(
    v: int, pits: Pits, groups: Groups, legs: Legs, offset: Ints, tables: Floats,
    alive: Ints,
) -> tuple[Floats, Ints]:  # fmt: skip
    """Cheapest way to arrive at a pit, by group, role and level, and the leg it is by."""
    first = groups.in_start[v]
    count = groups.in_start[v + 1] - first
    n = pits.arrive_high[v] - pits.low[v] + 1
    best = np.full((count, 2, max(n, 0)), np.inf)
    which = np.full((count, 2, max(n, 0)), -1)
    limits = np.empty(max(n, 0), np.int64)
    queue = np.empty(int((pits.high - pits.low).max()) + 1, np.int64)
    for leg in range(legs.start[v], legs.start[v + 1]):
        u = legs.up[leg]
        size = pits.high[u] - pits.low[u] + 1
        if size <= 0 or n <= 0:
            continue
        bounded = False
        gaps = np.empty((0, 0, 0), np.int64)
        for drive in range(DRIVES):
            price = legs.price[leg, drive]
            if price == np.inf:
                continue
            table = 2 * legs.out_group[leg] + UPPER_ROLE[drive]
            if alive[table, 0] > alive[table, 1]:
                continue
            if not bounded:
                bounded = True
                _upper_limits(legs, leg, pits.low[v], limits)
                if legs.band_start[leg] < legs.band_start[leg + 1]:
                    gaps = _gaps(legs, leg, pits.low[v], n)
            start = offset[legs.out_group[leg]] + UPPER_ROLE[drive] * size
            low = pits.low[u] + alive[table, 0]
            values = tables[start + alive[table, 0] : start + alive[table, 1] + 1]
            slope = legs.price_depth[leg, drive]
            constant = price + slope * (pits.ground[u] + pits.ground[v])
            g, r = legs.in_group[leg] - first, LOWER_ROLE[drive]
            if gaps.shape[0] == 0:
                _relax_open(
                    legs.least_fall[leg], legs.most_fall[leg], limits, values, low, slope,
                    constant, leg, best[g, r], which[g, r], pits.low[v], queue,
                )  # fmt: skip
            else:
                _relax_banded(
                    legs.least_fall[leg], legs.most_fall[leg], limits, gaps, values, low, slope,
                    constant, leg, best[g, r], which[g, r], pits.low[v],
                )  # fmt: skip
    return best, which


@njit(cache=True, nogil=True)
def _through_manhole(arrive: Floats, drop: int, drops: Drops, n: int) -> Floats:
    """Cheapest arrival for each outgoing level, by how far it may fall through the manhole."""
    out = np.full(n, np.inf)
    size = len(arrive)
    queue = np.empty(size, np.int64)
    for part in range(2):  # without, then with a drop structure
        least = drop if part == 0 else max(drop, drops.free + 1)
        most = drops.free if part == 0 else drops.most
        if most < least:
            continue
        rate = 0.0 if part == 0 else drops.price_level
        fixed = 0.0 if part == 0 else drops.price
        head, tail, seen = 0, 0, size
        for w in range(n - 1, -1, -1):
            while seen > w + least and seen > 0:
                seen -= 1
                if seen > w + most:
                    continue
                key = arrive[seen] + rate * seen
                while tail > head and arrive[queue[tail - 1]] + rate * queue[tail - 1] >= key:
                    tail -= 1
                queue[tail] = seen
                tail += 1
            while head < tail and queue[head] > w + most:
                head += 1
            if head < tail:
                k = queue[head]
                out[w] = min(out[w], arrive[k] + fixed + rate * (k - w))
    return out


@njit(cache=True, nogil=True)
def pit_price(pits: Pits, v: int, role: int, level: int) -> float:
    """Price of a pit by role and outgoing level.

    Parameters
    ----------
    pits
        The pits.
    v
        Which one.
    role
        `EXIT` or `LAUNCH`.
    level
        Outgoing level.
    """
    depth = pits.ground[v] - level + pits.under[role]
    price = pits.price[v, role] + pits.price_depth[v, role] * depth
    for s in range(len(pits.step_depth)):
        if depth >= pits.step_depth[s]:
            price += pits.step_price[s, role]
    return float(price)


@njit(cache=True, nogil=True)
def _close_pit(
    v: int, pits: Pits, groups: Groups, drops: Drops, arrive: Floats, offset: Ints, tables: Floats
) -> None:
    """Write a pit's tables: by group that leaves, role and outgoing level."""
    low = pits.low[v]
    n = pits.high[v] - low + 1
    if n <= 0:
        return
    first = groups.in_start[v]
    branch_best = np.empty(n)
    for out in range(groups.out_start[v], groups.out_start[v + 1]):
        for role in range(2):
            total = np.zeros(n)
            if pits.branches[v] == 0:
                total[:] = np.inf
            for branch in range(pits.branches[v]):
                branch_best[:] = np.inf
                for pair in range(groups.turn_start[out], groups.turn_start[out + 1]):
                    g = groups.turn_in[pair]
                    if groups.in_branch[g] != branch:
                        continue
                    through = _through_manhole(
                        arrive[g - first, role], groups.turn_drop[pair], drops, n
                    )
                    for w in range(n):
                        branch_best[w] = min(branch_best[w], through[w])
                total += branch_best
            start = offset[out] + role * n
            for w in range(n):
                best = min(total[w], pits.price_head[v])
                if best < np.inf:
                    best += pit_price(pits, v, role, low + w)
                tables[start + w] = best


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
    tables = np.full(total, np.inf)
    alive = np.empty((2 * n_out, 2), np.int64)
    alive[:, 0], alive[:, 1] = 1, 0
    reached = np.zeros(n_pits, np.int64)
    arrived = np.zeros(len(groups.in_branch), np.bool_)
    for v in range(n_pits):
        arrive, _ = _arrivals(v, pits, groups, legs, offset, tables, alive)
        for g in range(arrive.shape[0]):
            arrived[groups.in_start[v] + g] = arrive[g].size > 0 and arrive[g].min() < np.inf
        _close_pit(v, pits, groups, drops, arrive, offset, tables)
        n = max(pits.high[v] - pits.low[v] + 1, 0)
        for out in range(groups.out_start[v], groups.out_start[v + 1]):
            for role in range(2):
                start = offset[out] + role * n
                for k in range(n):
                    if tables[start + k] < np.inf:
                        if alive[2 * out + role, 0] > alive[2 * out + role, 1]:
                            alive[2 * out + role, 0] = k
                        alive[2 * out + role, 1] = k
                        reached[v] = 1
    return Filled(offset, tables, alive, reached, arrived)


@njit(cache=True, nogil=True)
def _best_leg_start(
    leg: int, drive: int, v: int, a: int, pits: Pits, legs: Legs, offset: Ints, tables: Floats
) -> tuple[float, int]:
    """Cheapest upper level of a leg into pit v at an arrival level, by looking at every one."""
    u = legs.up[leg]
    low, high = pits.low[u], pits.high[u]
    size = high - low + 1
    start = offset[legs.out_group[leg]] + UPPER_ROLE[drive] * size
    slope = legs.price_depth[leg, drive]
    best, where = np.inf, -1
    for z in range(high, low - 1, -1):
        value = tables[start + z - low]
        if value == np.inf or not leg_allows(legs, leg, z, a):
            continue
        cost = value + slope * (pits.ground[u] - z + pits.ground[v] - a)
        if cost < best - GUARD:
            best, where = cost, z
    if where >= 0 or best < np.inf:
        best += legs.price[leg, drive]
    return best, where


@njit(cache=True, nogil=True)
def trace_pit(
    v: int, out: int, role: int, level: int, pits: Pits, groups: Groups, legs: Legs, drops: Drops,
    offset: Ints, tables: Floats, alive: Ints,
) -> Ints:  # fmt: skip
    """What arrives at a pit of the optimum, given how it is left.

    Parameters
    ----------
    v, out, role, level
        The pit, the group and level at which it is left, and its role.
    pits, groups, legs, drops, offset, tables, alive
        The instance and its tables.

    Returns
    -------
    (strings, 4)
        Of each string that arrives: the leg, its drive, its upper level and the level at which it
        arrives. Empty for a head.
    """
    if pits.branches[v] == 0:
        return np.empty((0, 4), np.int64)
    arrive, which = _arrivals(v, pits, groups, legs, offset, tables, alive)
    first = groups.in_start[v]
    low = pits.low[v]
    found = np.full((pits.branches[v], 4), -1)
    total = 0.0
    for branch in range(pits.branches[v]):
        best, leg, at = np.inf, -1, -1
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
                    best, leg, at = cost, which[g - first, role, k], low + k
        total += best
        if leg < 0:
            continue
        cheapest = np.inf
        for drive in range(DRIVES):
            if LOWER_ROLE[drive] != role or legs.price[leg, drive] == np.inf:
                continue
            cost, z = _best_leg_start(leg, drive, v, at, pits, legs, offset, tables)
            if cost < cheapest - GUARD:
                cheapest = cost
                found[branch, 0], found[branch, 1] = leg, drive
                found[branch, 2], found[branch, 3] = z, at
    if pits.price_head[v] <= total + GUARD:
        return np.empty((0, 4), np.int64)
    return found
