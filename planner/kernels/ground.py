"""Elevations between the cells of a raster, and the filling of its small holes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import helper, kernel, spliced

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

FILL_TOLERANCE = 1e-6  # [m] change in a pass at which a filled hole has settled
MOST_PASSES = 2000
FLAT = 1e-6  # [cells] by which the nodes of one cell of the mesh may miss a plane


@kernel
def bilinear(values: Floats, col: float, row: float) -> float:
    """Value between the centres of cells; held over the outer half cell, NaN beyond.

    Parameters
    ----------
    values : (rows, columns)
        Elevations at the centres of cells, NaN where there is none. [m]
    col, row
        Place in cells; 0, 0 is the centre of the first cell.

    Returns
    -------
    The value; NaN where one of the four cells that weigh in is NaN. [m]

    Examples
    --------
    >>> bilinear(np.array([[1.0, 2.0], [3.0, 4.0]]), 0.5, 0.5)
    2.5
    """
    rows, cols = values.shape
    if not (-0.5 <= col <= cols - 0.5 and -0.5 <= row <= rows - 0.5):
        return np.nan
    col = min(max(col, 0.0), cols - 1.0)
    row = min(max(row, 0.0), rows - 1.0)
    c, r = int(col), int(row)
    right, below = col - c, row - r
    c1 = c + 1 if right > 0.0 else c
    r1 = r + 1 if below > 0.0 else r
    upper = values[r, c]
    if right > 0.0:
        upper = upper * (1.0 - right) + values[r, c1] * right
    if below == 0.0:
        return float(upper)
    lower = values[r1, c]
    if right > 0.0:
        lower = lower * (1.0 - right) + values[r1, c1] * right
    return float(upper * (1.0 - below) + lower * below)


@kernel
def sample_cells(values: Floats, col: Floats, row: Floats) -> Floats:
    """Elevations at places given in cells; see `bilinear`."""
    out = np.empty(col.size)
    for i in range(col.size):
        out[i] = bilinear(values, col[i], row[i])
    return out


@kernel
def sample_ground(
    values: Floats,
    mesh_x0: float,
    mesh_y0: float,
    mesh_step: float,
    mesh_col: Floats,
    mesh_row: Floats,
    x: Floats,
    y: Floats,
) -> Floats:
    """Ground at points of the local frame.

    Parameters
    ----------
    values : (rows, columns)
        Elevations at the centres of cells, NaN where there is none. [m]
    mesh_x0, mesh_y0, mesh_step
        First node of the mesh, and the distance between nodes. [m]
    mesh_col, mesh_row : (nodes up, nodes across)
        Place of each node in cells. [cells]
    x, y : (n,)
        Points. [m]

    Returns
    -------
    (n,)
        Elevations, NaN outside and over cells without one. [m]

    Examples
    --------
    A plane that rises 1 m a cell, cells of 1 m, the first centre at the origin:

    >>> plane = np.array([[0.0, 1.0, 2.0], [0.0, 1.0, 2.0]])
    >>> col, row = np.array([[0.0, 2.0], [0.0, 2.0]]), np.array([[0.0, 0.0], [-2.0, -2.0]])
    >>> sample_ground(plane, 0.0, 0.0, 2.0, col, row, np.array([0.5]), np.array([-0.25]))
    array([0.5])
    """
    out = np.empty(x.size)
    plane = plane_of_mesh(mesh_x0, mesh_y0, mesh_step, mesh_col, mesh_row)
    if not np.isnan(plane[0]):
        _sample_flat(values, plane, (x, y, out))
    else:
        _sample_mesh(values, (mesh_x0, mesh_y0, mesh_step), (mesh_col, mesh_row), (x, y, out))
    return out


@kernel
def plane_of_mesh(
    mesh_x0: float, mesh_y0: float, mesh_step: float, mesh_col: Floats, mesh_row: Floats
) -> Floats:
    """How cells follow from places where a mesh is one flat cell; see `sample_ground`.

    Returns
    -------
    (6,)
        Column at the origin and its rates along x and y, then the row's; NaN for other meshes.
    """
    plane = np.full(6, np.nan)
    if mesh_col.size == 4 and _is_flat(mesh_col) and _is_flat(mesh_row):
        for i, node in enumerate((mesh_col, mesh_row)):
            along, up = (node[0, 1] - node[0, 0]) / mesh_step, (node[1, 0] - node[0, 0]) / mesh_step
            plane[3 * i] = node[0, 0] - (mesh_x0 * along + mesh_y0 * up)
            plane[3 * i + 1], plane[3 * i + 2] = along, up
    return plane


@spliced
def sample_line(values: Floats, plane: Floats, line: Floats, count: int, out: Floats) -> bool:
    """Elevations at even distances along a line that lies well inside a raster.

    Parameters
    ----------
    values : (rows, columns)
        Elevations at the centres of cells, NaN where there is none. [m]
    plane : (6,)
        As `plane_of_mesh` returns it.
    line : (4,)
        Ends x0, y0, x1, y1. [m]
    count
        Number of pieces that the line is divided into.
    out : (at least count + 1,)
        Receives the elevations, both ends included. [m]

    Returns
    -------
    Whether they are known; if not, `sample_ground` has to say which.
    """
    rows, cols = values.shape
    col = plane[0] + line[0] * plane[1] + line[1] * plane[2]
    row = plane[3] + line[0] * plane[4] + line[1] * plane[5]
    last_col = plane[0] + line[2] * plane[1] + line[3] * plane[2]
    last_row = plane[3] + line[2] * plane[4] + line[3] * plane[5]
    most_col, most_row = cols - 1.0 - FLAT, rows - 1.0 - FLAT
    if not (FLAT < col < most_col and FLAT < last_col < most_col):
        return False
    if not (FLAT < row < most_row and FLAT < last_row < most_row):
        return False
    col_step, row_step = (last_col - col) / count, (last_row - row) / count
    total, one = 0.0, np.uint64(1)
    for i in range(count + 1):
        c, r = np.uint64(col), np.uint64(row)  # unsigned: no test for an index from the end
        f = row - np.float64(np.int64(r))
        left = values[r, c] + (values[r + one, c] - values[r, c]) * f
        right = values[r, c + one] + (values[r + one, c + one] - values[r, c + one]) * f
        z = left + (right - left) * (col - np.float64(np.int64(c)))
        total += z
        out[i] = z
        col += col_step
        row += row_step
    return not np.isnan(total)


@helper
def _is_flat(node: Floats) -> bool:
    """Whether the four nodes of a mesh of one cell lie in a plane, to a millionth of a cell."""
    return bool(abs(node[0, 0] + node[1, 1] - node[0, 1] - node[1, 0]) < FLAT)


@helper
def _sample_flat(values: Floats, plane: Floats, points: tuple[Floats, Floats, Floats]) -> None:
    """Sample where cells follow from places by one plane each; see `sample_ground`.

    The first pass does what is quick: points with four cells around them. What it leaves NaN, at
    the edge or beside a cell without elevation, `bilinear` looks at again.
    """
    x, y, out = points
    rows, cols = values.shape
    flat = values.ravel()
    col0, col_x, col_y, row0, row_x, row_y = plane
    left = 0
    for i in range(x.size):
        col = col0 + x[i] * col_x + y[i] * col_y
        row = row0 + x[i] * row_x + y[i] * row_y
        z = np.nan
        if col >= 0.0 and row >= 0.0 and col < cols - 1.0 and row < rows - 1.0:
            c, r = int(col), int(row)
            first = np.uint64(r * cols + c)  # unsigned: no test for an index from the end
            below = first + np.uint64(cols)
            right = col - c
            upper = flat[first] + (flat[first + np.uint64(1)] - flat[first]) * right
            lower = flat[below] + (flat[below + np.uint64(1)] - flat[below]) * right
            z = upper + (lower - upper) * (row - r)
        left += np.isnan(z)
        out[i] = z
    if left == 0:
        return
    for i in range(x.size):
        if np.isnan(out[i]):
            col = col0 + x[i] * col_x + y[i] * col_y
            row = row0 + x[i] * row_x + y[i] * row_y
            out[i] = bilinear(values, col, row)


@helper
def _sample_mesh(
    values: Floats,
    start: tuple[float, float, float],
    nodes: tuple[Floats, Floats],
    points: tuple[Floats, Floats, Floats],
) -> None:
    """Sample where cells follow from places through a mesh; see `sample_ground`."""
    x0, y0, step = start
    x, y, out = points
    mesh_col, mesh_row = nodes
    up, across = mesh_col.shape
    for i in range(x.size):
        u, v = (x[i] - x0) / step, (y[i] - y0) / step
        if not (np.isfinite(u) and np.isfinite(v)):
            out[i] = np.nan
            continue
        a = min(max(int(np.floor(u)), 0), across - 2)
        b = min(max(int(np.floor(v)), 0), up - 2)
        u -= a
        v -= b
        w00, w01, w10, w11 = (1 - u) * (1 - v), u * (1 - v), (1 - u) * v, u * v
        col = (
            w00 * mesh_col[b, a] + w01 * mesh_col[b, a + 1]
            + w10 * mesh_col[b + 1, a] + w11 * mesh_col[b + 1, a + 1]
        )  # fmt: skip
        row = (
            w00 * mesh_row[b, a] + w01 * mesh_row[b, a + 1]
            + w10 * mesh_row[b + 1, a] + w11 * mesh_row[b + 1, a + 1]
        )  # fmt: skip
        out[i] = bilinear(values, col, row)


@kernel
def to_elevations(
    cells: Floats, nodata: float, scale: tuple[float, float], bounds: tuple[float, float]
) -> tuple[int, int]:
    """Turn the cells of a raster into elevations, in place.

    Parameters
    ----------
    cells : (rows, columns)
        Numbers as they are stored, NaN where there is none.
    nodata
        Number that stands for no elevation; NaN for none.
    scale
        Factor and summand that make a number an elevation. [m]
    bounds
        Lowest and highest elevation that there is; what lies beyond becomes NaN. [m]

    Returns
    -------
    How many cells lay beyond the bounds, and how many are NaN now.

    Examples
    --------
    >>> cells = np.array([[100.0, -32768.0, -1.0]])
    >>> to_elevations(cells, -1.0, (0.5, 1.0), (-500.0, 9000.0)), cells.tolist()
    ((1, 2), [[51.0, nan, nan]])
    """
    factor, summand = scale
    low, high = bounds
    beyond, gaps = 0, 0
    for r in range(cells.shape[0]):
        for c in range(cells.shape[1]):
            z = np.nan if cells[r, c] == nodata else cells[r, c] * factor + summand
            if z < low or z > high:
                beyond += 1
                z = np.nan
            gaps += np.isnan(z)
            cells[r, c] = z
    return beyond, gaps


@kernel
def find_small_holes(values: Floats, most: int) -> Bools:
    """Cells without elevation that belong to a hole of at most so many cells.

    Parameters
    ----------
    values : (rows, columns)
        Elevations, NaN where there is none. [m]
    most
        Cells in the largest hole that counts as small; cells that touch at a corner belong
        together, and a hole that reaches the edge is never small.

    Returns
    -------
    (rows, columns)
        True in small holes.

    Examples
    --------
    >>> grid = np.ones((5, 5)); grid[2, 2] = np.nan
    >>> int(find_small_holes(grid, 1).sum()), int(find_small_holes(grid, 0).sum())
    (1, 0)
    """
    rows, cols = values.shape
    seen = np.zeros((rows, cols), np.bool_)
    small = np.zeros((rows, cols), np.bool_)
    stack = np.empty((max(np.isnan(values).sum(), 1), 2), np.int32)
    for r0 in range(rows):
        for c0 in range(cols):
            if seen[r0, c0] or not np.isnan(values[r0, c0]):
                continue
            size, done, edge = 1, 0, False
            stack[0, 0], stack[0, 1] = r0, c0
            seen[r0, c0] = True
            while done < size:
                r, c = stack[done, 0], stack[done, 1]
                done += 1
                edge = edge or r == 0 or c == 0 or r == rows - 1 or c == cols - 1
                for rn in range(max(r - 1, 0), min(r + 2, rows)):
                    for cn in range(max(c - 1, 0), min(c + 2, cols)):
                        if not seen[rn, cn] and np.isnan(values[rn, cn]):
                            seen[rn, cn] = True
                            stack[size, 0], stack[size, 1] = rn, cn
                            size += 1
            if size <= most and not edge:
                for i in range(size):
                    small[stack[i, 0], stack[i, 1]] = True
    return small


@kernel
def fill_holes(values: Floats, holes: Bools) -> Floats:
    """Elevations with the marked cells filled by the smoothest surface over their rims.

    Each filled cell becomes the mean of its four neighbours (the discrete Laplace equation), so
    a hole in a plane is filled with that plane exactly.

    Parameters
    ----------
    values : (rows, columns)
        Elevations, NaN where there is none. [m]
    holes : (rows, columns)
        Cells to fill; none at the edge, and none beside a cell without elevation that is not
        marked.

    Returns
    -------
    (rows, columns)
        A copy with the holes filled. [m]

    Examples
    --------
    >>> grid = np.array([[1.0, 2.0, 3.0], [1.0, np.nan, 3.0], [1.0, 2.0, 3.0]])
    >>> round(float(fill_holes(grid, np.isnan(grid))[1, 1]), 6)
    2.0
    """
    out = values.copy()
    place = np.argwhere(holes)
    start = np.nanmean(out)
    for i in range(place.shape[0]):
        out[place[i, 0], place[i, 1]] = start
    for _ in range(MOST_PASSES):
        change = 0.0
        for i in range(place.shape[0]):
            r, c = place[i, 0], place[i, 1]
            mean = (out[r - 1, c] + out[r + 1, c] + out[r, c - 1] + out[r, c + 1]) / 4
            change = max(change, abs(mean - out[r, c]))
            out[r, c] = mean
        if not change > FILL_TOLERANCE:
            break
    return out
