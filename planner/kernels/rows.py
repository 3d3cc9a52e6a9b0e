"""What a leg may do, as rows over its two inverts: upper rows and forbidden bands."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from planner.kernels.ground import sample_ground
from planner.kernels.hull import hull_at, lower_hull, sort_pairs, upper_hull
from planner.kernels.plane import cell_of, in_ring, point_segment_distance, segment_distance

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

COVER_STEP = 0.5  # [m] the ground is sampled at least this closely along a leg
NEAR_STEP = 0.05  # [m] bore points this close near a crossing service
FAR_STEP = 0.25  # [m] and this close along one that runs beside it
NEAR_COUNT = 48  # at least this many points where a service is near, if it is long near
BESIDE = math.sin(math.radians(15.0))  # below this angle in plan a service runs beside a leg
SLACK = 0.002  # [m] what sampling may miss of a clearance
END_MARGIN = 1.5  # [m] a house joins a leg at least this far from its pits


class GroundCells(NamedTuple):
    """A `Ground` as its arrays."""

    values: Floats
    x0: float
    y0: float
    step: float
    col: Floats
    row: Floats


class Bore(NamedTuple):
    """Measures of the pipe in its bore. [m]"""

    inside: float
    outside: float
    bore: float
    cover: float  # required, ground to the top of bore or pipe
    frost: float  # required, ground to the top of the pipe
    deepest: float  # greatest depth from the ground to the invert, infinite where none is set


class Runs(NamedTuple):
    """Straight runs of services in plan, each with the profile of its axis; by service."""

    ends: Floats  # (runs, 4) [m]
    service: Ints  # (runs,)
    profile_start: Ints  # (runs + 1,)
    profile_at: Floats  # (points,) along the run [m]
    profile_z: Floats  # (points,) elevation of the axis [m]
    half_width: Floats  # (runs,) half width of a box, radius of a pipe [m]
    half_height: Floats  # (runs,) half height of a box, radius of a pipe [m]
    is_box: NDArray[np.bool_]  # (runs,)
    required: Floats  # (runs, 2) edge to edge where it is crossed, and where it runs beside [m]
    is_water: NDArray[np.bool_]  # (runs,)
    own: Ints  # (runs,) tie-in whose own pipe the run belongs to, -1 for none
    frame: Floats  # grid over the runs
    start: Ints
    items: Ints


class Zones(NamedTuple):
    """Polygons that ask for more cover; rings end to end."""

    ring_start: Ints  # (zones + 1,)
    xy: Floats  # (vertices, 2) [m]
    cover: Floats  # (zones,) to the bore [m], 0 where the zone asks for none
    frost: Floats  # (zones,) to the pipe [m]


class Houses(NamedTuple):
    """Properties along a chain, as what their connections ask of a leg."""

    xy: Floats  # (properties, 2) [m]
    station: Floats  # (properties,) along the chain [m]
    invert: Floats  # (properties,) at the property, on the grid of levels [m]
    slope: float  # [m/m] least slope of a connection
    longest: float  # [m]
    fixed: float  # price of one
    per_length: float  # price of a metre


class Water(NamedTuple):
    """Separation from water mains. [m]"""

    horizontal: float
    vertical: float


class LegEnds(NamedTuple):
    """Legs of one chain by their ends, and the houses each of them serves."""

    ends: Floats  # (legs, 4) upstream first [m]
    length: Floats  # (legs,) [m]
    serves_from: Floats  # (legs,) lowest station served [m]
    serves_to: Floats  # (legs,) first station not served any more [m]
    tie_in: Ints  # (legs,) tie-in that the leg ends at, whose own pipes it may meet, -1 for none


@njit(cache=True)
def _cover_rows(
    ends: Floats, length: float, ground: GroundCells, bore: Bore, zones: Zones, t: Floats, h: Floats
) -> int:
    """Highest invert that keeps the cover, all along; -1 where there is no ground."""
    count = math.ceil(length / COVER_STEP)
    wall = (bore.outside - bore.inside) / 2.0
    over_bore = max(bore.bore, bore.outside) - wall
    over_pipe = bore.outside - wall
    f = np.arange(count + 1) / count
    xs = ends[0] + f * (ends[2] - ends[0])
    ys = ends[1] + f * (ends[3] - ends[1])
    level = sample_ground(
        ground.values, ground.x0, ground.y0, ground.step, ground.col, ground.row, xs, ys
    )
    for i in range(count + 1):
        if math.isnan(level[i]):
            return -1
        cover, frost = bore.cover, bore.frost
        for z in range(len(zones.ring_start) - 1):
            if in_ring(xs[i], ys[i], zones.xy[zones.ring_start[z] : zones.ring_start[z + 1]]):
                cover = max(cover, zones.cover[z])
                frost = max(frost, zones.frost[z])
        t[i] = f[i]
        h[i] = level[i] - max(cover + over_bore, frost + over_pipe)
    return lower_hull(t, h, count + 1)


@njit(cache=True)
def _depth_rows(
    ends: Floats, length: float, ground: GroundCells, deepest: float, t: Floats, h: Floats
) -> int:
    """Lowest invert that is no deeper than it may be, all along."""
    count = math.ceil(length / COVER_STEP)
    f = np.arange(count + 1) / count
    xs = ends[0] + f * (ends[2] - ends[0])
    ys = ends[1] + f * (ends[3] - ends[1])
    level = sample_ground(
        ground.values, ground.x0, ground.y0, ground.step, ground.col, ground.row, xs, ys
    )
    for i in range(count + 1):
        t[i], h[i] = f[i], level[i] - deepest
    return upper_hull(t, h, count + 1)


@njit(cache=True)
def _nearest_on_leg(ends: Floats, run: Floats) -> float:
    """Where along a leg it is nearest to a run in plan."""
    best, where = np.inf, 0.0
    for i in range(2):
        d, f = point_segment_distance(
            run[2 * i], run[2 * i + 1], ends[0], ends[1], ends[2], ends[3]
        )
        if d < best:
            best, where = d, f
        d, _ = point_segment_distance(ends[2 * i], ends[2 * i + 1], run[0], run[1], run[2], run[3])
        if d < best:
            best, where = d, float(i)
    ax, ay = ends[2] - ends[0], ends[3] - ends[1]
    bx, by = run[2] - run[0], run[3] - run[1]
    cross = ax * by - ay * bx
    if cross != 0.0:
        f = ((run[0] - ends[0]) * by - (run[1] - ends[1]) * bx) / cross
        g = ((run[0] - ends[0]) * ay - (run[1] - ends[1]) * ax) / cross
        if 0.0 <= f <= 1.0 and 0.0 <= g <= 1.0:
            return float(f)
    return where


@njit(cache=True)
def _edge_of_reach(ends: Floats, run: Floats, reach: float, inside: float, outside: float) -> float:
    """Where along a leg the run comes into reach, between a place inside and one outside."""
    for _ in range(26):
        f = (inside + outside) / 2.0
        x = ends[0] + f * (ends[2] - ends[0])
        y = ends[1] + f * (ends[3] - ends[1])
        d, _ = point_segment_distance(x, y, run[0], run[1], run[2], run[3])
        if d <= reach:
            inside = f
        else:
            outside = f
    return outside


@njit(cache=True)
def _interval_in_reach(ends: Floats, run: Floats, reach: float) -> tuple[float, float]:
    """Part of a leg that is within reach of a run in plan; empty as (1, 0)."""
    d = segment_distance(ends[0], ends[1], ends[2], ends[3], run[0], run[1], run[2], run[3])
    if d > reach:
        return 1.0, 0.0
    nearest = _nearest_on_leg(ends, run)
    d0, _ = point_segment_distance(ends[0], ends[1], run[0], run[1], run[2], run[3])
    d1, _ = point_segment_distance(ends[2], ends[3], run[0], run[1], run[2], run[3])
    first = 0.0 if d0 <= reach else _edge_of_reach(ends, run, reach, nearest, 0.0)
    last = 1.0 if d1 <= reach else _edge_of_reach(ends, run, reach, nearest, 1.0)
    return first, last


@njit(cache=True)
def _runs_beside(ends: Floats, length: float, run: Floats) -> bool:
    """Whether a leg and a run of a service lie nearly parallel in plan, or it is a point."""
    dx, dy = run[2] - run[0], run[3] - run[1]
    long = math.hypot(dx, dy)
    turn = abs((ends[2] - ends[0]) * dy - (ends[3] - ends[1]) * dx)
    return long <= 1e-9 or turn < BESIDE * length * long


@njit(cache=True)
def _axis_of_run(runs: Runs, r: int, at: float) -> tuple[float, float]:
    """Elevation of a run's axis and its slope at a distance along it."""
    a, b = runs.profile_start[r], runs.profile_start[r + 1]
    if b - a == 1:
        return float(runs.profile_z[a]), 0.0
    k = a + np.searchsorted(runs.profile_at[a:b], at, side="right")
    k = min(max(k, a + 1), b - 1)
    step = runs.profile_at[k] - runs.profile_at[k - 1]
    slope = (runs.profile_z[k] - runs.profile_z[k - 1]) / step
    return float(runs.profile_z[k - 1] + slope * (at - runs.profile_at[k - 1])), float(slope)


