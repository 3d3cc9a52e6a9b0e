"""Exact clearances in 3D between pits and the straight pieces of services.

A pit is a ring in plan, from its floor up without end. A piece of a service is a row as in
`planner.kernels.clearance`. Where they overlap, the clearance is negative by how deep the service
stands in the pit: at its deepest point, the distance to the nearest wall or to the floor; a round
pipe counts by its axis, and its radius is added.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from planner.kernels.clearance import axis_gap
from planner.kernels.compiled import helper, kernel
from planner.kernels.plane import in_ring, point_segment_distance

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Ends = tuple[float, float, float, float, float, float]

DEPTH_STEP = 2e-4  # [m] to which the depth of an overlap is found
MEETS = 1e-9  # [m] distances up to this are contact


@helper
def plan_depth(x: float, y: float, ring: Floats) -> float:
    """Distance of a point in plan to a ring, positive inside, negative outside.

    Parameters
    ----------
    x, y
        The point. [m]
    ring : (vertices, 2)
        The ring, its last vertex the first again. [m]
    """
    least = math.inf
    for i in range(len(ring) - 1):
        gap = point_segment_distance(x, y, ring[i, 0], ring[i, 1], ring[i + 1, 0], ring[i + 1, 1])[
            0
        ]
        least = min(least, gap)
    return least if in_ring(x, y, ring) else -least


@kernel
def _part(p: Ends, low: float, high: float) -> Ends:
    dx, dy, dz = p[3] - p[0], p[4] - p[1], p[5] - p[2]
    return (
        p[0] + low * dx, p[1] + low * dy, p[2] + low * dz,
        p[0] + high * dx, p[1] + high * dy, p[2] + high * dz,
    )  # fmt: skip


@helper
def _beside(p: Ends, ring: Floats) -> tuple[float, float]:
    """Distance in plan of an axis above the floor to the ring's area, and its share there."""
    if in_ring(p[0], p[1], ring):
        return 0.0, 0.0
    flat = (p[0], p[1], 0.0, p[3], p[4], 0.0)
    best, best_share = math.inf, 0.0
    for i in range(len(ring) - 1):
        wall = (ring[i, 0], ring[i, 1], 0.0, ring[i + 1, 0], ring[i + 1, 1], 0.0)
        gap, share, _ = axis_gap(flat, wall)
        if gap < best:
            best, best_share = gap, share
    return best, best_share


@helper
def _below(p: Ends, ring: Floats, floor: float) -> tuple[float, float]:
    """Distance of an axis below the floor to the floor, and its share there."""
    best, best_share = math.inf, 0.0
    for i in range(len(ring) - 1):
        edge = (ring[i, 0], ring[i, 1], floor, ring[i + 1, 0], ring[i + 1, 1], floor)
        gap, share, _ = axis_gap(p, edge)
        if gap < best:
            best, best_share = gap, share
    for k in range(2):
        if floor - p[2 + 3 * k] < best and in_ring(p[3 * k], p[3 * k + 1], ring):
            best, best_share = floor - p[2 + 3 * k], float(k)
    return best, best_share


@helper
def axis_to_pit(p: Ends, ring: Floats, floor: float) -> tuple[float, float]:
    """Distance of a straight axis to a pit, 0 where they meet, and the share where it is found.

    Parameters
    ----------
    p
        Ends of the axis. [m]
    ring : (vertices, 2)
        Outline of the pit, its last vertex the first again. [m]
    floor
        Level of the pit's floor. [m]
    """
    above0, above1 = p[2] >= floor, p[5] >= floor
    if above0 and above1:
        return _beside(p, ring)
    if not above0 and not above1:
        return _below(p, ring, floor)
    cut = (floor - p[2]) / (p[5] - p[2])
    low, high = (0.0, cut) if above0 else (cut, 1.0)
    gap, share = _beside(_part(p, low, high), ring)
    share = low + share * (high - low)
    low, high = (cut, 1.0) if above0 else (0.0, cut)
    other, at = _below(_part(p, low, high), ring, floor)
    return (gap, share) if gap <= other else (other, low + at * (high - low))


@helper
def _rectangle_point(piece: Floats, share: float, across: float) -> tuple[float, float, float]:
    """Point of the level-across rectangle in the middle height of a piece."""
    dx, dy = piece[3] - piece[0], piece[4] - piece[1]
    length = math.hypot(dx, dy)
    ex, ey = (dx / length, dy / length) if length > 0.0 else (1.0, 0.0)
    return (
        piece[0] + share * dx - across * ey,
        piece[1] + share * dy + across * ex,
        piece[2] + share * (piece[5] - piece[2]),
    )


@helper
def _corner_to_rectangle(x: float, y: float, floor: float, piece: Floats) -> tuple[float, float]:
    """Distance of the upright edge over a pit's corner to the inner part of a rectangle."""
    dx, dy, rise = piece[3] - piece[0], piece[4] - piece[1], piece[5] - piece[2]
    length = math.hypot(dx, dy)
    ex, ey = dx / length, dy / length
    a, b = (x - piece[0]) * ex + (y - piece[1]) * ey, (y - piece[1]) * ex - (x - piece[0]) * ey
    if abs(b) > piece[6]:
        return math.inf, 0.0
    if 0.0 <= a <= length and piece[2] + a / length * rise >= floor:
        return 0.0, a / length
    slant = math.hypot(length, rise)
    up = floor - piece[2]
    foot = (a * length + up * rise) / slant / slant
    if foot < 0.0 or foot > 1.0:
        return math.inf, 0.0
    return abs(up * length - a * rise) / slant, foot


