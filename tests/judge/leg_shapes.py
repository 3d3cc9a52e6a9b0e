"""The pairs of levels that a leg may join, as polygons of whole numbers.

Of a leg that passes its bands in one chosen way, the allowed pairs are the whole points of a convex
polygon. The hull of those points holds no others, so its sides, which have whole coefficients,
say the same as the rows, and no tolerance of a solver can spoil them.
"""

from __future__ import annotations

import itertools
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tests.judge.instance_file import GUARD, Arrays

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


class Shape(NamedTuple):
    """Levels z above ``low`` of the upper pit, a above that of the lower one."""

    z: tuple[int, int]  # least and greatest
    a: tuple[int, int]
    sides: tuple[tuple[int, int, int], ...]  # p, q, r: p z + q a <= r


def leg_shapes(arrays: Arrays, leg: int, down: int) -> list[Shape]:
    """One shape for every way to pass the bands of a leg that leaves it any levels."""
    up = int(arrays["legs_up"][leg])
    z0, z1 = int(arrays["pits_low"][up]), int(arrays["pits_high"][up])
    a = np.arange(arrays["pits_low"][down], arrays["pits_arrive_high"][down] + 1)
    if z1 < z0 or not len(a):
        return []
    low = np.maximum(z0, a + arrays["legs_least_fall"][leg])
    high = np.minimum(z1, a + arrays["legs_most_fall"][leg])
    own = int(arrays["legs_rows"][leg])
    rows = slice(*arrays["legs_row_start"][own : own + 2].tolist())
    t, h = arrays["legs_row_t"][rows], arrays["legs_row_h"][rows]
    high = np.minimum(high, _frontier(t, h, a, (z0, z1)))
    ways = [(low, high)]
    for band in range(*arrays["legs_band_start"][own : own + 2].tolist()):
        edges = _edges(arrays, band, a, (z0, z1))
        ways = [way for old in ways for way in _pass(old, edges)]
    shapes = [_hull(a - a[0], lo - z0, hi - z0) for lo, hi in ways if (lo <= hi).any()]
    return list(dict.fromkeys(shapes))


def _pass(way: tuple[Ints, Ints], edges: tuple[Ints, Ints]) -> list[tuple[Ints, Ints]]:
    """The levels of a way below a band and those above it; one of both where all are there."""
    low, high = way
    found = [(low, np.minimum(high, edges[0])), (np.maximum(low, edges[1]), high)]
    count = [int(np.maximum(hi - lo + 1, 0).sum()) for lo, hi in (way, *found)]
    if count[0] in count[1:]:
        return [way]
    return [one for one, levels in zip(found, count[1:], strict=True) if levels]


def _edges(arrays: Arrays, band: int, a: Ints, z: tuple[int, int]) -> tuple[Ints, Ints]:
    """Highest z below a band and lowest z above it."""
    low, high = arrays["legs_band_low"][band], arrays["legs_band_high"][band]
    end = arrays["legs_band_low"][band + 1]
    t, h = arrays["legs_band_t"], arrays["legs_band_h"]
    below = _frontier(t[low:high], h[low:high], a, z)
    above = -_frontier(t[high:end], -h[high:end], -a, (-z[1], -z[0]))
    return below, above


def _frontier(t: Floats, h: Floats, a: Ints, z: tuple[int, int]) -> Ints:
    """Highest level from z[0] - 1 to z[1] that keeps every row, for each a, by trying them."""
    best = np.full(len(a), z[1])
    for place, height in zip(t.tolist(), h.tolist(), strict=True):
        best = np.minimum(best, _highest(place, height, a, z))
    return best


def _highest(t: float, h: float, a: Ints, z: tuple[int, int]) -> Ints:
    """A guess by division, put right by the row itself."""
    if h == -np.inf:
        return np.full(len(a), z[0] - 1)
    with np.errstate(all="ignore"):
        guess = np.nan_to_num((h - t * a) / (1.0 - t), nan=0.0, posinf=1e15, neginf=-1e15)
    k = np.floor(np.clip(guess, z[0] - 1, z[1])).astype(np.int64)
    while (lower := (k >= z[0]) & ((1.0 - t) * k + t * a > h + GUARD)).any():
        k = k - lower
    while (higher := (k < z[1]) & ((1.0 - t) * (k + 1) + t * a <= h + GUARD)).any():
        k = k + higher
    return k


def _hull(a: Ints, low: Ints, high: Ints) -> Shape:
    """The hull of all whole points between low and high."""
    keep = low <= high
    a, low, high = a[keep], low[keep], high[keep]
    upper = _chain(a, high)
    lower = [(p, -q, r) for p, q, r in _chain(a, -low)]
    spans = (int(low.min()), int(high.max())), (int(a[0]), int(a[-1]))
    sides = [(q, p, r) for p, q, r in upper + lower if p]  # level sides stand in the spans
    return Shape(spans[0], spans[1], tuple(sides))


def _chain(x: Ints, y: Ints) -> list[tuple[int, int, int]]:
    """Sides p x + q y <= r above points of ascending x."""
    kept: list[tuple[int, int]] = []
    for point in zip(x.tolist(), y.tolist(), strict=True):
        while len(kept) > 1 and _turn(kept[-2], kept[-1], point) >= 0:
            kept.pop()
        kept.append(point)
    pairs = itertools.pairwise(kept)
    return [(y0 - y1, x1 - x0, (y0 - y1) * x0 + (x1 - x0) * y0) for (x0, y0), (x1, y1) in pairs]


def _turn(o: tuple[int, int], p: tuple[int, int], q: tuple[int, int]) -> int:
    return (p[0] - o[0]) * (q[1] - o[1]) - (p[1] - o[1]) * (q[0] - o[0])
