"""Limits of the upper end of a leg for each level at which it may arrive, block by block.

A row over the two levels of a leg is a line: the highest start for each arrival. Along a hull of
rows, the line that binds moves steadily with the arrival, so one walk finds them all.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import inner, whole
from planner.kernels.hull import lower_hull
from planner.kernels.programme import BLOCK, BLOCK_BITS, FAR, GUARD, Legs

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

AT_ONCE = 1 << 14  # sets of rows that are measured together


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


@inner
def highest_arrival(legs: Legs, leg: int) -> float:
    """Highest arrival level for which the upper rows and the least fall leave any start."""
    most, least, rows = float(FAR), float(legs.least_fall[leg]), legs.rows[leg]
    for k in range(legs.row_start[rows], legs.row_start[rows + 1]):
        t, h = legs.row_t[k], legs.row_h[k]
        most = min(most, h + GUARD if t >= 1.0 else h + 2.0 * GUARD - (1.0 - t) * least)
    return max(most, -float(FAR))


def make_limits(legs: Legs, levels: int) -> Limits:
    """Room for the limits of any leg.

    Parameters
    ----------
    legs
        The legs.
    levels
        Greatest number of levels at which a sewer may arrive at a pit.
    """
    most_bands, most_rows = 0, 0
    for first in range(0, len(legs.row_start) - 1, AT_ONCE):
        bands = legs.band_start[first : first + AT_ONCE + 1]
        rows = np.diff(legs.row_start[first : first + AT_ONCE + 1])
        rows += np.diff(legs.band_low[bands])
        most_bands = max(most_bands, int(np.diff(bands).max()))
        most_rows = max(most_rows, int(rows.max()))
    blocks = (levels >> BLOCK_BITS) + 1
    return Limits(
        np.empty(levels, np.int64), np.empty(blocks, np.int64),
        np.empty((most_bands, levels), np.int64), np.empty((most_bands, levels), np.int64),
        np.full(blocks, -1), np.empty((most_rows, 2)),
        np.empty((1 + 2 * most_bands, 2), np.int64), np.empty(1 + 2 * most_bands),
    )  # fmt: skip


@inner
def draw_limits(legs: Legs, leg: int, low_up: int, low_down: int, limits: Limits) -> None:
    """Set the lines of a leg's rows and of both sides of its bands.

    Parameters
    ----------
    legs, leg
        The leg.
    low_up, low_down
        Levels that those of its upper and its lower pit count from.
    limits
        Of which ``lines``, ``side`` and ``most`` are set.
    """
    rows = legs.rows[leg]
    first, last = legs.band_start[rows], legs.band_start[rows + 1]
    n = whole(0)
    for s in range(1 + 2 * (last - first)):
        begin, end, sign = legs.row_start[rows], legs.row_start[rows + 1], 1.0
        t, h = legs.row_t, legs.row_h
        if s > 0:
            band = first + (s - 1) // 2
            begin, end = legs.band_low[band], legs.band_high[band]
            t, h = legs.band_t, legs.band_h
            if s % 2 == 0:
                begin, end, sign = end, legs.band_low[band + 1], -1.0
        limits.most[s] = FAR
        limits.side[s, 0] = n
        for k in range(begin, end):
            height = sign * (h[k] - (1.0 - t[k]) * low_up - t[k] * low_down)
            if t[k] >= 1.0:
                limits.most[s] = min(limits.most[s], height + GUARD)
            elif height == -np.inf:
                limits.most[s] = -2.0 * FAR
            else:
                limits.lines[n, 0], limits.lines[n, 1] = t[k], height
                n += 1
        n = _bend_lines(limits.lines, limits.side[s, 0], n)
        limits.side[s, 1] = n


@inner
def _bend_lines(lines: Floats, first: int, n: int) -> int:
    """Make lines over the arrival of rows over the place along the leg, those that bind."""
    if n - first > 2:
        n = first + lower_hull(lines[first:n, 0], lines[first:n, 1], n - first)
    for k in range(first, n):
        part = 1.0 / (1.0 - lines[k, 0])
        height, lines[k, 1] = lines[k, 1], lines[k, 0] * part
        lines[k, 0] = (height + GUARD) * part
    return n


@inner
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


@inner
def _fill_side(s: int, sign: int, start: int, count: int, limits: Limits, out: Ints) -> None:
    """Highest starts below lines, or lowest ones above them, from an arrival on.

    The arrival falls from ``start`` where the sign is 1, and rises where it is -1.
    """
    lines, most, bottom = limits.lines, limits.most[s], limits.side[s, 0]
    k = limits.side[s, 1] - 1
    for j in range(count):
        i = start - sign * j
        x = sign * i
        z = float(FAR)
        if x > most:
            z = -z
        elif k >= bottom:
            z = lines[k, 0] - lines[k, 1] * x
            while k > bottom:
                other = lines[k - 1, 0] - lines[k - 1, 1] * x
                if other > z:
                    break
                z = other
                k -= 1
        out[i] = sign * math.floor(min(max(z, -float(FAR)), float(FAR)))


@inner
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
    for s in range(1 + 2 * bands):
        over = s > 0 and s % 2 == 0
        out, start = limits.top, last
        if over:
            out, start = limits.above[s // 2 - 1], first
        elif s > 0:
            out = limits.below[s // 2]
        _fill_side(s, 1 - 2 * int(over), start, last - first + 1, limits, out)
    if bands > 1:
        _sort_gaps(bands, first, last, limits)


@inner
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
