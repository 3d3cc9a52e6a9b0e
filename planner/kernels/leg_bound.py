"""Rows and bands of legs as they are found, and room to work on one leg after the other."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import inner, spliced
from planner.kernels.hull import hull_at, lower_hull, sort_pairs, upper_hull
from planner.kernels.run_pieces import Pieces

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


LEAST_ROOM = 256  # rows and bands that there is room for at first
STEEPER = 2.0  # [levels] by which a leg may rise, or fall more: two in line round so


class Points(NamedTuple):
    """Places along a leg, and the inverts between which a service is hit there."""

    t: Floats
    low: Floats
    t_high: Floats
    high: Floats


class Bound(NamedTuple):
    """Rows and bands so far, in levels, with room for more; see `bind_legs`."""

    step: float  # height of a level [m]
    row_start: Ints
    row_t: Floats
    row_h: Floats
    band_start: Ints
    band_low: Ints
    band_high: Ints
    band_t: Floats
    band_h: Floats


class Work(NamedTuple):
    """Room for work on one leg after the other."""

    ends: Floats  # (4,) the leg
    t: Floats  # hull of its upper rows
    h: Floats
    cover_t: Floats  # hull of what the cover asks for
    cover_h: Floats
    near: Ints  # pieces near it
    is_near: Bools
    met: Floats  # (pieces, 7) see `meet_services`
    deep: Ints  # pieces that might be passed above
    shallow: Ints  # (services,) last leg that a service was found too shallow for to pass above


@spliced
def copy_points(t: Floats, h: Floats, n: int, to_t: Floats, to_h: Floats, at: int) -> int:
    """Copy n points to a place in other arrays; returns where they end."""
    for i in range(n):
        to_t[at + i], to_h[at + i] = t[i], h[i]
    return at + n


@inner
def _touched(
    t: Floats, h: Floats, n: int, sign: float, fall: float, rise: float
) -> tuple[int, int]:
    """First and last point of a lower hull (sign 1), or an upper one (-1), that a leg can touch.

    The leg falls by at most ``fall`` from t = 0 to 1, and rises by at most ``rise``.
    """
    first, last = 0, n - 1
    down, up = (fall, rise) if sign > 0.0 else (rise, fall)
    while first < last and sign * (h[first + 1] - h[first]) < -down * (t[first + 1] - t[first]):
        first += 1
    while last > first and sign * (h[last] - h[last - 1]) > up * (t[last] - t[last - 1]):
        last -= 1
    return first, last


@spliced
def write_rows(t: Floats, h: Floats, n: int, bound: Bound, at: int, fall: float) -> int:
    """Write those of n rows that can bind at a place among all others; returns where they end."""
    first, last = _touched(t, h, n, 1.0, fall, STEEPER * bound.step)
    for i in range(first, last + 1):
        bound.row_t[at + i - first], bound.row_h[at + i - first] = t[i], h[i] / bound.step
    return at + last + 1 - first


@inner
def add_band(bound: Bound, n: int, points: Points, below: int, above: int, fall: float) -> bool:
    """Add a band to n others, by its rows below and above; False where there is no room for it."""
    row, rise = bound.band_low[n], STEEPER * bound.step
    if n + 2 > len(bound.band_low) or row + below + above > len(bound.band_t):
        return False
    first, last = _touched(points.t, points.low, below, 1.0, fall, rise)
    for k in range(first, last + 1):
        bound.band_t[row], bound.band_h[row] = points.t[k], points.low[k] / bound.step
        row += 1
    bound.band_high[n] = row
    first, last = _touched(points.t_high, points.high, above, -1.0, fall, rise)
    for k in range(first, last + 1):
        bound.band_t[row], bound.band_h[row] = points.t_high[k], points.high[k] / bound.step
        row += 1
    bound.band_low[n + 1] = row
    return True


@spliced
def is_above(points: Points, m: int, t: Floats, h: Floats, n: int) -> bool:
    """Whether a leg that keeps its cover, by a hull, may pass above all of some points."""
    for k in range(m):
        if points.high[k] > hull_at(t, h, n, points.t[k]):
            return False
    return m > 0


@spliced
def hull_band(points: Points, m: int) -> tuple[int, int]:
    """Turn points into the rows of their band; returns how many there are below and above."""
    for i in range(m):
        points.t_high[i] = points.t[i]
    sort_pairs(points.t, points.low, m)
    sort_pairs(points.t_high, points.high, m)
    return lower_hull(points.t, points.low, m), upper_hull(points.t_high, points.high, m)


def make_work(pieces: Pieces, services: int, most: int) -> Work:
    """Room for work on legs near some pieces, with so many points at most."""
    n = len(pieces.ints)
    return Work(
        np.empty(4), np.empty(most), np.empty(most), np.empty(most), np.empty(most),
        np.empty(n + 1, np.int64), np.empty(n, np.bool_), np.empty((n, 7)),
        np.empty(n, np.int64), np.full(services, -1),
    )  # fmt: skip


def make_bound(legs: int, step: float) -> Bound:
    """Room for the rows and bands of some legs at first."""
    n = max(8 * legs, LEAST_ROOM)
    return Bound(
        step, np.zeros(legs + 1, np.int64), np.empty(n), np.empty(n), np.zeros(legs + 1, np.int64),
        np.zeros(n, np.int64), np.zeros(n, np.int64), np.empty(n), np.empty(n),
    )  # fmt: skip


def more_room(b: Bound, more: int) -> Bound:
    """The same rows and bands with room for more."""
    return b._replace(
        row_t=_grown(b.row_t, more), row_h=_grown(b.row_h, more),
        band_low=_grown(b.band_low, more), band_high=_grown(b.band_high, more),
        band_t=_grown(b.band_t, more), band_h=_grown(b.band_h, more),
    )  # fmt: skip


def _grown(values: NDArray[Any], more: int) -> NDArray[Any]:
    return np.append(values, np.empty(len(values) + more, values.dtype))
