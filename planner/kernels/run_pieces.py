"""Short pieces of the runs of services near some legs, sorted so that a leg finds its own."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import inner, kernel, spliced, whole
from planner.kernels.leg_records import Bore, LegEnds, Runs, Water

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

PIECE = 8.0  # [m] longest piece
BIN = 2.0  # [m] pieces are sorted by where they begin, this finely
GRID_STEP = 4.0  # [m] a leg asks the grid over the runs at least this closely
SLACK = 0.002  # [m] what points may miss of a clearance


# Columns of the tables of pieces. Compiled code counts references to every array it is handed, so
# one wide table is quicker to hand over than many columns.
X, Y, UX, UY, LONG, REACH = range(6)  # beginning, direction, length, and where nothing is asked [m]
AT = 6  # where along its run a piece begins [m]
Z, SLOPE = 7, 8  # a line below the axis: elevation at the piece's beginning [m], slope
STEEP = 9  # length in space of a metre in plan, at its steepest [m]
CROSSED, BESIDE = 10, 11  # distance of a bore's axis from the outside in either case [m]
HALF_WIDTH, EXTRA = 12, 13  # half width of a box or radius of a pipe, half height of a box [m]
WATER_REACH = 14  # distance at which the rule for water mains holds [m], negative for others
WATER_DOWN = 15  # and the least height of their axis over the invert there [m]
COLUMNS = 16
FIRST, LAST = 0, 1  # first and last point of its run's profile
SERVICE, OWN = 2, 3  # service, tie-in whose own pipe it is or -1
IS_BOX, IS_HEAD, IS_TAIL = 4, 5, 6  # whether it is a box, whether its run begins or ends with it
BEGIN = 7  # where in the profile a piece begins: between the point before this one and it
INT_COLUMNS = 8


class Pieces(NamedTuple):
    """Pieces of runs, sorted by where they begin along x or y."""

    along: int  # by which coordinate they are sorted
    low: float  # where the first bin begins [m]
    widest: float  # greatest extent of a piece and its reach [m]
    first: Ints  # (bins + 1,) first piece that begins in each bin
    plan: Floats  # (6, pieces) columns X to REACH, each in a row
    table: Floats  # (pieces, COLUMNS)
    ints: Ints  # (pieces, INT_COLUMNS)


@inner
def find_in_profile(profile_at: Floats, first: int, last: int, at: float, k: int) -> int:
    """Which part of a run's profile holds a distance along it, from a guess that is near."""
    k = min(max(k, first + 1), last)
    while k < last and at >= profile_at[k]:
        k += 1
    while k > first + 1 and at < profile_at[k - 1]:
        k -= 1
    return k


@inner
def read_profile(
    profile_at: Floats, profile_z: Floats, first: int, last: int, at: float, k: int
) -> tuple[float, float]:
    """Elevation of a run's axis and its slope at a distance along it, in a part of its profile."""
    if first == last:
        return float(profile_z[first]), 0.0
    step = profile_at[k] - profile_at[k - 1]
    slope = (profile_z[k] - profile_z[k - 1]) / step
    return float(profile_z[k - 1] + slope * (at - profile_at[k - 1])), float(slope)


@spliced
def _find_runs(ends: Floats, runs: Runs, passed: Bools, near: Bools) -> None:
    """Mark the cells of the grid over the runs that some leg passes, and the runs in them."""
    columns, rows = int(runs.frame[3]), int(runs.frame[4])
    x, y, per = runs.frame[0], runs.frame[1], 1.0 / runs.frame[2]
    for i in range(len(ends)):
        dx, dy = (ends[i, 2] - ends[i, 0]) * per, (ends[i, 3] - ends[i, 1]) * per
        count = int(math.sqrt(dx * dx + dy * dy) / (per * GRID_STEP)) + 1
        column, row = (ends[i, 0] - x) * per, (ends[i, 1] - y) * per
        dx, dy = dx / count, dy / count
        for j in range(count + 1):
            c, r = column + j * dx, row + j * dy
            if not (0.0 <= c < columns and 0.0 <= r < rows):
                continue
            k = int(r) * columns + int(c)
            if not passed[k]:
                passed[k] = True
                for item in range(runs.start[k], runs.start[k + 1]):
                    near[runs.items[item]] = True


@inner
def _length_of(ends: Floats, r: int) -> float:
    return math.hypot(ends[r, 2] - ends[r, 0], ends[r, 3] - ends[r, 1])


@spliced
def _count_pieces(ends: Floats, near: Bools) -> int:
    """Into how many pieces the runs that are marked are cut."""
    n = 0
    for r in range(len(near)):
        if near[r]:
            n += max(1, math.ceil(_length_of(ends, r) / PIECE))
    return n


