"""Updates a pit's arrivals from its legs: minima over windows of the upper pits' tables."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from planner.kernels.leg_rows import FAR
from planner.kernels.programme import (
    DRIVES,
    GUARD,
    LOWER_ROLE,
    UPPER_ROLE,
    Filled,
    Groups,
    Legs,
    Pits,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

NEVER, ALWAYS = -(1 << 40), 1 << 40  # [levels] beyond any level


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
        limits[i] = NEVER if z < NEVER else math.floor(min(z, FAR))


@njit(cache=True, nogil=True)
def _relax_open(
    fall0: int, fall1: int, limits: Ints, values: Floats, low: int,
    slopes: tuple[float, float], constant: float, leg: int, best: Floats, which: Ints, a_low: int,
    queue: Ints,
) -> None:  # fmt: skip
    """Update a lower pit's table by a leg without bands; ``values`` start at level ``low``."""
    slope, down = slopes
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
        cost = running + constant - down * a
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
def _edge_of_band(
    legs: Legs, rows: tuple[int, int], side: float, a_low: int, edge: Floats, lines: Floats
) -> None:
    """Highest z below a band for each arrival level (side 1), or minus the lowest above it (-1)."""
    n, top = 0, np.inf
    for k in range(rows[0], rows[1]):
        t, h = legs.band_t[k], side * legs.band_h[k] + GUARD
        if t >= 1.0:
            top = min(top, h)
        else:
            lines[n, 0], lines[n, 1] = h / (1.0 - t), side * t / (1.0 - t)
            n += 1
    for i in range(len(edge)):
        z = FAR if side * (a_low + i) <= top else -FAR
        for k in range(n):
            z = min(z, lines[k, 0] - lines[k, 1] * (a_low + i))
        edge[i] = max(z, -FAR)


@njit(cache=True, nogil=True)
def _gaps(legs: Legs, leg: int, a_low: int, count: int) -> Ints:
    """Forbidden z of every band, for each arrival level: highest below and lowest above."""
    first, last = legs.band_start[leg], legs.band_start[leg + 1]
    gaps = np.empty((count, last - first, 2), np.int64)
    lines = np.empty((legs.band_low[last] - legs.band_low[first], 2))
    under, over = np.empty(count), np.empty(count)
    for band in range(first, last):
        middle = legs.band_high[band]
        _edge_of_band(legs, (legs.band_low[band], middle), 1.0, a_low, under, lines)
        _edge_of_band(legs, (middle, legs.band_low[band + 1]), -1.0, a_low, over, lines)
        for i in range(count):
            below, above = math.floor(under[i]), math.ceil(-over[i])
            k = band - first
            while k > 0 and gaps[i, k - 1, 0] > below:
                gaps[i, k, 0], gaps[i, k, 1] = gaps[i, k - 1, 0], gaps[i, k - 1, 1]
                k -= 1
            gaps[i, k, 0], gaps[i, k, 1] = below, above
    return gaps


@njit(cache=True, nogil=True)
def _relax_banded(
    fall0: int, fall1: int, limits: Ints, gaps: Ints, values: Floats, low: int,
    slopes: tuple[float, float], constant: float, leg: int, best: Floats, which: Ints, a_low: int,
) -> None:  # fmt: skip
    """Update a lower pit's table by a leg that passes services above or below."""
    slope, down = slopes
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
        cost = found + constant - down * a
        if cost < best[a - a_low]:
            best[a - a_low] = cost
            which[a - a_low] = leg


@njit(cache=True, nogil=True)
def arrive_at(
    v: int, pits: Pits, groups: Groups, legs: Legs, filled: Filled
) -> tuple[Floats, Ints]:
    """Cheapest way to arrive at a pit, by group, role and level, and the leg it is by.

    Parameters
    ----------
    v
        The pit.
    pits, groups, legs
        The instance.
    filled
        Tables of all pits above.

    Returns
    -------
    best : (groups that arrive, 2, levels)
    which : (groups that arrive, 2, levels)
        The leg, -1 where nothing arrives.
    """
    first = groups.in_start[v]
    count = groups.in_start[v + 1] - first
    n = max(pits.arrive_high[v] - pits.low[v] + 1, 0)
    best = np.full((count, 2, n), np.inf)
    which = np.full((count, 2, n), -1)
    limits = np.empty(n, np.int64)
    queue = np.empty(int((pits.high - pits.low).max()) + 1, np.int64)
    for leg in range(legs.start[v], legs.start[v + 1]):
        u = legs.up[leg]
        size = pits.high[u] - pits.low[u] + 1
        if size <= 0 or n == 0:
            continue
        bounded = False
        gaps = np.empty((0, 0, 0), np.int64)
        for drive in range(DRIVES):
            table = 2 * legs.out_group[leg] + UPPER_ROLE[drive]
            live = filled.alive[table]
            if legs.price[leg, drive] == np.inf or live[0] > live[1]:
                continue
            if not bounded:
                bounded = True
                _upper_limits(legs, leg, pits.low[v], limits)
                if legs.band_start[leg] < legs.band_start[leg + 1]:
                    gaps = _gaps(legs, leg, pits.low[v], n)
            start = filled.offset[legs.out_group[leg]] + UPPER_ROLE[drive] * size
            values = filled.tables[start + live[0] : start + live[1] + 1]
            up, down = legs.price_depth[leg, drive, 0], legs.price_depth[leg, drive, 1]
            constant = legs.price[leg, drive] + up * pits.ground[u] + down * pits.ground[v]
            g, r = legs.in_group[leg] - first, LOWER_ROLE[drive]
            if gaps.shape[0] == 0:
                _relax_open(
                    legs.least_fall[leg], legs.most_fall[leg], limits, values,
                    pits.low[u] + live[0], (up, down), constant, leg, best[g, r], which[g, r],
                    pits.low[v], queue,
                )  # fmt: skip
            else:
                _relax_banded(
                    legs.least_fall[leg], legs.most_fall[leg], limits, gaps, values,
                    pits.low[u] + live[0], (up, down), constant, leg, best[g, r], which[g, r],
                    pits.low[v],
                )  # fmt: skip
    return best, which