@njit(cache=True)
def _service_points(
    ends: Floats, length: float, runs: Runs, r: int, bore: Bore,
    t: Floats, low: Floats, high: Floats, n: int,
) -> int:  # fmt: skip
    """Add the levels of the invert between which this run is hit, place by place."""
    run = runs.ends[r]
    required = runs.required[r, 1 if _runs_beside(ends, length, run) else 0]
    clear = required + SLACK + bore.bore / 2.0
    reach = clear + runs.half_width[r]
    first, last = _interval_in_reach(ends, run, reach)
    if last < first:
        return n
    near = (last - first) * length
    count = min(int(near / NEAR_STEP) + 1, max(NEAR_COUNT, int(near / FAR_STEP) + 1))
    to_axis = bore.bore / 2.0 - (bore.outside - bore.inside) / 2.0
    long = math.hypot(run[2] - run[0], run[3] - run[1])
    for i in range(count + 1):
        f = min(1.0, first + (last - first) * i / count)
        x = ends[0] + f * (ends[2] - ends[0])
        y = ends[1] + f * (ends[3] - ends[1])
        d, g = point_segment_distance(x, y, run[0], run[1], run[2], run[3])
        z, slope = _axis_of_run(runs, r, g * long)
        if runs.is_box[r]:
            gap = max(0.0, d - runs.half_width[r])
            square = clear * clear - gap * gap
            extra = runs.half_height[r]
        else:
            square = reach * reach - d * d
            extra = 0.0
        if square <= 0.0:
            continue
        v = math.sqrt(square * (1.0 + slope * slope)) + extra
        t[n], low[n], high[n] = f, z - v - to_axis, z + v - to_axis
        n += 1
    return n


