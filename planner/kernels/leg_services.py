"""What the services near a leg ask of its inverts."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import inner, spliced
from planner.kernels.hull import add_to_hull, is_below_hull
from planner.kernels.run_pieces import (
    AT,
    BEGIN,
    BESIDE,
    CROSSED,
    EXTRA,
    FIRST,
    HALF_WIDTH,
    IS_BOX,
    IS_HEAD,
    IS_TAIL,
    LAST,
    LONG,
    SLACK,
    SLOPE,
    STEEP,
    UX,
    UY,
    WATER_DOWN,
    X,
    Y,
    Z,
    find_in_profile,
    read_profile,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Part = tuple[float, float]  # first and last fraction of a leg
Seen = tuple[float, float, float, float]  # a leg from a piece: start along, aside, and their rates

SIDEWAYS = math.sin(math.radians(15.0))  # below this angle in plan a service runs beside a leg
TINY = 1e-12  # [m]
BULGE = 0.4 * SLACK  # [m] that points let the edge of a clearance bulge between them
MOST = 120  # but no more of them before a piece, beside it or after it


@spliced
def see_from_piece(ends: Floats, table: Floats, j: int) -> Seen:
    """A leg in the frame of a piece: its start along and aside, and their rates over the leg.

    No rate is 0, so that one may divide by them.
    """
    x, y = ends[0] - table[j, X], ends[1] - table[j, Y]
    dx, dy = ends[2] - ends[0], ends[3] - ends[1]
    ux, uy = table[j, UX], table[j, UY]
    dg, ds = dx * ux + dy * uy, dy * ux - dx * uy
    dg, ds = dg if abs(dg) > TINY else TINY, ds if abs(ds) > TINY else TINY
    return x * ux + y * uy, y * ux - x * uy, dg, ds


@spliced
def _disc_part(x: float, y: float, dx: float, dy: float, reach: float) -> Part:
    """Where a leg from x, y by dx, dy is within reach of the origin; empty as (inf, -inf)."""
    a, b = dx * dx + dy * dy, x * dx + y * dy
    root = b * b - a * (x * x + y * y - reach * reach)
    if root < 0.0:
        return np.inf, -np.inf
    root = math.sqrt(root)
    return (-b - root) / a, (-b + root) / a


@inner
def part_in_reach(seen: Seen, table: Floats, ints: Ints, j: int, reach: float) -> Part:
    """Part of a leg that is within reach of a piece in plan; its end comes first where it is none.

    What is within reach of a run is a rectangle with a disc at each end: a convex shape, so the
    parts of the leg in the three join into one. A piece has a disc where its run ends.
    """
    g, s, dg, ds = seen
    long = table[j, LONG]
    per_g, per_s = 1.0 / dg, 1.0 / ds
    a0, a1, b0, b1 = -g * per_g, (long - g) * per_g, (-reach - s) * per_s, (reach - s) * per_s
    first, last = max(min(a0, a1), min(b0, b1)), min(max(a0, a1), max(b0, b1))
    if first > last:
        first, last = np.inf, -np.inf
    if ints[j, IS_HEAD] == 1 and min(g, g + dg) < 0.0:
        a0, a1 = _disc_part(g, s, dg, ds, reach)
        first, last = min(first, a0), max(last, a1)
    if ints[j, IS_TAIL] == 1 and max(g, g + dg) > long:
        a0, a1 = _disc_part(g - long, s, dg, ds, reach)
        first, last = min(first, a0), max(last, a1)
    return max(0.0, first), min(1.0, last)


@spliced
def clear_of(seen: Seen, length: float, table: Floats, j: int) -> float:
    """Distance that a bore's axis keeps from a service's outside where a leg meets a piece. [m]"""
    beside = table[j, LONG] <= 1e-9 or abs(seen[3]) < SIDEWAYS * length
    return float(table[j, BESIDE] if beside else table[j, CROSSED])


@spliced
def _beyond(g0: float, g1: float, long: float) -> float:
    """How far a part of a leg between two places along a piece goes beyond its ends. [m]"""
    return max(0.0, -min(g0, g1)) + max(0.0, max(g0, g1) - long)


@spliced
def is_under_water(
    seen: Seen, table: Floats, j: int, part: Part, t: Floats, h: Floats, n: int
) -> bool:
    """Whether a hull surely lies low enough below a piece of a water main along a part of a leg."""
    g, _, dg, _ = seen
    g0, g1, slope = g + part[0] * dg, g + part[1] * dg, table[j, SLOPE]
    base = table[j, Z] - table[j, WATER_DOWN] - abs(slope) * _beyond(g0, g1, table[j, LONG])
    if is_below_hull(t, h, n, part[0], base + slope * g0):
        return False
    return not is_below_hull(t, h, n, part[1], base + slope * g1)


@spliced
def lower_to_water(
    seen: Seen, table: Floats, ints: Ints, j: int, at: Floats, z: Floats, part: Part,
    t: Floats, h: Floats, n: int,
) -> int:  # fmt: skip
    """Lower the hull of a leg's inverts to below a piece of a water main.

    Parameters
    ----------
    seen
        The leg as the piece sees it.
    table, ints, j
        The piece.
    at, z
        Profiles of the runs.
    part
        Part of the leg where the rule for water mains holds.
    t, h : (enough,)
        The hull's points.
    n
        Number of points.

    Returns
    -------
    Number of points of the new hull.
    """
    g, _, dg, _ = seen
    head, tail, long, begin = ints[j, FIRST], ints[j, LAST], table[j, LONG], table[j, AT]
    down = table[j, WATER_DOWN]
    k = ints[j, BEGIN]
    for which in range(4):  # the ends, and where the nearest point of the piece stops moving
        f = part[0] if which == 0 else part[1]
        if which > 1:
            f = ((0.0 if which == 2 else long) - g) / dg
            if not part[0] < f < part[1]:
                continue
        on = begin + min(max(g + f * dg, 0.0), long)
        k = find_in_profile(at, head, tail, on, k)
        level, _ = read_profile(at, z, head, tail, on, k)
        n = add_to_hull(t, h, n, f, level - down)
    g0, g1 = g + part[0] * dg, g + part[1] * dg
    low, high = begin + max(min(g0, g1), 0.0), begin + min(max(g0, g1), long)
    k = find_in_profile(at, head, tail, low, k)
    while k < tail and at[k] < high:
        f = (at[k] - begin - g) / dg
        if part[0] < f < part[1]:
            n = add_to_hull(t, h, n, f, z[k] - down)
        k += 1
    return n


@spliced
def _height(clear: float, half_width: float, box: int, apart: float) -> float:
    """Height over a level service's axis that keeps clear of it; -1 where it is far away.

    How far apart the two are in plan is given by its square.
    """
    if box == 1:
        gap = max(0.0, math.sqrt(apart) - half_width)
        square = clear * clear - gap * gap
    else:
        square = (clear + half_width) ** 2 - apart
    return math.sqrt(square) if square > 0.0 else -1.0


@spliced
def bounds_of_service(
    seen: Seen, table: Floats, ints: Ints, j: int, clear: float, to_axis: float, part: Part
) -> tuple[float, float, float, float, float]:
    """Bounds on the inverts that a piece forbids along a part of a leg.

    Returns the place where the leg comes nearest to the piece's line, the height of its edges over
    and under its axis there (-1 where it ends before), an invert below the upper edge there, and
    inverts at both ends of the part: none below the line that joins them is forbidden.
    """
    first, last = part
    g, s, dg, ds = seen
    f = first if abs(s + first * ds) <= abs(s + last * ds) else last
    if (s + first * ds) * (s + last * ds) < 0.0:
        f = min(max(-s / ds, first), last)
    aside, long, slope = s + f * ds, table[j, LONG], table[j, SLOPE]
    on = min(max(g + f * dg, 0.0), long)
    past = g + f * dg - on
    extra, half, box = table[j, EXTRA], table[j, HALF_WIDTH], ints[j, IS_BOX]
    square = aside * aside
    v = _height(clear, half, box, square + past * past)
    high = table[j, Z] + slope * on + v + extra - to_axis if v > 0.0 else -np.inf
    most = v if past == 0.0 else max(_height(clear, half, box, square), 0.0)
    most = most * table[j, STEEP] + extra + to_axis
    g0, g1 = g + first * dg, g + last * dg
    base = table[j, Z] - most - abs(slope) * _beyond(g0, g1, long)
    return f, v, high, base + slope * g0, base + slope * g1


@spliced
def lower_to_place(
    seen: Seen, table: Floats, ints: Ints, j: int, at: Floats, z: Floats, f: float, v: float,
    to_axis: float, t: Floats, h: Floats, n: int,
) -> int:  # fmt: skip
    """Lower a hull to below a piece at one place, by the height of its edges over a level axis."""
    on = table[j, AT] + min(max(seen[0] + f * seen[2], 0.0), table[j, LONG])
    k = find_in_profile(at, ints[j, FIRST], ints[j, LAST], on, ints[j, BEGIN])
    axis, slope = read_profile(at, z, ints[j, FIRST], ints[j, LAST], on, k)
    v = v * math.sqrt(1.0 + slope * slope) + table[j, EXTRA]
    return add_to_hull(t, h, n, f, axis - v - to_axis)


@spliced
def _third_of_part(part: Part, which: int, g: float, dg: float, long: float) -> Part:
    """What of a part of a leg lies before (0), beside (1) and after a piece (2)."""
    a, b = -g / dg, (long - g) / dg
    a, b = max(part[0], min(a, b)), min(part[1], max(a, b))
    if a > b:  # all of it lies beyond one end
        return part if which == 0 else (1.0, 0.0)
    if which == 0:
        return part[0], a
    return (a, b) if which == 1 else (b, part[1])


@spliced
def _part_touched(seen: Seen, reach: float, steep: float, fall: float, part: Part) -> Part:
    """Part of a leg beside a round service where the leg can touch an edge of what is kept clear.

    In the leg's upright plane an edge is an arc about the axis. Where the arc is steeper than the
    leg and the axis can be together, the leg comes nearer to it closer to the middle. Empty where
    only an end of the part comes near the middle.
    """
    _, s, dg, ds = seen
    most = fall + steep * abs(dg)
    aside = reach * most / math.sqrt(ds * ds + most * most)
    a, b = (-aside - s) / ds, (aside - s) / ds
    return max(part[0], min(a, b)), min(part[1], max(a, b))


@inner
def _count_of(swing: float, radius: float, box: int, least: float) -> int:
    """Into how many pieces a part of a leg is cut so that edges bulge little between its points.

    In the leg's own upright plane an edge is an arc. Points at even angles of a half circle over a
    part of length d leave chords that miss an arc which is upright at an end of it by at most
    (pi / count)^2 d / 16. Where the edges keep a least height v over the axis all along, they are
    less steep, and chords of length c miss them by at most (c / v)^2 radius / 8. A box has flat
    edges between two arcs.
    """
    count = math.pi / 4.0 * math.sqrt(swing / BULGE)
    flat = math.pi / 2.0 * swing * math.sqrt(radius / (8.0 * BULGE))
    if box == 1:
        count = max(count, flat / radius)
    elif least > 0.0:
        count = min(count, flat / least)
    return min(MOST, 2 * (int(count / 2.0) + 1))  # even: the middle is a point


@inner
def points_of_service(
    seen: Seen, table: Floats, ints: Ints, j: int, at: Floats, z: Floats, clear: float,
    to_axis: float, part: Part, fall: float, t: Floats, low: Floats, high: Floats, n: int,
) -> int:  # fmt: skip
    """Add inverts between which a piece is hit, place by place along a part of a leg.

    The places lie so close that what the edges do between them is less than ``SLACK``, and
    wherever the profile bends. Places that no leg can touch before others are left out.

    Parameters
    ----------
    seen
        The leg as the piece sees it.
    table, ints, j
        The piece.
    at, z
        Profiles of the runs.
    clear, to_axis
        Distance that the bore's axis keeps from the service's outside, and its height over the
        invert. [m]
    part
        Part of the leg within reach.
    fall
        What the leg can fall at most. [m]
    t, low, high : (enough,)
        Receive places and inverts. [m]
    n
        Points that they hold already.

    Returns
    -------
    Number of points with the new ones.
    """
    g, s, dg, ds = seen
    head, tail, long, begin = ints[j, FIRST], ints[j, LAST], table[j, LONG], table[j, AT]
    half, extra, box = table[j, HALF_WIDTH], table[j, EXTRA], ints[j, IS_BOX]
    reach, rate = clear + half, math.sqrt(dg * dg + ds * ds)
    steep = math.sqrt(max(table[j, STEEP] ** 2 - 1.0, 0.0))
    for which in range(3):  # before the piece, beside it and after it, as the leg passes it
        first, last = _third_of_part(part, which, g, dg, long)
        if last <= first:
            continue
        swing = (last - first) * (abs(ds) if which == 1 else rate)
        least = -1.0
        if which == 1 and box == 0:
            a, b = _part_touched(seen, reach, steep, fall, (first, last))
            if a < b:
                first, last = a, b
                swing = (last - first) * abs(ds)
            least = _height(clear, half, box, max(abs(s + first * ds), abs(s + last * ds)) ** 2)
        count = _count_of(swing, clear if box == 1 else reach, box, least)
        g0, g1 = g + first * dg, g + last * dg
        bend = find_in_profile(at, head, tail, begin + max(min(g0, g1), 0.0), ints[j, BEGIN])
        high_bend = begin + min(max(g0, g1), long)
        k, i = -1, 0
        level, slope, stretch = 0.0, 0.0, 1.0
        turn, now, before = math.cos(math.pi / count), 1.0, math.cos(math.pi / count)
        while True:
            if i <= count:  # closest at both ends, where the edges may be steep
                f = min(max(first + (last - first) * (1.0 - now) / 2.0, first), last)
                now, before = 2.0 * turn * now - before, now
                i += 1
            elif which == 1 and bend < tail and at[bend] < high_bend:
                f = min(max((at[bend] - begin - g) / dg, first), last)
                bend += 1
            else:
                break
            on = min(max(g + f * dg, 0.0), long)
            past, aside = g + f * dg - on, s + f * ds
            v = max(_height(clear, half, box, aside * aside + past * past), 0.0)
            part_of = find_in_profile(at, head, tail, begin + on, max(k, bend))
            if part_of != k:
                k = part_of
                level, slope = read_profile(at, z, head, tail, begin, k)
                stretch = math.sqrt(1.0 + slope * slope)
            axis, v = level + slope * on - to_axis, v * stretch + extra
            t[n], low[n], high[n] = f, axis - v, axis + v
            n += 1
    return n
