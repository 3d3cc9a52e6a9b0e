"""Water separation, station by station: how a sewer pipe and a water main lie in plan and level."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

STATION_STEP = 0.5  # [m] between stations that are looked at besides the exact turning points
INWARD = 1e-6  # [m] a station where the gap equals the limit is taken this much inside it


@njit(cache=True)
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
        if apart < gap - 1e-9 or (apart < gap + 1e-9 and abs(up) < abs(rise)):
            gap, rise, which = apart, up, j
    return gap, rise, which


@njit(cache=True)
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


@njit(cache=True)
def _stations(pipe: Floats, main: Floats, limit: float) -> Floats:
    """Shares of a pipe that are looked at: all turning points, and steps in between."""
    length = math.hypot(pipe[3] - pipe[0], pipe[4] - pipe[1])
    steps = int(math.ceil(length / STATION_STEP)) + 1
    shares = np.empty(steps + 11 * len(main))
    for k in range(steps):
        shares[k] = min(1.0, k * STATION_STEP / length) if length > 0.0 else 0.0
    for j in range(len(main)):
        reach = limit + pipe[6] + main[j, 6] - INWARD
        shares[steps + 11 * j : steps + 11 * (j + 1)] = _turning_points(pipe, main[j], reach)
    return np.sort(shares[(shares >= 0.0) & (shares <= 1.0)])


@njit(cache=True)
def separation(pipe: Floats, main: Floats, limit: float, needed: float) -> Floats:
    """How one sewer pipe is separated from one water main, over all stations of the pipe.

    At each station of the pipe the nearest point of the main in plan counts. Between turning
    points both levels are straight, so the extremes are found exactly where a main is straight.

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
    (7,): least vertical gap, negative where the levels overlap, inf if never within the limit;
    share of the pipe where it is; least horizontal gap of the stations whose vertical gap is too
    small, inf if none; share where it is; least horizontal gap of the stations where the main lies
    far enough below, inf if none; share where it is; vertical gap there. [m]
    """
    out = np.array([math.inf, 0.0, math.inf, 0.0, math.inf, 0.0, 0.0])
    for share in _stations(pipe, main, limit):
        x = pipe[0] + share * (pipe[3] - pipe[0])
        y = pipe[1] + share * (pipe[4] - pipe[1])
        z = pipe[2] + share * (pipe[5] - pipe[2])
        gap, rise, which = _nearest((x, y, z), main, (0, len(main)))
        gap -= pipe[6]
        if gap >= limit - INWARD / 2:
            continue
        vertical = abs(rise) - main[which, 7] - pipe[6]
        if vertical < out[0] - 1e-9:
            out[0], out[1] = vertical, share
        if vertical < needed - 1e-9:
            if gap < out[2] - 1e-9:
                out[2], out[3] = gap, share
        elif rise < 0.0 and gap < out[4] - 1e-9:
            out[4], out[5], out[6] = gap, share, vertical
    return out


@njit(cache=True)
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
    out = np.empty((len(of_pipe), 7))
    for i in range(len(of_pipe)):
        main = pieces[begin[i] : begin[i + 1]]
        out[i] = separation(pipes[of_pipe[i]], main, limits[0], limits[1])
    return out
