"""Limits of the upper end of a leg for each level at which it may arrive, block by block.

A row over the two levels of a leg is a line: the highest start for each arrival. Along a hull of
rows, the line that binds moves steadily with the arrival, so one walk finds them all.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from planner.kernels.hull import lower_hull
from planner.kernels.programme import BLOCK, BLOCK_BITS, GUARD, Legs

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


FAR = 1 << 40  # [levels] beyond any level


class Limits(NamedTuple):
    """Limits of one leg; levels of both ends count from the lowest of their pits."""

    top: Ints  # (levels,) highest start by arrival
    edge: Ints  # (blocks,) highest start at a block's lowest arrival
    below: Ints  # (bands, levels) highest start below a band
    above: Ints  # (bands, levels) lowest start above it, bands by their highest start below
    made: Ints  # (blocks,) the leg that a block's limits are made for
    lines: Floats  # (lines, 2) highest start at arrival 0, and what it loses with each level
    side: Ints  # (1 + 2 x bands, 2) first line, and the line after the last, of rows and bands
    most: Floats  # (1 + 2 x bands,) highest arrival that the lines leave


@njit(cache=True, nogil=True)
def highest_arrival(legs: Legs, leg: int) -> float:
    """Highest arrival level for which the upper rows and the least fall leave any start."""
    most = float(FAR)
    for k in range(legs.row_start[leg], legs.row_start[leg + 1]):
        t, h = legs.row_t[k], legs.row_h[k]
        if t >= 1.0:
            most = min(most, h + GUARD)
        else:
            most = min(most, h + 2.0 * GUARD - (1.0 - t) * legs.least_fall[leg])
    return max(most, -float(FAR))


@njit(cache=True, nogil=True)
def make_limits(legs: Legs, levels: int) -> Limits:
    """Room for the limits of any leg.

    Parameters
    ----------
    legs
        The legs.
    levels
        Greatest number of levels at which a sewer may arrive at a pit.
    """
    bands, rows = 0, 0
    for leg in range(len(legs.up)):
        first, last = legs.band_start[leg], legs.band_start[leg + 1]
        bands = max(bands, last - first)
        own = legs.row_start[leg + 1] - legs.row_start[leg]
        rows = max(rows, own + legs.band_low[last] - legs.band_low[first])
    blocks = (levels >> BLOCK_BITS) + 1
    return Limits(
        np.empty(levels, np.int64), np.empty(blocks, np.int64),
        np.empty((bands, levels), np.int64), np.empty((bands, levels), np.int64),
        np.full(blocks, -1), np.empty((rows, 2)), np.empty((1 + 2 * bands, 2), np.int64),
        np.empty(1 + 2 * bands),
    )  # fmt: skip


@njit(cache=True, nogil=True)
def draw_limits(legs: Legs, leg: int, low: tuple[int, int], limits: Limits) -> None:
    """Set the lines of a leg's rows and of both sides of its bands.

    Parameters
    ----------
    legs, leg
        The leg.
    low
        Lowest levels of its upper and its lower pit.
    limits
        Of which ``lines``, ``side`` and ``most`` are set.
    """
    first, last = legs.row_start[leg], legs.row_start[leg + 1]
    n = _draw_side(legs.row_t[first:last], legs.row_h[first:last], 1.0, low, (0, 0), limits)
    s = 1
    for band in range(legs.band_start[leg], legs.band_start[leg + 1]):
        first, middle, last = legs.band_low[band], legs.band_high[band], legs.band_low[band + 1]
        t, h = legs.band_t[first:middle], legs.band_h[first:middle]
        n = _draw_side(t, h, 1.0, low, (s, n), limits)
        t, h = legs.band_t[middle:last], legs.band_h[middle:last]
        n = _draw_side(t, h, -1.0, low, (s + 1, n), limits)
        s += 2


@njit(cache=True, nogil=True)
def _draw_side(
    t: Floats, h: Floats, sign: float, low: tuple[int, int], at: tuple[int, int], limits: Limits
) -> int:
    """Set the lines of one side from a place on; those above a band with their signs changed."""
    s, n = at
    limits.most[s] = FAR
    lines = limits.lines
    for k in range(len(t)):
        height = sign * (h[k] - (1.0 - t[k]) * low[0] - t[k] * low[1])
        if t[k] >= 1.0:
            limits.most[s] = min(limits.most[s], height + GUARD)
        elif height == -np.inf:
            limits.most[s] = -2.0 * FAR
        else:
            lines[n, 0], lines[n, 1] = t[k], height
            n += 1
    first = at[1]
    if n - first > 2:
        n = first + lower_hull(lines[first:n, 0], lines[first:n, 1], n - first)
    for k in range(first, n):
        part = 1.0 / (1.0 - lines[k, 0])
        height, lines[k, 1] = lines[k, 1], lines[k, 0] * part
        lines[k, 0] = (height + GUARD) * part
    limits.side[s, 0], limits.side[s, 1] = first, n
    return n


@njit(cache=True, nogil=True)
def mark_edges(top: int, limits: Limits) -> None:
    """Set the highest start at the lowest arrival of every block up to a level.

    Parameters
    ----------
    top
        Highest arrival.
    limits
        Of which ``edge`` is set.
    """
    first, k = limits.side[0, 0], limits.side[0, 1] - 1
    lines, edge = limits.lines, limits.edge
    for b in range(top >> BLOCK_BITS, -1, -1):
        i, z = b << BLOCK_BITS, float(FAR)
        while k >= first:
            z = lines[k, 0] - lines[k, 1] * i
            if k == first or lines[k - 1, 0] - lines[k - 1, 1] * i > z:
                break
            k -= 1
        edge[b] = math.floor(min(max(z, -float(FAR)), float(FAR)))


@njit(cache=True, nogil=True)
def _fill_side(lines: Floats, most: float, sign: int, start: int, count: int, out: Ints) -> None:
    """Highest starts below lines, or lowest ones above them, from an arrival on.

    The arrival falls from ``start`` where the sign is 1, and rises where it is -1.
    """
    k = len(lines) - 1
    for j in range(count):
        i = start - sign * j
        x = sign * i
        z = float(FAR)
        if x > most:
            z = -z
        elif k >= 0:
            z = lines[k, 0] - lines[k, 1] * x
            while k > 0:
                other = lines[k - 1, 0] - lines[k - 1, 1] * x
                if other > z:
                    break
                z = other
                k -= 1
        out[i] = sign * math.floor(min(max(z, -float(FAR)), float(FAR)))


@njit(cache=True, nogil=True)
def limit_block(leg: int, bands: int, first: int, end: int, limits: Limits) -> None:
    """Set the limits for the arrivals of a block.

    Parameters
    ----------
    leg
        The leg.
    bands
        How many bands it has.
    first
        First arrival of the block.
    end
        Number of arrivals at the pit.
    limits
        Whose lines are those of the leg.
    """
    limits.made[first >> BLOCK_BITS] = leg
    last = min(first + BLOCK, end) - 1
    count = last - first + 1
    falling = 1
    lines = limits.lines[limits.side[0, 0] : limits.side[0, 1]]
    _fill_side(lines, limits.most[0], falling, last, count, limits.top)
    for band in range(bands):
        for above in range(2):
            s = 1 + 2 * band + above
            lines = limits.lines[limits.side[s, 0] : limits.side[s, 1]]
            out = limits.above[band] if above else limits.below[band]
            start = first if above else last
            _fill_side(lines, limits.most[s], 1 - 2 * above, start, count, out)
    if bands > 1:
        _sort_gaps(bands, first, last, limits)


@njit(cache=True, nogil=True)
def _sort_gaps(bands: int, first: int, last: int, limits: Limits) -> None:
    """Put the gaps of bands in the order of their lower ends, for each arrival."""
    below, above = limits.below, limits.above
    for i in range(first, last + 1):
        for band in range(1, bands):
            low, high, k = below[band, i], above[band, i], band
            while k > 0 and below[k - 1, i] > low:
                below[k, i], above[k, i] = below[k - 1, i], above[k - 1, i]
                k -= 1
            below[k, i], above[k, i] = low, high
