"""Water separation, station by station: how a sewer pipe and a water main lie in plan and level."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import helper, kernel, whole

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

Scene = tuple[Floats, Floats, tuple[float, float]]
"""A pipe, the pieces of a main, and the limits in plan and in level."""

STATION_STEP = 0.5  # [m] between stations that are looked at besides the exact turning points
SAME_STATION = 1e-5  # [m] stations nearer to each other than this are one
LEAP = 1e-10  # share of a pipe to which a leap is found
NUDGE = 1e-7  # share between two stations, to both sides of a turn
SMALLER = 1e-9  # [m] a gap is smaller only by more than this
INWARD = 1e-6  # [m] a station where the gap equals the limit is taken this much inside it


@helper
def _nearest(
    point: tuple[float, float, float], main: Floats, window: tuple[int, int]
) -> tuple[float, float, int]:
    """Horizontal gap of outsides, height of the main's axis above the point, and which piece."""
    gap, rise, which = math.inf, 0.0, -1
    for j in range(window[0], window[1]):
        m = main[j]
        dx, dy = m[3] - m[0], m[4] - m[1]
        square = dx * dx + dy * dy
        x, y = point[0] - m[0], point[1] - m[1]
        s = min(1.0, max(0.0, (x * dx + y * dy) / square)) if square > 0.0 else 0.0
        apart = math.hypot(x - s * dx, y - s * dy) - m[6]
        up = m[2] + s * (m[5] - m[2]) - point[2]
        if apart < gap - SMALLER or (apart < gap + SMALLER and abs(up) < abs(rise)):
            gap, rise, which = apart, up, j
    return gap, rise, which


@helper
def _turning_points(pipe: Floats, m: Floats, reach: float) -> Floats:
    """Shares of a pipe where a piece begins, ends, is crossed, or comes within reach in plan."""
    ux, uy = pipe[3] - pipe[0], pipe[4] - pipe[1]
    dx, dy = m[3] - m[0], m[4] - m[1]
    out = np.full(11, -1.0)
    uu, ud = ux * ux + uy * uy, ux * dx + uy * dy
    if uu == 0.0:
        return out
    turn = ux * dy - uy * dx
    wx, wy = m[0] - pipe[0], m[1] - pipe[1]
    if ud != 0.0:
        out[0] = (wx * dx + wy * dy) / ud
        out[1] = ((wx + dx) * dx + (wy + dy) * dy) / ud
    if turn != 0.0:
        length = math.hypot(dx, dy)
        out[2] = (wx * dy - wy * dx) / turn
        for k in range(2):
            side = reach if k == 0 else -reach
            out[3 + k] = out[2] + side * length / turn
    for k in range(2):
        vx, vy = wx + k * dx, wy + k * dy
        along, aside = (vx * ux + vy * uy) / uu, (ux * vy - uy * vx) / math.sqrt(uu)
        out[5 + k] = along
        if abs(aside) < reach:
            half = math.sqrt((reach * reach - aside * aside) / uu)
            out[7 + 2 * k], out[8 + 2 * k] = along - half, along + half
    return out


@helper
def _sort(values: Floats, along: Ints) -> None:
    """Sort values in place, and what goes along with them: by strides, compiled in no time."""
    stride = len(values) // 2
    while stride > 0:
        for i in range(stride, len(values)):
            j = i
            while j >= stride and values[j - stride] > values[j]:
                values[j - stride], values[j] = values[j], values[j - stride]
                if len(along) > 0:
                    along[j - stride], along[j] = along[j], along[j - stride]
                j -= stride
        stride = 1 if stride == 2 else int(stride / 2.2)


@helper
def _stations(pipe: Floats, main: Floats, limit: float) -> Floats:
    """Shares of a pipe that are looked at: all turning points, and steps in between."""
    length = math.hypot(pipe[3] - pipe[0], pipe[4] - pipe[1])
    steps = math.ceil(length / STATION_STEP) + 1
    shares = np.empty(steps + 11 * len(main))
    for k in range(steps):
        shares[k] = min(1.0, k * STATION_STEP / length) if length > 0.0 else 0.0
    for j in range(len(main)):
        reach = limit + pipe[6] + main[j, 6] - INWARD
        turns = _turning_points(pipe, main[j], reach)
        for k in range(11):
            shares[steps + 11 * j + k] = turns[k]
    _sort(shares, np.empty(0, np.int64))
    count = 0
    for k in range(len(shares)):
        apart = (shares[k] - shares[count - 1]) * length > SAME_STATION or count == 0
        if 0.0 <= shares[k] <= 1.0 and apart:
            shares[count] = shares[k]
            count += 1
    return shares[:count]


@helper
def _by_station(pipe: Floats, main: Floats, limit: float) -> tuple[Floats, Floats]:
    """Pieces in the order in which they come within reach of the pipe, and from where to where."""
    ux, uy = pipe[3] - pipe[0], pipe[4] - pipe[1]
    square = max(ux * ux + uy * uy, SAME_STATION * SAME_STATION)
    span = np.empty((len(main), 2))
    for j in range(len(main)):
        a = ((main[j, 0] - pipe[0]) * ux + (main[j, 1] - pipe[1]) * uy) / square
        b = ((main[j, 3] - pipe[0]) * ux + (main[j, 4] - pipe[1]) * uy) / square
        more = (limit + pipe[6] + main[j, 6]) / math.sqrt(square)
        span[j, 0], span[j, 1] = min(a, b) - more, max(a, b) + more
    order, first = np.arange(len(main)), span[:, 0].copy()
    _sort(first, order)
    pieces, ranges = np.empty_like(main), np.empty_like(span)
    for j in range(len(main)):
        for k in range(main.shape[1]):
            pieces[j, k] = main[order[j], k]
        ranges[j, 0], ranges[j, 1] = span[order[j], 0], span[order[j], 1]
    return pieces, ranges


