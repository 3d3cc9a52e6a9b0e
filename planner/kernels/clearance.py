"""Exact clearances in 3D between straight round bores and the straight pieces of services.

A bore is a row ``x0, y0, z0, x1, y1, z1, radius``: all points within its radius of its axis, the
end points belong to it. A piece of a service is a row ``x0, y0, z0, x1, y1, z1, half_width,
half_height, radius, open_start, open_end``: a round pipe where the radius is above 0, else a box,
an upright rectangle swept along the axis. Where two bodies overlap, the clearance is negative by
the depth of overlap: the largest, over the points of the bore's axis, of the shift that would take
a ball of the bore's radius at that point out of the service across its own axis.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import helper, kernel
from planner.kernels.plane import point_segment_distance

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Ends = Floats | tuple[float, float, float, float, float, float]

TIE = 1e-12  # [m2] squared distances this near count as equal: the lower share then stands
PARALLEL = 1e-14  # sine squared of the angle below which two axes count as parallel


@helper
def _clamp(value: float) -> float:
    return min(1.0, max(0.0, value))


@kernel
def axis_gap(a: Ends, b: Ends) -> tuple[float, float, float]:
    """Least distance of two straight axes in 3D, and the share of each where it is found.

    Skew, crossing, parallel, and without length; where several points are nearest, the lowest
    share of the first axis stands.

    Parameters
    ----------
    a, b
        Ends ``x0, y0, z0, x1, y1, z1``. [m]

    Returns
    -------
    Distance [m], share of the first axis (0 to 1), share of the second.

    Examples
    --------
    >>> axis_gap((0.0, 0.0, 0.0, 4.0, 0.0, 0.0), (1.0, -1.0, 2.0, 1.0, 1.0, 2.0))
    (2.0, 0.25, 0.5)
    """
    ux, uy, uz = a[3] - a[0], a[4] - a[1], a[5] - a[2]
    vx, vy, vz = b[3] - b[0], b[4] - b[1], b[5] - b[2]
    wx, wy, wz = a[0] - b[0], a[1] - b[1], a[2] - b[2]
    uu, uv, vv = (
        ux * ux + uy * uy + uz * uz,
        ux * vx + uy * vy + uz * vz,
        vx * vx + vy * vy + vz * vz,
    )
    uw, vw = ux * wx + uy * wy + uz * wz, vx * wx + vy * wy + vz * wz
    apart = uu * vv - uv * uv
    if apart > PARALLEL * uu * vv:
        t, s = (uv * vw - vv * uw) / apart, (uu * vw - uv * uw) / apart
        if 0.0 <= t <= 1.0 and 0.0 <= s <= 1.0:
            x, y, z = wx + t * ux - s * vx, wy + t * uy - s * vy, wz + t * uz - s * vz
            return math.sqrt(x * x + y * y + z * z), t, s
    best, best_t, best_s = math.inf, 0.0, 0.0
    for k in range(4):
        if k < 2:
            t = float(k)
            s = _clamp((vw + t * uv) / vv) if vv > 0.0 else 0.0
        else:
            s = float(k - 2)
            t = _clamp((s * uv - uw) / uu) if uu > 0.0 else 0.0
        x, y, z = wx + t * ux - s * vx, wy + t * uy - s * vy, wz + t * uz - s * vz
        square = x * x + y * y + z * z
        if square < best - TIE or (square <= best + TIE and t < best_t):
            best, best_t, best_s = square, t, s
    return math.sqrt(best), best_t, best_s


@helper
def into_box_frame(bore: Ends, piece: Ends) -> tuple[float, float, float, float, float, float]:
    """Ends of a bore's axis in the frame of a box: along it in plan, across it, and up. [m]"""
    dx, dy = piece[3] - piece[0], piece[4] - piece[1]
    length = math.hypot(dx, dy)
    ex, ey = (dx / length, dy / length) if length > 0.0 else (1.0, 0.0)
    x, y = bore[0] - piece[0], bore[1] - piece[1]
    far_x, far_y = bore[3] - piece[0], bore[4] - piece[1]
    return (
        x * ex + y * ey, y * ex - x * ey, bore[2] - piece[2],
        far_x * ex + far_y * ey, far_y * ex - far_x * ey, bore[5] - piece[2],
    )  # fmt: skip


