"""Lowers a leg's rows to below the services that it meets, and bands those that lie deep."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import spliced, whole
from planner.kernels.hull import add_to_hull, hull_at, is_below_hull
from planner.kernels.leg_bound import Bound, Points, Work, add_band, hull_band, is_above
from planner.kernels.leg_services import (
    bounds_of_service,
    clear_of,
    is_under_water,
    lower_to_place,
    lower_to_water,
    part_in_reach,
    points_of_service,
    see_from_piece,
)
from planner.kernels.run_pieces import HALF_WIDTH, OWN, SERVICE, WATER_REACH, Pieces

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@spliced
def meet_services(
    ends: Floats, length: float, tie_in: int, to_axis: float, table: Floats, ints: Ints,
    at: Floats, z: Floats, cover_t: Floats, cover_h: Floats, cover_n: int, t: Floats, h: Floats,
    n: int, near: Ints, found: int, shallow: Ints, mark: int, met: Floats,
) -> tuple[int, int]:  # fmt: skip
    """Lower a hull to below water mains, and to one place of each service that asks for more.

    Returns the number of its points, and how many pieces are noted in ``met``: piece, clearance,
    part of the leg, bounds, and whether it might be passed above.
    """
    count, highest = 0, max(cover_h[0], cover_h[cover_n - 1])
    for i in range(found):
        j = near[i]
        if tie_in >= 0 and ints[j, OWN] == tie_in:
            continue
        seen = see_from_piece(ends, table, j)
        if table[j, WATER_REACH] > 0.0:
            part = part_in_reach(seen, table, ints, j, table[j, WATER_REACH])
            if part[0] <= part[1] and not is_under_water(seen, table, j, part, t, h, n):
                n = lower_to_water(seen, table, ints, j, at, z, part, t, h, n)
        clear = clear_of(seen, length, table, j)
        part = part_in_reach(seen, table, ints, j, clear + table[j, HALF_WIDTH])
        if part[1] < part[0]:
            continue
        f, v, high, low0, low1 = bounds_of_service(seen, table, ints, j, clear, to_axis, part)
        deep = high <= highest and high <= hull_at(cover_t, cover_h, cover_n, f)
        if not deep:
            shallow[ints[j, SERVICE]] = mark
            if not (is_below_hull(t, h, n, part[0], low0) or is_below_hull(t, h, n, part[1], low1)):
                continue
            if v > 0.0:
                n = lower_to_place(seen, table, ints, j, at, z, f, v, to_axis, t, h, n)
        met[count, 0], met[count, 1], met[count, 2], met[count, 3] = j, clear, part[0], part[1]
        met[count, 4], met[count, 5], met[count, 6] = low0, low1, 1.0 if deep else 0.0
        count += 1
    return n, count


@spliced
def lower_to_met(
    ends: Floats, fall: float, to_axis: float, table: Floats, ints: Ints, at: Floats, z: Floats,
    met: Floats, count: int, shallow: Ints, mark: int, points: Points, t: Floats, h: Floats, n: int,
    deep: Ints,
) -> tuple[int, int]:  # fmt: skip
    """Lower a hull to below the services met that a leg can only pass below.

    Returns the number of its points, and how many pieces that might be passed above are now listed
    in ``deep``, by their services.
    """
    kept = 0
    for i in range(count):
        j, clear, part = int(met[i, 0]), met[i, 1], (met[i, 2], met[i, 3])
        if met[i, 6] == 1.0 and shallow[ints[j, SERVICE]] != mark:
            k = kept
            while k > 0 and ints[deep[k - 1], SERVICE] > ints[j, SERVICE]:
                deep[k] = deep[k - 1]
                k -= 1
            deep[k] = j
            kept += 1
        elif is_below_hull(t, h, n, part[0], met[i, 4]) or is_below_hull(
            t, h, n, part[1], met[i, 5]
        ):
            seen = see_from_piece(ends, table, j)
            m = points_of_service(
                seen, table, ints, j, at, z, clear, to_axis, part, fall,
                points.t, points.low, points.high, whole(0),
            )  # fmt: skip
            for k in range(m):
                n = add_to_hull(t, h, n, points.t[k], points.low[k])
    return n, kept


@spliced
def _points_of_deep(
    ends: Floats, length: float, fall: float, to_axis: float, table: Floats, ints: Ints,
    at: Floats, z: Floats, deep: Ints, begin: int, end: int, points: Points,
) -> int:  # fmt: skip
    """Collect the inverts between which some pieces of a service are hit."""
    m = whole(0)
    for k in range(begin, end):
        j = deep[k]
        seen = see_from_piece(ends, table, j)
        clear = clear_of(seen, length, table, j)
        part = part_in_reach(seen, table, ints, j, clear + table[j, HALF_WIDTH])
        m = points_of_service(
            seen, table, ints, j, at, z, clear, to_axis, part, fall,
            points.t, points.low, points.high, m,
        )  # fmt: skip
    return int(m)


@spliced
def bind_deep(
    length: float, fall: float, to_axis: float, pieces: Pieces, at: Floats, z: Floats, work: Work,
    points: Points, bound: Bound, cover_n: int, n: int, kept: int, n_bands: int,
) -> tuple[int, int]:  # fmt: skip
    """Add the bands of a leg's deep services, or lower its hull to below them.

    Returns the number of the hull's points, and of the bands; -1 where there is no room for them.
    """
    k = whole(0)
    while k < kept:
        begin, service = k, pieces.ints[work.deep[k], SERVICE]
        while k < kept and pieces.ints[work.deep[k], SERVICE] == service:
            k += 1
        m = _points_of_deep(
            work.ends, length, fall, to_axis, pieces.table, pieces.ints, at, z, work.deep, begin, k,
            points,
        )  # fmt: skip
        if is_above(points, m, work.cover_t, work.cover_h, cover_n):
            below, above = hull_band(points, m)
            if not add_band(bound, n_bands, points, below, above, fall):
                return n, -1
            n_bands += 1
            continue
        for p in range(m):
            n = add_to_hull(work.t, work.h, n, points.t[p], points.low[p])
    return n, n_bands
