"""Distances and crossings in the plane, and a grid that finds segments near a point."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import helper, inner, kernel, leaf

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@leaf
def point_segment_distance(
    px: float, py: float, x0: float, y0: float, x1: float, y1: float
) -> tuple[float, float]:
    """Distance of a point from a segment, and where on the segment (0 to 1) it is nearest.

    Parameters
    ----------
    px, py
        The point. [m]
    x0, y0, x1, y1
        The segment's ends; they may coincide. [m]
    """
    dx, dy = x1 - x0, y1 - y0
    length2 = dx * dx + dy * dy
    f = 0.0
    if length2 > 0.0:
        f = ((px - x0) * dx + (py - y0) * dy) / length2
        f = min(1.0, max(0.0, f))
    return math.hypot(px - x0 - f * dx, py - y0 - f * dy), f


@inner
def segments_cross(
    ax: float, ay: float, bx: float, by: float, cx: float, cy: float, dx: float, dy: float
) -> bool:
    """Whether segment ab meets segment cd, touching included.

    Parameters
    ----------
    ax, ay, bx, by, cx, cy, dx, dy
        Ends of the two segments. [m]
    """
    s1 = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
    s2 = (bx - ax) * (dy - ay) - (by - ay) * (dx - ax)
    s3 = (dx - cx) * (ay - cy) - (dy - cy) * (ax - cx)
    s4 = (dx - cx) * (by - cy) - (dy - cy) * (bx - cx)
    if (s1 > 0 and s2 > 0) or (s1 < 0 and s2 < 0):
        return False
    if (s3 > 0 and s4 > 0) or (s3 < 0 and s4 < 0):
        return False
    if s1 == 0 and s2 == 0:  # on one line: do the boxes overlap?
        return max(min(ax, bx), min(cx, dx)) <= min(max(ax, bx), max(cx, dx)) and max(
            min(ay, by), min(cy, dy)
        ) <= min(max(ay, by), max(cy, dy))
    return True


@kernel
def segment_distance(
    ax: float, ay: float, bx: float, by: float, cx: float, cy: float, dx: float, dy: float
) -> float:
    """Distance between two segments in the plane, 0 where they meet.

    Parameters
    ----------
    ax, ay, bx, by, cx, cy, dx, dy
        Ends of the two segments. [m]
    """
    if segments_cross(ax, ay, bx, by, cx, cy, dx, dy):
        return 0.0
    return min(
        min(
            point_segment_distance(ax, ay, cx, cy, dx, dy)[0],
            point_segment_distance(bx, by, cx, cy, dx, dy)[0],
        ),
        min(
            point_segment_distance(cx, cy, ax, ay, bx, by)[0],
            point_segment_distance(dx, dy, ax, ay, bx, by)[0],
        ),
    )


@leaf
def box_segment_distance(
    x0: float, y0: float, x1: float, y1: float, half_length: float, half_width: float
) -> float:
    """Distance of a segment from a box around the origin along the axes, 0 where they meet.

    Parameters
    ----------
    x0, y0, x1, y1
        The segment's ends in the box's own frame. [m]
    half_length, half_width
        Half sides of the box along x and y. [m]
    """
    a, b = half_length, half_width
    if not _box_is_beside(x0, y0, x1, y1, a, b):
        return 0.0
    square = min(_square_to_box(x0, y0, a, b), _square_to_box(x1, y1, a, b))
    for x, y in ((-a, -b), (a, -b), (a, b), (-a, b)):
        square = min(square, _square_to_segment(x, y, x0, y0, x1, y1))
    return math.sqrt(square)


@inner
def _box_is_beside(x0: float, y0: float, x1: float, y1: float, a: float, b: float) -> bool:
    """Whether a line along x, y or the segment parts a box of half sides a, b from the segment."""
    if min(x0, x1) > a or max(x0, x1) < -a or min(y0, y1) > b or max(y0, y1) < -b:
        return True
    dx, dy = x1 - x0, y1 - y0
    return abs(dx * y0 - dy * x0) > abs(dx) * b + abs(dy) * a


@inner
def _square_to_box(x: float, y: float, a: float, b: float) -> float:
    dx, dy = max(abs(x) - a, 0.0), max(abs(y) - b, 0.0)
    return dx * dx + dy * dy


@inner
def _square_to_segment(
    px: float, py: float, x0: float, y0: float, x1: float, y1: float
) -> float:  # fmt: skip
    dx, dy = x1 - x0, y1 - y0
    ex, ey = px - x0, py - y0
    long = dx * dx + dy * dy
    if long > 0.0:
        f = min(1.0, max(0.0, (ex * dx + ey * dy) / long))
        ex, ey = ex - f * dx, ey - f * dy
    return ex * ex + ey * ey


@leaf
def in_ring(px: float, py: float, ring: Floats) -> bool:
    """Whether a point lies in a closed ring.

    Parameters
    ----------
    px, py
        The point. [m]
    ring : (vertices, 2)
        The ring, its last vertex the first again. [m]
    """
    inside = False
    for i in range(len(ring) - 1):
        y0, y1 = ring[i, 1], ring[i + 1, 1]
        if (y0 > py) != (y1 > py):
            x = ring[i, 0] + (py - y0) / (y1 - y0) * (ring[i + 1, 0] - ring[i, 0])
            if px < x:
                inside = not inside
    return inside


@helper
def _box_reaches(cx: float, cy: float, half: float, segment: Floats, reach: float) -> bool:
    d = box_segment_distance(
        segment[0] - cx, segment[1] - cy, segment[2] - cx, segment[3] - cy, half, half
    )
    return d <= reach


@kernel
def build_grid(segments: Floats, reach: Floats, cell: float) -> tuple[Floats, Ints, Ints]:
    """Sort segments into square cells; a cell lists all that come within their reach of it.

    Parameters
    ----------
    segments : (n, 4)
        Ends x0, y0, x1, y1. [m]
    reach : (n,)
        How near a cell must be to list the segment. [m]
    cell
        Side of a cell. [m]

    Returns
    -------
    frame : (5,)
        Lower left corner, side, columns and rows.
    start : (columns x rows + 1,)
        Where each cell's list begins in ``items``.
    items : (entries,)
        Indices of segments.
    """
    n = len(segments)
    frame = np.zeros(5)
    frame[2] = cell
    if n == 0:
        return frame, np.zeros(1, np.int64), np.zeros(0, np.int64)
    most = reach.max() + cell
    x_low = min(segments[:, 0].min(), segments[:, 2].min()) - most
    y_low = min(segments[:, 1].min(), segments[:, 3].min()) - most
    columns = int((max(segments[:, 0].max(), segments[:, 2].max()) + most - x_low) / cell) + 1
    rows = int((max(segments[:, 1].max(), segments[:, 3].max()) + most - y_low) / cell) + 1
    frame[0], frame[1], frame[3], frame[4] = x_low, y_low, columns, rows
    start = np.zeros(columns * rows + 1, np.int64)
    items = np.zeros(0, np.int64)
    for step in range(2):
        fill = start.copy()
        for i in range(n):
            s = segments[i]
            c0 = int((min(s[0], s[2]) - reach[i] - x_low) / cell)
            c1 = int((max(s[0], s[2]) + reach[i] - x_low) / cell)
            r0 = int((min(s[1], s[3]) - reach[i] - y_low) / cell)
            r1 = int((max(s[1], s[3]) + reach[i] - y_low) / cell)
            for r in range(max(r0, 0), min(r1, rows - 1) + 1):
                for c in range(max(c0, 0), min(c1, columns - 1) + 1):
                    x, y = x_low + (c + 0.5) * cell, y_low + (r + 0.5) * cell
                    if _box_reaches(x, y, cell / 2, s, reach[i]):
                        k = r * columns + c
                        if step == 0:
                            start[k + 1] += 1
                        else:
                            items[fill[k]] = i
                            fill[k] += 1
        if step == 0:
            start = np.cumsum(start)
            items = np.zeros(start[-1], np.int64)
    return frame, start, items


@inner
def cell_of(frame: Floats, x: float, y: float) -> int:
    """Index of the grid's cell at a point, -1 outside the grid.

    Parameters
    ----------
    frame : (5,)
        As `build_grid` returns it.
    x, y
        The point. [m]
    """
    if frame[3] == 0:
        return -1
    c = math.floor((x - frame[0]) / frame[2])
    r = math.floor((y - frame[1]) / frame[2])
    if c < 0 or r < 0 or c >= frame[3] or r >= frame[4]:
        return -1
    return int(r * frame[3] + c)


@leaf
def chord_is_free(
    chord: Floats, segments: Floats, frame: Floats, start: Ints, items: Ints, step: float
) -> bool:
    """Whether a chord meets none of the segments.

    Parameters
    ----------
    chord : (4,)
        Ends of the chord. [m]
    segments : (n, 4)
        Edges that must not be crossed. [m]
    frame, start, items
        Grid over the edges with a reach of at least half of ``step``.
    step
        Distance between the points of the chord at which the grid is asked. [m]
    """
    ax, ay, bx, by = chord
    columns, rows = int(frame[3]), int(frame[4])
    if columns == 0:
        return True
    dx, dy = bx - ax, by - ay
    count = int(math.sqrt(dx * dx + dy * dy) / step) + 1
    per = 1.0 / frame[2]
    column, row = (ax - frame[0]) * per, (ay - frame[1]) * per
    column_step, row_step = dx * per / count, dy * per / count
    last = -2
    for n in range(count + 1):
        x, y = column + n * column_step, row + n * row_step
        if not (0.0 <= x < columns and 0.0 <= y < rows):
            continue
        k = int(y) * columns + int(x)
        if k == last:
            continue
        last = k
        for j in range(start[k], start[k + 1]):
            i = items[j]
            cx, cy, ex, ey = segments[i, 0], segments[i, 1], segments[i, 2], segments[i, 3]
            s1, s2 = dx * (cy - ay) - dy * (cx - ax), dx * (ey - ay) - dy * (ex - ax)
            if s1 * s2 <= 0.0 and segments_cross(ax, ay, bx, by, cx, cy, ex, ey):
                return False
    return True