@helper
def _faces(p: Ends, size: tuple[float, float, float, float]) -> tuple[Floats, Floats]:
    """Signed distance to each face's plane at the start of an axis, and its change to the end.

    ``size`` is length in plan, slope, half width, half height; positive is inside.
    """
    length, slope, half_width, half_height = size
    upright = 1.0 / math.sqrt(1.0 + slope * slope)
    c0, c1 = p[2] - slope * p[0], p[5] - slope * p[3]
    first = np.array([
        half_width - p[1], half_width + p[1], (half_height - c0) * upright,
        (half_height + c0) * upright, p[0], length - p[0],
    ])  # fmt: skip
    change = np.array([
        p[1] - p[4], p[4] - p[1], (c0 - c1) * upright, (c1 - c0) * upright, p[3] - p[0],
        p[0] - p[3],
    ])  # fmt: skip
    return first, change


@helper
def _inside(first: Floats, change: Floats) -> tuple[float, float]:
    """Shares between which an axis lies inside all faces; the first above the second if never."""
    low, high = 0.0, 1.0
    for k in range(len(first)):
        if change[k] == 0.0:
            if first[k] < 0.0:
                return 1.0, 0.0
        elif change[k] > 0.0:
            low = max(low, -first[k] / change[k])
        else:
            high = min(high, -first[k] / change[k])
    return low, high


@helper
def _depth(first: Floats, change: Floats, share: float, use: tuple[bool, bool]) -> float:
    """Distance to the nearest face from a point inside; closed ends have no face. [m]"""
    depth = math.inf
    for k in range(6):
        if k < 4 or use[k - 4]:
            depth = min(depth, first[k] + share * change[k])
    return depth


@helper
def _deepest(
    first: Floats, change: Floats, between: tuple[float, float], use: tuple[bool, bool]
) -> tuple[float, float]:
    """Greatest depth of an axis inside a box, and where: the top of a concave broken line."""
    best, best_share = -math.inf, between[0]
    for i in range(6):
        for j in range(i, 8):
            share = between[0] if j == 6 else between[1]
            if j < 6:
                fall = change[j] - change[i]
                share = (first[i] - first[j]) / fall if fall != 0.0 else between[0]
            share = min(between[1], max(between[0], share))
            depth = _depth(first, change, share, use)
            if depth > best + TIE or (depth >= best - TIE and share < best_share):
                best, best_share = depth, share
    return best, best_share


@kernel
def _point_to_box(
    point: tuple[float, float, float], size: tuple[float, float, float, float]
) -> float:
    """Squared distance of a point to a box in the box's frame. [m2]"""
    length, slope, half_width, half_height = size
    a, b, z = point
    across = max(abs(b) - half_width, 0.0)
    if 0.0 <= a <= length and abs(z - slope * a) <= half_height:
        return across * across
    rise = slope * length
    upper = point_segment_distance(a, z, 0.0, half_height, length, rise + half_height)[0]
    lower = point_segment_distance(a, z, 0.0, -half_height, length, rise - half_height)[0]
    near = point_segment_distance(a, z, 0.0, -half_height, 0.0, half_height)[0]
    far = point_segment_distance(a, z, length, rise - half_height, length, rise + half_height)[0]
    beside = min(min(upper, lower), min(near, far))
    return across * across + beside * beside