@njit(cache=True)
def _water_points(
    ends: Floats, length: float, runs: Runs, r: int, bore: Bore, water: Water,
    t: Floats, h: Floats, n: int,
) -> int:  # fmt: skip
    """Add the highest invert below a water main wherever it is within the rule's distance."""
    run = runs.ends[r]
    reach = water.horizontal + bore.outside / 2.0 + runs.half_width[r] + SLACK
    first, last = _interval_in_reach(ends, run, reach)
    if last < first:
        return n
    top = bore.outside - (bore.outside - bore.inside) / 2.0
    long = math.hypot(run[2] - run[0], run[3] - run[1])
    count = int((last - first) * length / FAR_STEP) + 1
    for i in range(count + 1):
        f = min(1.0, first + (last - first) * i / count)
        x = ends[0] + f * (ends[2] - ends[0])
        y = ends[1] + f * (ends[3] - ends[1])
        _, g = point_segment_distance(x, y, run[0], run[1], run[2], run[3])
        z, _ = _axis_of_run(runs, r, g * long)
        t[n], h[n] = f, z - runs.half_height[r] - water.vertical - SLACK - top
        n += 1
    return n


@njit(cache=True)
def _runs_near(ends: Floats, length: float, runs: Runs, seen: Ints, mark: int, found: Ints) -> int:
    """Runs whose grid cells a leg passes, each once, in ascending order."""
    n = 0
    count = int(length / 4.0) + 1
    last = -2
    for i in range(count + 1):
        f = i / count
        k = cell_of(
            runs.frame, ends[0] + f * (ends[2] - ends[0]), ends[1] + f * (ends[3] - ends[1])
        )
        if k < 0 or k == last:
            continue
        last = k
        for j in range(runs.start[k], runs.start[k + 1]):
            r = runs.items[j]
            if seen[r] != mark:
                seen[r] = mark
                found[n] = r
                n += 1
    found[:n].sort()
    return n