@helper
def box_to_pit(piece: Floats, ring: Floats, floor: float) -> tuple[float, float]:
    """Distance of a swept box to a pit, 0 where they meet, and the share where it is found.

    A box reaches half its height above and below the rectangle in its middle; as the pit has no
    top, the rectangle and a floor lower by that half height have the same distance.

    Parameters
    ----------
    piece : (11,)
        The box. [m]
    ring : (vertices, 2)
        Outline of the pit, its last vertex the first again. [m]
    floor
        Level of the pit's floor. [m]
    """
    half, lower = piece[6], floor - piece[7]
    best, best_share = math.inf, 0.0
    for k in range(4):
        if k < 2:
            across = half if k == 0 else -half
            start, end = _rectangle_point(piece, 0.0, across), _rectangle_point(piece, 1.0, across)
        else:
            at = float(k - 2)
            start, end = _rectangle_point(piece, at, -half), _rectangle_point(piece, at, half)
        edge = (start[0], start[1], start[2], end[0], end[1], end[2])
        gap, share = axis_to_pit(edge, ring, lower)
        if gap < best:
            best, best_share = gap, (share if k < 2 else float(k - 2))
    for i in range(len(ring) - 1):
        gap, share = _corner_to_rectangle(ring[i, 0], ring[i, 1], lower, piece)
        if gap < best:
            best, best_share = gap, share
    return best, best_share


@helper
def depth_in_pit(piece: Floats, ring: Floats, floor: float) -> tuple[float, float]:
    """How deep the deepest point of a piece stands in a pit, and the share where that is.

    Found by halving a strip of the piece again and again: depth changes by no more than the way
    gone, so a part whose middle is too shallow for its size is left.

    Parameters
    ----------
    piece : (11,)
        The piece; a box counts over its width, a pipe by its axis. [m]
    ring : (vertices, 2)
        Outline of the pit, its last vertex the first again. [m]
    floor
        Level of the pit's floor. [m]
    """
    half = piece[6] if piece[8] == 0.0 else 0.0
    lower = floor - (piece[7] if piece[8] == 0.0 else 0.0)
    length = math.sqrt(
        (piece[3] - piece[0]) ** 2 + (piece[4] - piece[1]) ** 2 + (piece[5] - piece[2]) ** 2
    )
    limit = max(piece[2], piece[5]) - lower
    best, best_share = -math.inf, 0.0
    parts = [(0.0, 1.0, -half, half)]
    while len(parts) > 0:
        low, high, left, right = parts.pop()
        share, across = (low + high) / 2, (left + right) / 2
        x, y, z = _rectangle_point(piece, share, across)
        depth = min(plan_depth(x, y, ring), z - lower)
        if depth > best:
            best, best_share = depth, share
        long, wide = (high - low) * length, right - left
        if best >= limit - DEPTH_STEP or depth + math.hypot(long, wide) / 2 <= best + DEPTH_STEP:
            continue
        if long >= wide:
            parts.append((low, share, left, right))
            parts.append((share, high, left, right))
        else:
            parts.append((low, high, left, across))
            parts.append((low, high, across, right))
    return max(best, 0.0), best_share


@kernel
def piece_to_pit(piece: Floats, ring: Floats, floor: float) -> tuple[float, float]:
    """Clearance of a piece of a service to a pit, and the share of the piece where it is found.

    Parameters
    ----------
    piece : (11,)
        Ends, half width, half height, radius, and whether the service ends at either end. [m]
    ring : (vertices, 2)
        Outline of the pit with its shoring, its last vertex the first again. [m]
    floor
        Level of the pit's floor. [m]
    """
    if piece[8] > 0.0:
        axis = (piece[0], piece[1], piece[2], piece[3], piece[4], piece[5])
        gap, share = axis_to_pit(axis, ring, floor)
    else:
        gap, share = box_to_pit(piece, ring, floor)
    if gap > MEETS:
        return gap - piece[8], share
    depth, share = depth_in_pit(piece, ring, floor)
    return -depth - piece[8], share


@kernel
def pit_clearances(
    pieces: Floats, rings: tuple[Floats, Ints, Floats], of_ring: Ints, of_piece: Ints
) -> tuple[Floats, Floats, Floats, Floats]:
    """Clearance of each pair of pit and piece, where it is, and how far beside and below.

    Parameters
    ----------
    pieces : (pieces, 11)
        Pieces of services. [m]
    rings
        Vertices of all rings (vertices, 2) [m]; where each begins and the last ends (rings + 1,);
        the level of each floor (rings,) [m].
    of_ring, of_piece : (pairs,)
        The pairs.

    Returns
    -------
    Clearance [m], share of the piece, and the distance of its axis there to the pit's area in
    plan and below its floor. [m]
    """
    points, begin, floors = rings
    out = np.empty((4, len(of_ring)))
    for i in range(len(of_ring)):
        k = of_ring[i]
        ring, piece = points[begin[k] : begin[k + 1]], pieces[of_piece[i]]
        out[0, i], out[1, i] = piece_to_pit(piece, ring, floors[k])
        x, y, z = _rectangle_point(piece, out[1, i], 0.0)
        out[2, i] = max(-plan_depth(x, y, ring), 0.0)
        out[3, i] = max(floors[k] - z, 0.0)
    return out[0], out[1], out[2], out[3]