@kernel
def _at(scene: Scene, share: float, window: tuple[int, int]) -> tuple[float, float, int]:
    """Gap in plan, height of the main above the pipe, and its piece, at a station."""
    pipe, main, _ = scene
    point = (
        pipe[0] + share * (pipe[3] - pipe[0]),
        pipe[1] + share * (pipe[4] - pipe[1]),
        pipe[2] + share * (pipe[5] - pipe[2]),
    )
    gap, rise, which = _nearest(point, main, window)
    return gap - pipe[6], rise, which


@helper
def _visit(scene: Scene, share: float, window: tuple[int, int], out: Floats) -> tuple[float, int]:
    """Take the gaps at a station into the findings; height of the main there, and its piece."""
    gap, rise, which = _at(scene, share, window)
    pipe, main, (limit, needed) = scene
    if which < 0 or gap >= limit - INWARD / 2:
        return rise, which
    vertical = abs(rise) - main[which, 7] - pipe[6]
    if vertical < out[0] - SMALLER:
        out[0], out[1] = vertical, share
    if vertical < needed - SMALLER:
        if gap < out[2] - SMALLER:
            out[2], out[3] = gap, share
    elif rise < 0.0 and gap < out[4] - SMALLER:
        out[4], out[5] = gap, share
    return rise, which


@helper
def _leap(
    scene: Scene, window: tuple[int, int], between: tuple[float, float, int]
) -> tuple[float, float]:
    """Shares just before and just after a piece ceases to be the nearest."""
    low, high, piece = between
    while high - low > LEAP:
        middle = (low + high) / 2
        if _at(scene, middle, window)[2] == piece:
            low = middle
        else:
            high = middle
    return low, high


@helper
def _visit_turns(
    scene: Scene, window: tuple[int, int], ends: tuple[float, float, float, float], out: Floats
) -> None:
    """Visit where, between two stations, the main comes level or its gap comes to what is needed.

    ``ends`` holds the share and the height of the main at both; the height is straight between.
    """
    low, at_low, high, at_high = ends
    pipe, main, limits = scene
    edge = limits[1] + main[window[0], 7] + pipe[6]
    for target in (0.0, edge, -edge):
        if (at_low - target) * (at_high - target) < 0.0:
            share = low + (high - low) * (target - at_low) / (at_high - at_low)
            for nudge in (-NUDGE, NUDGE):
                _visit(scene, share + nudge * (high - low), window, out)


@kernel
def separation(pipe: Floats, main: Floats, limit: float, needed: float) -> Floats:
    """How one sewer pipe is separated from one water main, over all stations of the pipe.

    At each station of the pipe the nearest point of the main in plan counts. Between turning
    points both levels are straight, so the extremes are found exactly; where the nearest point
    leaps from one piece to another, the leap is closed in on from both sides.

    Parameters
    ----------
    pipe : (7,)
        Ends of the pipe's axis and its outside radius. [m]
    main : (pieces, 8)
        Ends of the main's pieces, half of its outside width and of its height. [m]
    limit
        Horizontal gap below which the levels count. [m]
    needed
        Vertical gap that is needed there. [m]

    Returns
    -------
    (6,): least vertical gap, negative where the levels overlap, inf if never within the limit;
    share of the pipe where it is; least horizontal gap of the stations whose vertical gap is too
    small, inf if none; share where it is; least horizontal gap of the stations where the main lies
    far enough below, inf if none; share where it is. [m]
    """
    out = np.array([math.inf, 0.0, math.inf, 0.0, math.inf, 0.0])
    pieces, span = _by_station(pipe, main, limit)
    scene = (pipe, pieces, (limit, needed))
    longest = 0.0
    for j in range(len(span)):
        longest = max(longest, span[j, 1] - span[j, 0])
    first, last, piece = whole(0), whole(0), whole(-1)  # whole numbers that may change
    before, level = 0.0, 0.0
    for share in _stations(pipe, main, limit):
        while last < len(span) and span[last, 0] <= share:
            last += 1
        window = (first, last)
        rise, which = _visit(scene, share, window, out)
        if which >= 0 and piece >= 0:
            low, high = share, share
            at_low, at_high = rise, rise
            if which != piece:
                low, high = _leap(scene, window, (before, share, piece))
                at_low, at_high = _visit(scene, low, window, out)[0], 0.0
                at_high = _visit(scene, high, window, out)[0]
            _visit_turns(scene, window, (before, level, low, at_low), out)
            _visit_turns(scene, window, (high, at_high, share, rise), out)
        while first < last and span[first, 0] < share - longest:
            first += 1
        before, level, piece = share, rise, which
    return out


@kernel
def separations(
    pipes: Floats, mains: tuple[Floats, Ints], of_pipe: Ints, limits: tuple[float, float]
) -> Floats:
    """`separation` of many pairs.

    Parameters
    ----------
    pipes : (pipes, 7)
        Ends of the axes and outside radii. [m]
    mains
        Pieces (pieces, 8) of the main of each pair one after another, and where each pair's
        begin and the last end (pairs + 1,).
    of_pipe : (pairs,)
        The pipe of each pair.
    limits
        Horizontal gap below which levels count, and the vertical gap needed there. [m]
    """
    pieces, begin = mains
    out = np.empty((len(of_pipe), 6))
    for i in range(len(of_pipe)):
        main = pieces[begin[i] : begin[i + 1]]
        found = separation(pipes[of_pipe[i]], main, limits[0], limits[1])
        for k in range(6):
            out[i, k] = found[k]
    return out
