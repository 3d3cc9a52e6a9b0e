"""Finds the straight pieces near straight bores, with their clearances: cells, runs and gaps.

A piece lies in one cell only, that of its middle in plan; cells are wide in y and narrow in x, and
a row of them lies in one run of memory. Long pieces lie in a coarser layer, so that a search need
only reach beyond a bore by the longest arm of a layer: half a piece, its outside and its reach.
The pieces of all runs of a bore are drawn together, and their gaps found in one sweep.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from planner.kernels.compiled import UNSEEN, helper, kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Places = NDArray[np.int32]

ROW = 12.0  # [m] height of the finest layer's rows
NARROW = 4  # columns to a square of a row's height
MOST_CELLS = 16.0  # cells of a layer, over the pieces of all
TINY = 1e-30  # [m4] keeps a division by the square of no length defined


class Cells(NamedTuple):
    """Pieces sorted by layer and cell.

    ``layers`` (layers, 7) holds the lower left corner, height of a row, columns, rows, the place
    of its first cell in ``begin``, and the longest arm; ``pieces`` (pieces, 8) the start of each,
    its vector, its reach with its outside, and its reach; ``item`` (pieces,) which piece was given.
    """

    layers: Floats
    begin: Ints
    pieces: Floats
    item: Ints


def sort_into_cells(ends: Floats, outside: Floats, reach: Floats) -> Cells:
    """Sort straight pieces into cells by their middles in plan.

    Parameters
    ----------
    ends : (pieces, 6)
        Ends x0, y0, z0, x1, y1, z1; levels of 0 make all distances those in plan. [m]
    outside : (pieces,)
        Radius around the axis. [m]
    reach : (pieces,)
        Greatest clearance that is looked for. [m]
    """
    middle = (ends[:, :2] + ends[:, 3:5]) / 2
    vector = ends[:, 3:6] - ends[:, :3]
    arm = np.hypot(vector[:, 0], vector[:, 1]) / 2 + outside + reach
    level = np.ceil(np.log2(np.maximum(arm / ROW, 1.0)))
    layers, cell, total = [], np.zeros(len(arm), np.int64), 0
    for number in np.unique(level):
        own = level == number
        frame = _frame(middle[own], ROW * 2.0**number, MOST_CELLS * len(arm) + 64)
        place = ((middle[own] - frame[:2]) / frame[2] * (NARROW, 1)).astype(np.int64)
        cell[own] = total + place[:, 1] * int(frame[3]) + place[:, 0]
        layers.append([*frame, total, arm[own].max()])
        total += int(frame[3] * frame[4])
    order = np.argsort(cell, kind="stable")
    begin = np.concatenate(([0], np.cumsum(np.bincount(cell, minlength=total))))
    rows = np.column_stack((ends[:, :3], vector, reach + outside, reach))[order]
    return Cells(
        np.array(layers, float).reshape(-1, 7), begin.astype(np.int64),
        np.ascontiguousarray(rows, float), order.astype(np.int64),
    )  # fmt: skip


def _frame(middle: Floats, side: float, most: float) -> list[float]:
    """Lower left corner, height, columns and rows of a layer; coarser where it is too wide."""
    low, high = middle.min(axis=0), middle.max(axis=0)
    while True:
        columns, rows = np.floor((high - low) / side * (NARROW, 1)) + 1
        if columns * rows <= most:
            return [float(low[0]), float(low[1]), side, float(columns), float(rows)]
        side *= 2


@njit(**UNSEEN, error_model="numpy")
def _row_span(bore: Floats, bottom: float, top: float, pad: float) -> tuple[float, float]:
    """Reach in x, between two heights in y, of what lies within a pad of a bore in plan."""
    x0, y0, x1, y1 = bore[0], bore[1], bore[3], bore[4]
    left, right = min(x0, x1) - pad, max(x0, x1) + pad
    if y1 != y0:
        lean = (x1 - x0) / (y1 - y0)
        wide = pad * math.sqrt(1.0 + lean * lean)
        low, high = x0 + (bottom - y0) * lean, x0 + (top - y0) * lean
        left = max(left, min(low, high) - wide)
        right = min(right, max(low, high) + wide)
    return left, right


@helper
def _more_runs(runs: Ints) -> Ints:
    more = np.empty((2 * len(runs), 2), np.int64)
    for i in range(len(runs)):
        more[i, 0], more[i, 1] = runs[i, 0], runs[i, 1]
    return more


@njit(**UNSEEN, error_model="numpy")
def _find_runs(cells: Cells, bore: Floats, runs: Ints) -> tuple[Ints, int, int]:
    """Runs of pieces that may be near a bore; how many runs, and how many pieces in all."""
    count, total = 0, 0
    for k in range(len(cells.layers)):
        x_low, y_low, side = cells.layers[k, 0], cells.layers[k, 1], cells.layers[k, 2]
        columns, rows = int(cells.layers[k, 3]), int(cells.layers[k, 4])
        first, pad = int(cells.layers[k, 5]), bore[6] + cells.layers[k, 6]
        low = max(0.0, (min(bore[1], bore[4]) - pad - y_low) / side)
        high = min(rows - 1.0, (max(bore[1], bore[4]) + pad - y_low) / side)
        if high < 0.0:
            continue
        for r in range(int(low), int(high) + 1):
            left, right = _row_span(bore, y_low + r * side, y_low + (r + 1) * side, pad)
            c0 = max(0, math.floor((left - x_low) / side * NARROW))
            c1 = min(columns - 1, math.floor((right - x_low) / side * NARROW))
            if c0 > c1:
                continue
            row = first + r * columns
            if count == len(runs):
                runs = _more_runs(runs)
            runs[count, 0], runs[count, 1] = cells.begin[row + c0], cells.begin[row + c1 + 1]
            total += runs[count, 1] - runs[count, 0]
            count += 1
    return runs, count, total


@helper
def _draw_together(pieces: Floats, runs: Ints, count: int, drawn: Floats) -> None:
    """Copy the pieces of runs side by side: a field a row, so that they are swept at once."""
    k = 0
    for i in range(count):
        for j in range(runs[i, 0], runs[i, 1]):
            drawn[0, k], drawn[1, k], drawn[2, k] = pieces[j, 0], pieces[j, 1], pieces[j, 2]
            drawn[3, k], drawn[4, k], drawn[5, k] = pieces[j, 3], pieces[j, 4], pieces[j, 5]
            drawn[6, k] = pieces[j, 6]
            k += 1


@njit(**UNSEEN, error_model="numpy", fastmath={"contract", "nnan", "nsz"})
def _sweep(bore: Floats, drawn: Floats, count: int) -> None:
    """Clearances of a bore to pieces drawn together, less their reach, into their last row."""
    x0, y0, z0, size = bore[0], bore[1], bore[2], bore[6]
    ux, uy, uz = bore[3] - x0, bore[4] - y0, bore[5] - z0
    uu = ux * ux + uy * uy + uz * uz
    over = 1.0 / max(uu, TINY)
    for k in range(count):
        vx, vy, vz = drawn[3, k], drawn[4, k], drawn[5, k]
        wx, wy, wz = x0 - drawn[0, k], y0 - drawn[1, k], z0 - drawn[2, k]
        uv, vv = ux * vx + uy * vy + uz * vz, vx * vx + vy * vy + vz * vz
        uw, vw = ux * wx + uy * wy + uz * wz, vx * wx + vy * wy + vz * wz
        t = min(1.0, max(0.0, (uv * vw - vv * uw) / max(uu * vv - uv * uv, TINY)))
        s = min(1.0, max(0.0, (uv * t + vw) / max(vv, TINY)))
        t = min(1.0, max(0.0, (uv * s - uw) * over))
        dx, dy, dz = wx + t * ux - s * vx, wy + t * uy - s * vy, wz + t * uz - s * vz
        drawn[7, k] = math.sqrt(dx * dx + dy * dy + dz * dz) - size - drawn[6, k]


@helper
def _wider(found: tuple[Places, Places, Floats], least: int) -> tuple[Places, Places, Floats]:
    bore, place, clearance = found
    size = max(least, 2 * len(bore))
    more = np.empty(size, np.int32), np.empty(size, np.int32), np.empty(size)
    for k in range(len(bore)):
        more[0][k], more[1][k], more[2][k] = bore[k], place[k], clearance[k]
    return more


@kernel
def near_clearances(cells: Cells, bores: Floats) -> tuple[Places, Places, Floats]:
    """Pairs of a bore and a round piece whose clearance is within the piece's reach.

    Each pair once, in the order of the bores. The nearest points are found by one projection from
    the common normal to each axis: exact but for axes within 1e-7 rad of parallel, where the
    clearance may come out larger by that angle times the length of the piece.

    Parameters
    ----------
    cells
        The sorted pieces.
    bores : (bores, 7)
        Ends x0, y0, z0, x1, y1, z1 and radius. [m]

    Returns
    -------
    bore, place : (pairs,)
        The bore, and the place of the piece among the sorted ones: ``cells.item[place]`` is the
        piece as it was given.
    clearance : (pairs,)
        [m]
    """
    room, count = 1024 + 256 * len(bores), 0
    bore, place, clearance = np.empty(room, np.int32), np.empty(room, np.int32), np.empty(room)
    runs, drawn = np.empty((64, 2), np.int64), np.empty((8, 2056))
    for i in range(len(bores)):
        runs, used, total = _find_runs(cells, bores[i], runs)
        if total > drawn.shape[1]:
            drawn = np.empty((8, 2 * total))
        _draw_together(cells.pieces, runs, used, drawn)
        _sweep(bores[i], drawn, total)
        if count + total > len(bore):
            bore, place, clearance = _wider((bore, place, clearance), count + total)
        before, k = count, 0
        for r in range(used):  # each pair is written, and kept if within reach: no branch
            for j in range(runs[r, 0], runs[r, 1]):
                place[count], clearance[count] = j, drawn[7, k]
                count += drawn[7, k] <= 0.0
                k += 1
        for k in range(before, count):
            bore[k] = i
            clearance[k] += cells.pieces[place[k], 7]
    return bore[:count], place[:count], clearance[:count]
