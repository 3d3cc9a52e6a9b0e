"""What a leg may do, as rows over its two inverts: upper rows and forbidden bands."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from planner.kernels.ground import sample_ground
from planner.kernels.hull import hull_at, lower_hull, sort_pairs, upper_hull
from planner.kernels.plane import cell_of, in_ring, point_segment_distance

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
def _disc_interval(dx: float, dy: float, x: float, y: float, reach: float) -> tuple[float, float]:
    """Where a leg from x, y by dx, dy is within reach of the origin; empty as (1, 0)."""
    a, b = dx * dx + dy * dy, x * dx + y * dy
    root = b * b - a * (x * x + y * y - reach * reach)
    if root < 0.0:
        return 1.0, 0.0
    return (-b - math.sqrt(root)) / a, (-b + math.sqrt(root)) / a


@njit(cache=True)
def _between(start: float, rate: float, low: float, high: float) -> tuple[float, float]:
    """Where ``start + rate f`` lies between two values; empty as (1, 0)."""
    if rate == 0.0:
        return (-np.inf, np.inf) if low <= start <= high else (1.0, 0.0)
    f, g = (low - start) / rate, (high - start) / rate
    return min(f, g), max(f, g)


@njit(cache=True)
def _along(ends: Floats, run: Floats) -> tuple[float, float, float, float, float]:
    """A leg in the frame of a run: its length, start along and aside, and rates over the leg."""
    ux, uy = run[2] - run[0], run[3] - run[1]
    long = math.hypot(ux, uy)
    if long > 0.0:
        ux, uy = ux / long, uy / long
    else:
        ux, uy = 1.0, 0.0
    x, y = ends[0] - run[0], ends[1] - run[1]
    dx, dy = ends[2] - ends[0], ends[3] - ends[1]
    return long, x * ux + y * uy, y * ux - x * uy, dx * ux + dy * uy, dy * ux - dx * uy


@njit(cache=True)
def _interval_in_reach(
    long: float, g: float, s: float, dg: float, ds: float, reach: float
) -> tuple[float, float]:
    """Part of a leg that is within reach of a run in plan; empty as (1, 0).

    What is within reach of a run is a rectangle with a disc at each end: a convex shape, so the
    parts of the leg in the three join into one.
    """
    first, last = np.inf, -np.inf
    for f0, f1 in (
        _disc_interval(dg, ds, g, s, reach),
        _disc_interval(dg, ds, g - long, s, reach),
    ):
        if f0 <= f1:
            first, last = min(first, f0), max(last, f1)
    a0, a1 = _between(g, dg, 0.0, long)
    b0, b1 = _between(s, ds, -reach, reach)
    if max(a0, b0) <= min(a1, b1):
        first, last = min(first, max(a0, b0)), max(last, min(a1, b1))
    first, last = max(0.0, first), min(1.0, last)
    return (first, last) if first <= last else (1.0, 0.0)


@njit(cache=True)
def _runs_beside(long: float, dg: float, ds: float) -> bool:
    """Whether a leg and a run of a service lie nearly parallel in plan, or it is a point."""
    return long <= 1e-9 or abs(ds) < BESIDE * math.hypot(dg, ds)


@njit(cache=True)
def _piece_of_run(runs: Runs, r: int, at: float, k: int) -> int:
    """Which piece of a run's profile holds a distance along it, from a guess that is near."""
    first, last = runs.profile_start[r] + 1, runs.profile_start[r + 1] - 1
    k = min(max(k, first), last)
    while k < last and at >= runs.profile_at[k]:
        k += 1
    while k > first and at < runs.profile_at[k - 1]:
        k -= 1
    return k


@njit(cache=True)
def _axis_of_run(runs: Runs, r: int, at: float, k: int) -> tuple[float, float]:
    """Elevation of a run's axis and its slope at a distance along it, in a piece of its profile."""
    a, b = runs.profile_start[r], runs.profile_start[r + 1]
    if b - a == 1:
        return float(runs.profile_z[a]), 0.0
    step = runs.profile_at[k] - runs.profile_at[k - 1]
    slope = (runs.profile_z[k] - runs.profile_z[k - 1]) / step
    return float(runs.profile_z[k - 1] + slope * (at - runs.profile_at[k - 1])), float(slope)


@njit(cache=True)
def _service_points(
    ends: Floats, length: float, runs: Runs, r: int, bore: Bore,
    t: Floats, low: Floats, high: Floats, n: int,
) -> int:  # fmt: skip
    """Add the levels of the invert between which this run is hit, place by place."""
    long, g, s, dg, ds = _along(ends, runs.ends[r])
    required = runs.required[r, 1 if _runs_beside(long, dg, ds) else 0]
    clear = required + SLACK + bore.bore / 2.0
    reach = clear + runs.half_width[r]
    first, last = _interval_in_reach(long, g, s, dg, ds, reach)
    if last < first:
        return n
    near = (last - first) * length
    count = min(int(near / NEAR_STEP) + 1, max(NEAR_COUNT, int(near / FAR_STEP) + 1))
    to_axis = bore.bore / 2.0 - (bore.outside - bore.inside) / 2.0
    k = _piece_of_run(runs, r, g + first * dg, 0)
    for i in range(count + 1):
        f = min(1.0, first + (last - first) * i / count)
        at, aside = g + f * dg, abs(s + f * ds)
        on = min(max(at, 0.0), long)
        d = aside if on == at else math.hypot(aside, at - on)
        k = _piece_of_run(runs, r, on, k)
        z, slope = _axis_of_run(runs, r, on, k)
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
    long, g, s, dg, ds = _along(ends, runs.ends[r])
    reach = water.horizontal + bore.outside / 2.0 + runs.half_width[r] + SLACK
    first, last = _interval_in_reach(long, g, s, dg, ds, reach)
    if last < first:
        return n
    top = bore.outside - (bore.outside - bore.inside) / 2.0
    count = int((last - first) * length / FAR_STEP) + 1
    k = _piece_of_run(runs, r, g + first * dg, 0)
    for i in range(count + 1):
        f = min(1.0, first + (last - first) * i / count)
        on = min(max(g + f * dg, 0.0), long)
        k = _piece_of_run(runs, r, on, k)
        z, _ = _axis_of_run(runs, r, on, k)
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
                    more = _water_points(ends, length, runs, r, bore, water, et, eh, extra)
                    extra += lower_hull(et[extra:more], eh[extra:more], more - extra)
            above = m > 0
            for k in range(m):
                if high[k] > hull_at(t, h, n, st[k]):
                    above = False
                    break
            if not above:
                sort_pairs(st, low, m)
                m = lower_hull(st, low, m)
                et[extra : extra + m], eh[extra : extra + m] = st[:m], low[:m]
                extra += m
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