@njit(cache=True)
def _house_rows(
    ends: Floats, length: float, span: Floats, houses: Houses, inside: float, step: float,
    t: Floats, h: Floats, n: int,
) -> tuple[int, float]:  # fmt: skip
    """Add the highest invert each house can drain to; returns the count and their price.

    The price is infinite where a house is out of reach of its leg.
    """
    price = 0.0
    for i in range(len(houses.station)):
        s = houses.station[i]
        if s < span[0] or s >= span[1]:
            continue
        _, f = point_segment_distance(
            houses.xy[i, 0], houses.xy[i, 1], ends[0], ends[1], ends[2], ends[3]
        )
        f = min(max(f, END_MARGIN / length), 1.0 - END_MARGIN / length)
        x = ends[0] + f * (ends[2] - ends[0])
        y = ends[1] + f * (ends[3] - ends[1])
        d = math.hypot(houses.xy[i, 0] - x, houses.xy[i, 1] - y)
        if d > houses.longest:
            return n, np.inf
        fall = math.ceil(houses.slope * d / step - 1e-9) * step
        t[n], h[n] = f, houses.invert[i] - fall - inside / 2.0
        n += 1
        price += houses.fixed + houses.per_length * d
    return n, price


@njit(cache=True)
def _grow(a: Floats, n: int, more: int) -> Floats:
    if n + more <= len(a):
        return a
    b = np.empty(max(2 * len(a), n + more), a.dtype)
    b[:n] = a[:n]
    return b


@njit(cache=True)
def _grow_ints(a: Ints, n: int, more: int) -> Ints:
    if n + more <= len(a):
        return a
    b = np.empty(max(2 * len(a), n + more), a.dtype)
    b[:n] = a[:n]
    return b