@helper
def _edge(k: int, size: tuple[float, float, float, float]) -> tuple[
    float, float, float, float, float, float
]:  # fmt: skip
    """Ends of one of the twelve edges of a box in its own frame. [m]"""
    length, slope, half_width, half_height = size
    i, j = (1.0 if k & 1 else -1.0), (1.0 if k & 2 else -1.0)
    if k < 4:
        z = j * half_height
        return 0.0, i * half_width, z, length, i * half_width, slope * length + z
    a = length if i > 0 else 0.0
    if k < 8:
        z = slope * a + j * half_height
        return a, -half_width, z, a, half_width, z
    z = slope * a
    return a, j * half_width, z - half_height, a, j * half_width, z + half_height


@helper
def box_gap(bore: Ends, piece: Floats) -> tuple[float, float]:
    """Signed distance of a straight axis to a swept box, and the share of the axis where it is.

    Outside, the distance to the box; inside, minus the distance to the nearest of its faces,
    taken at the deepest point. An end where another piece follows is no face.

    Parameters
    ----------
    bore
        The axis. [m]
    piece : (11,)
        The box. [m]
    """
    p = into_box_frame(bore, piece)
    length = math.hypot(piece[3] - piece[0], piece[4] - piece[1])
    slope = (piece[5] - piece[2]) / length if length > 0.0 else 0.0
    size = (length, slope, piece[6], piece[7])
    first, change = _faces(p, size)
    between = _inside(first, change)
    if between[0] <= between[1]:
        depth, share = _deepest(first, change, between, (piece[9] > 0.0, piece[10] > 0.0))
        return -depth, share
    best, best_share = _point_to_box((p[0], p[1], p[2]), size), 0.0
    square = _point_to_box((p[3], p[4], p[5]), size)
    if square < best - TIE:
        best, best_share = square, 1.0
    for k in range(12):
        gap, share, _ = axis_gap(p, _edge(k, size))
        square = gap * gap
        if square < best - TIE or (square <= best + TIE and share < best_share):
            best, best_share = square, share
    return math.sqrt(best), best_share


@kernel
def piece_clearance(bore: Floats, piece: Floats) -> tuple[float, float]:
    """Clearance of a round bore to a piece of a service, and the share of its axis where it is.

    Parameters
    ----------
    bore : (7,)
        Ends of its axis and its radius. [m]
    piece : (11,)
        Ends, half width, half height, radius, and whether the service ends at either end. [m]
    """
    if piece[8] > 0.0:
        gap, share, _ = axis_gap(bore, piece)
        return gap - bore[6] - piece[8], share
    gap, share = box_gap(bore, piece)
    return gap - bore[6], share


@kernel
def pair_clearances(
    bores: Floats, pieces: Floats, of_bore: Ints, of_piece: Ints
) -> tuple[Floats, Floats]:
    """Clearance of each pair, and the share of the bore where it is found.

    Parameters
    ----------
    bores : (bores, 7)
        Ends of the axis and the radius. [m]
    pieces : (pieces, 11)
        Pieces of services. [m]
    of_bore, of_piece : (pairs,)
        The pairs.
    """
    clearance = np.empty(len(of_bore))
    share = np.empty(len(of_bore))
    for i in range(len(of_bore)):
        clearance[i], share[i] = piece_clearance(bores[of_bore[i]], pieces[of_piece[i]])
    return clearance, share


@kernel
def pair_axes(
    bores: Floats, pieces: Floats, of_bore: Ints, of_piece: Ints
) -> tuple[Floats, Floats, Floats]:
    """Distance of the axes of each pair, and the shares of the bore and the piece where it is.

    Parameters
    ----------
    bores, pieces, of_bore, of_piece
        As for `pair_clearances`.
    """
    gap = np.empty(len(of_bore))
    share = np.empty(len(of_bore))
    along = np.empty(len(of_bore))
    for i in range(len(of_bore)):
        gap[i], share[i], along[i] = axis_gap(bores[of_bore[i]], pieces[of_piece[i]])
    return gap, share, along