@spliced
def _fill_line(runs: Runs, table: Floats, ints: Ints, n: int, k: int) -> int:
    """Fill in where a piece begins in its profile, a line below its axis, and how steep it is.

    Returns where the piece ends in the profile.
    """
    profile_at, profile_z = runs.profile_at, runs.profile_z
    first, end = ints[n, FIRST], ints[n, LAST]
    a, b = table[n, AT], table[n, AT] + table[n, LONG]
    k = find_in_profile(profile_at, first, end, a, k)
    z0, slope = read_profile(profile_at, profile_z, first, end, a, k)
    last = find_in_profile(profile_at, first, end, b, k)
    z1, _ = read_profile(profile_at, profile_z, first, end, b, last)
    rate = (z1 - z0) / (b - a) if b > a else 0.0
    lowest, steepest = 0.0, abs(slope)
    for i in range(k, last):
        lowest = min(lowest, profile_z[i] - z0 - rate * (profile_at[i] - a))
        _, slope = read_profile(profile_at, profile_z, first, end, profile_at[i], i + 1)
        steepest = max(steepest, abs(slope))
    ints[n, BEGIN], table[n, Z], table[n, SLOPE] = k, z0 + lowest, rate
    table[n, STEEP] = math.sqrt(1.0 + steepest * steepest)
    return last


@spliced
def _fill_measures(
    runs: Runs, r: int, bore: Bore, water: Water, table: Floats, ints: Ints, n: int
) -> None:
    """Fill in what holds for all pieces of a run."""
    half, box = runs.half_width[r], runs.is_box[r]
    crossed = runs.required[r, 0] + SLACK + bore.bore / 2.0
    beside = runs.required[r, 1] + SLACK + bore.bore / 2.0
    under = -1.0
    if runs.is_water[r]:
        under = water.horizontal + bore.outside / 2.0 + half + SLACK
    down = water.vertical + SLACK + (bore.outside + bore.inside) / 2.0
    table[n, CROSSED], table[n, BESIDE], table[n, HALF_WIDTH] = crossed, beside, half
    table[n, EXTRA] = runs.half_height[r] if box else 0.0
    table[n, WATER_REACH], table[n, WATER_DOWN] = under, runs.half_height[r] + down
    table[n, REACH] = max(max(crossed, beside) + half, under)
    ints[n, FIRST], ints[n, LAST] = runs.profile_start[r], runs.profile_start[r + 1] - 1
    ints[n, SERVICE], ints[n, OWN], ints[n, IS_BOX] = runs.service[r], runs.own[r], int(box)


@spliced
def _cut(runs: Runs, near: Bools, bore: Bore, water: Water, table: Floats, ints: Ints) -> None:
    """Cut the runs that are marked into pieces."""
    n, ends = whole(0), runs.ends
    for r in range(len(near)):
        if not near[r]:
            continue
        long, k = _length_of(ends, r), whole(0)
        ux, uy = 1.0, 0.0
        if long > 0.0:
            ux, uy = (ends[r, 2] - ends[r, 0]) / long, (ends[r, 3] - ends[r, 1]) / long
        count = max(1, math.ceil(long / PIECE))
        for i in range(count):
            a = long * i / count
            table[n, X], table[n, Y] = ends[r, 0] + a * ux, ends[r, 1] + a * uy
            table[n, UX], table[n, UY], table[n, LONG], table[n, AT] = ux, uy, long / count, a
            _fill_measures(runs, r, bore, water, table, ints, n)
            k = _fill_line(runs, table, ints, n, k)
            ints[n, IS_HEAD], ints[n, IS_TAIL] = int(i == 0), int(i == count - 1)
            n += 1


@inner
def _extent(table: Floats, i: int, along: int) -> tuple[float, float]:
    """From where to where a piece and its reach extend along x (0) or y (1). [m]"""
    p, q = table[i, along], table[i, along] + table[i, 2 + along] * table[i, LONG]
    return min(p, q) - table[i, REACH], max(p, q) + table[i, REACH]


@spliced
def _longer_side(ends: Floats) -> int:
    """The coordinate, 0 or 1, in which some legs extend further."""
    size_x, size_y, x, y = 0.0, 0.0, ends[0, 0], ends[0, 1]
    for i in range(len(ends)):
        size_x = max(size_x, max(abs(ends[i, 0] - x), abs(ends[i, 2] - x)))
        size_y = max(size_y, max(abs(ends[i, 1] - y), abs(ends[i, 3] - y)))
    return 1 if size_y > size_x else 0