@njit(cache=True)
def bind_legs(
    legs: LegEnds, ground: GroundCells, bore: Bore, runs: Runs, zones: Zones, houses: Houses,
    water: Water, step: float,
) -> tuple[Ints, Floats, Floats, Ints, Ints, Ints, Floats, Floats, Floats]:  # fmt: skip
    """Rows over the two inverts of every leg of a chain.

    With z the invert at the upper end, w at the lower and t the fraction along, an upper row asks
    for ``(1 - t) z + t w <= h``. A band asks that either all its lower rows hold in that form, or
    all its upper rows in the other (``>= h``): below a service or above it.

    Parameters
    ----------
    legs, ground, bore, runs, zones, houses, water
        The legs and what they meet.
    step
        Step of the grid of levels. [m]

    Returns
    -------
    row_start : (legs + 1,)
        Where each leg's rows begin; a leg over no ground has one row that nothing can hold.
    row_t, row_h : (rows,)
        Place and highest invert. [m]
    band_start : (legs + 1,)
        Where each leg's bands begin.
    band_low, band_high : (bands + 1,)
        Where each band's rows below and above begin in ``band_t`` and ``band_h``; the rows above
        of band b end where the rows below of band b + 1 begin.
    band_t, band_h : (band rows,)
        Place and invert. [m]
    house_price : (legs,)
        Price of the connections that the leg serves, infinite if one is out of reach.
    """
    n_legs = len(legs.length)
    row_start = np.zeros(n_legs + 1, np.int64)
    row_t, row_h = np.empty(8 * n_legs + 16), np.empty(8 * n_legs + 16)
    band_start = np.zeros(n_legs + 1, np.int64)
    band_low = np.zeros(n_legs + 2, np.int64)
    band_high = np.zeros(n_legs + 2, np.int64)
    band_t, band_h = np.empty(8 * n_legs + 16), np.empty(8 * n_legs + 16)
    house_price = np.zeros(n_legs)
    most = int(legs.length.max() / NEAR_STEP) * 4 + 4096 if n_legs else 4096
    t, h = np.empty(most), np.empty(most)
    et, eh = np.empty(most * 8), np.empty(most * 8)
    st, low, high = np.empty(most * 8), np.empty(most * 8), np.empty(most * 8)
    st2 = np.empty(most * 8)
    seen = np.full(len(runs.service), -1)
    found = np.empty(len(runs.service), np.int64)
    rows, bands, brows = 0, 0, 0
    span = np.empty(2)
    for i in range(n_legs):
        ends, length = legs.ends[i], legs.length[i]
        n = _cover_rows(ends, length, ground, bore, zones, t, h)
        if n < 0:
            row_t, row_h = _grow(row_t, rows, 1), _grow(row_h, rows, 1)
            row_t[rows], row_h[rows] = 0.0, -np.inf
            rows += 1
            row_start[i + 1], band_start[i + 1] = rows, bands
            continue
        span[0], span[1] = legs.serves_from[i], legs.serves_to[i]
        extra, house_price[i] = _house_rows(
            ends, length, span, houses, bore.inside, step, et, eh, 0
        )
        if bore.deepest < np.inf:  # a band that can only be passed above
            m = _depth_rows(ends, length, ground, bore.deepest, st2, high)
            band_t, band_h = _grow(band_t, brows, m + 1), _grow(band_h, brows, m + 1)
            band_low, band_high = _grow_ints(band_low, bands, 2), _grow_ints(band_high, bands, 2)
            band_low[bands] = brows
            band_t[brows], band_h[brows] = 0.0, -np.inf
            brows += 1
            band_high[bands] = brows
            band_t[brows : brows + m], band_h[brows : brows + m] = st2[:m], high[:m]
            brows += m
            bands += 1
            band_low[bands] = brows
        near = _runs_near(ends, length, runs, seen, i, found)
        j = 0
        while j < near:
            service = runs.service[found[j]]
            m = 0
            while j < near and runs.service[found[j]] == service:
                r = found[j]
                j += 1
                if legs.tie_in[i] >= 0 and runs.own[r] == legs.tie_in[i]:
                    continue
                m = _service_points(ends, length, runs, r, bore, st, low, high, m)
                if runs.is_water[r]:
                    extra = _water_points(ends, length, runs, r, bore, water, et, eh, extra)
            above = m > 0
            for k in range(m):
                if high[k] > hull_at(t, h, n, st[k]):
                    above = False
                    break
            if not above:
                for k in range(m):
                    et[extra], eh[extra] = st[k], low[k]
                    extra += 1
                continue
            st2[:m] = st[:m]
            sort_pairs(st, low, m)
            below_count = lower_hull(st, low, m)
            sort_pairs(st2, high, m)
            above_count = upper_hull(st2, high, m)
            band_t = _grow(band_t, brows, below_count + above_count)
            band_h = _grow(band_h, brows, below_count + above_count)
            band_low, band_high = _grow_ints(band_low, bands, 2), _grow_ints(band_high, bands, 2)
            band_low[bands] = brows
            band_t[brows : brows + below_count] = st[:below_count]
            band_h[brows : brows + below_count] = low[:below_count]
            brows += below_count
            band_high[bands] = brows
            band_t[brows : brows + above_count] = st2[:above_count]
            band_h[brows : brows + above_count] = high[:above_count]
            brows += above_count
            bands += 1
            band_low[bands] = brows
        kept = n
        for k in range(extra):
            if eh[k] < hull_at(t, h, n, et[k]):
                t[kept], h[kept] = et[k], eh[k]
                kept += 1
        if kept > n:
            sort_pairs(t, h, kept)
            n = lower_hull(t, h, kept)
        row_t, row_h = _grow(row_t, rows, n), _grow(row_h, rows, n)
        row_t[rows : rows + n] = t[:n]
        row_h[rows : rows + n] = h[:n]
        rows += n
        row_start[i + 1], band_start[i + 1] = rows, bands
    return (
        row_start, row_t[:rows], row_h[:rows], band_start, band_low[: bands + 1],
        band_high[: bands + 1], band_t[:brows], band_h[:brows], house_price,
    )  # fmt: skip