@spliced
def _begin(table: Floats, along: int) -> tuple[float, float, int]:
    """Where the first piece begins, the widest extent, and the number of the last bin."""
    low, high, widest = np.inf, -np.inf, 0.0
    for i in range(len(table)):
        a, b = _extent(table, i, along)
        low, high, widest = min(low, a), max(high, a), max(widest, b - a)
    return low, widest, int((high - low) / BIN) if high >= low else 0


@spliced
def _sort(
    table: Floats, ints: Ints, along: int, low: float, first: Ints, fill: Ints,
    plan: Floats, sorted_table: Floats, sorted_ints: Ints,
) -> None:  # fmt: skip
    """Sort pieces into bins."""
    bins = len(fill)
    for i in range(len(table)):
        first[int((_extent(table, i, along)[0] - low) / BIN) + 1] += 1
    for i in range(bins):
        fill[i] = first[i]
        first[i + 1] += first[i]
    for i in range(len(table)):
        b = int((_extent(table, i, along)[0] - low) / BIN)
        k = fill[b]
        fill[b] += 1
        for c in range(COLUMNS):
            sorted_table[k, c] = table[i, c]
        for c in range(INT_COLUMNS):
            sorted_ints[k, c] = ints[i, c]
        for c in range(len(plan)):
            plan[c, k] = table[i, c]


@kernel
def find_pieces(legs: LegEnds, runs: Runs, bore: Bore, water: Water) -> Pieces:
    """Cut the runs that some leg may come near into pieces.

    Parameters
    ----------
    legs, runs, bore, water
        As for `planner.kernels.rows.bind_legs`.
    """
    near = np.zeros(len(runs.service), np.bool_)
    _find_runs(legs.ends, runs, np.zeros(len(runs.start), np.bool_), near)
    n = _count_pieces(runs.ends, near)
    table, ints = np.empty((n, COLUMNS)), np.empty((n, INT_COLUMNS), np.int64)
    _cut(runs, near, bore, water, table, ints)
    along = _longer_side(legs.ends) if len(legs.ends) > 0 else 0
    low, widest, last = _begin(table, along)
    first, plan = np.zeros(last + 2, np.int64), np.empty((REACH + 1, n))
    sorted_table, sorted_ints = np.empty((n, COLUMNS)), np.empty((n, INT_COLUMNS), np.int64)
    fill = np.empty(last + 1, np.int64)
    _sort(table, ints, along, low, first, fill, plan, sorted_table, sorted_ints)
    return Pieces(along, low, widest, first, plan, sorted_table, sorted_ints)


@spliced
def pieces_near(ends: Floats, length: float, pieces: Pieces, found: Ints, is_near: Bools) -> int:
    """Pieces that a leg may come within reach of.

    Parameters
    ----------
    ends : (4,)
        The leg. [m]
    length
        Its length. [m]
    pieces
        The pieces near some legs, this one among them.
    found, is_near : (pieces,)
        The first receives the pieces; the other is room for work.

    Returns
    -------
    How many there are.
    """
    low = min(ends[pieces.along], ends[pieces.along + 2]) - pieces.widest - pieces.low
    high = max(ends[pieces.along], ends[pieces.along + 2]) - pieces.low
    bins = len(pieces.first) - 1
    if high < 0.0 or length <= 0.0:
        return 0
    a = pieces.first[min(max(int(low / BIN), 0), bins)]
    b = pieces.first[min(int(high / BIN) + 1, bins)]
    if b <= a:
        return 0
    ux, uy = (ends[2] - ends[0]) / length, (ends[3] - ends[1]) / length
    plan, near = pieces.plan, is_near[: b - a]
    x, y, vx, vy = plan[X, a:b], plan[Y, a:b], plan[UX, a:b], plan[UY, a:b]
    long, reach = plan[LONG, a:b], plan[REACH, a:b]
    for j in range(len(x)):
        px, py, r = x[j] - ends[0], y[j] - ends[1], reach[j]
        along, aside = px * ux + py * uy, py * ux - px * uy
        turn, same = vy[j] * ux - vx[j] * uy, vx[j] * ux + vy[j] * uy
        along_end, aside_end = along + long[j] * same, aside + long[j] * turn
        g, s = -(px * vx[j] + py * vy[j]), px * vy[j] - py * vx[j]
        g_end, s_end = g + length * same, s - length * turn
        near[j] = (
            (min(aside, aside_end) <= r) & (max(aside, aside_end) >= -r)
            & (min(along, along_end) <= length + r) & (max(along, along_end) >= -r)
            & (min(s, s_end) <= r) & (max(s, s_end) >= -r)
            & (min(g, g_end) <= long[j] + r) & (max(g, g_end) >= -r)
        )  # fmt: skip
    n = 0
    for j in range(b - a):
        found[n] = a + j
        n += is_near[j]
    return n
