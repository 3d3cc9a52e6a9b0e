"""Pairs of candidate pits that a straight leg can join, and whether its pits can stand there."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from planner.kernels.plane import cell_of, chord_is_free, point_segment_distance, rectangle_stands

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ROUNDING = 1e-6  # [m]
CHORD_STEP = 5.0  # [m] between the places of a chord at which the grid of edges is asked
BOTTOM, ORDINARY, TOP = 0, 1, 2  # pits at a chain's lower end, along it and at its upper end


class Edges(NamedTuple):
    """Segments and the grid that finds them."""

    segments: Floats  # (n, 4) [m]
    clear: Floats  # (n,) [m]
    frame: Floats
    start: Ints
    items: Ints


class Sizes(NamedTuple):
    """Half sides of the pits, outside of the shoring. [m]"""

    launch_length: float
    launch_width: float
    exit_length: float
    exit_width: float


@njit(cache=True, nogil=True)
def _stands(x: float, y: float, ux: float, uy: float, a: float, b: float, near: Edges) -> bool:
    place = np.array([x, y, ux, uy])
    hit = rectangle_stands(
        place, a, b, near.segments, near.clear, near.frame, near.start, near.items
    )
    return hit < 0


@njit(cache=True, nogil=True)
def _stands_somehow(x: float, y: float, radius: float, near: Edges) -> bool:
    """Whether the disc that every pit holds stands free, whatever way the pit is turned."""
    k = cell_of(near.frame, x, y)
    if k < 0:
        return True
    for j in range(near.start[k], near.start[k + 1]):
        i = near.items[j]
        s = near.segments[i]
        d, _ = point_segment_distance(x, y, s[0], s[1], s[2], s[3])
        if d < radius + near.clear[i] - ROUNDING:
            return False
    return True


@njit(cache=True, nogil=True)
def pair_pits(
    place: Floats, kind: Ints, shortest: float, longest: float, most_angle: float,
    walls: Edges, obstacles: Edges, sizes: Sizes,
) -> tuple[Ints, Ints, Floats, NDArray[np.bool_]]:  # fmt: skip
    """Legs of one chain: every pair of its pits whose chord stays inside and whose pits stand.

    Parameters
    ----------
    place : (pits, 7)
        Station along the chain, x, y, unit vector of the street's flow, height of the turn there
        (1 where headings are not looked at), and 1 where no pit is dug (a tie-in).
    kind : (pits,)
        `BOTTOM`, `ORDINARY` or `TOP`; pits ascend by station.
    shortest, longest
        Lengths of a leg. [m]
    most_angle
        Cosine of the greatest angle between a leg and the street at an ordinary pit.
    walls
        Edges that no leg crosses.
    obstacles
        What pits keep clear of.
    sizes
        Half sides of pits.

    Returns
    -------
    up, down : (legs,)
        Pits of each leg, sorted by the lower one.
    length : (legs,)
        Length. [m]
    upgrade, downgrade : (legs, 2)
        Whether its pits can stand when it is driven upgrade, and downgrade.
    """
    n = len(kind)
    up, down = np.empty(1024, np.int64), np.empty(1024, np.int64)
    length, ways = np.empty(1024), np.empty((1024, 2), np.bool_)
    m = 0
    chord = np.empty(4)
    disc = min(
        min(sizes.exit_length, sizes.exit_width), min(sizes.launch_length, sizes.launch_width)
    )
    alive = np.empty(n, np.bool_)
    for v in range(n):
        alive[v] = place[v, 6] == 1.0 or _stands_somehow(place[v, 1], place[v, 2], disc, obstacles)
    for v in range(n):
        if kind[v] == TOP or not alive[v]:
            continue
        for u in range(v + 1, n):
            if place[u, 0] - place[v, 0] > 1.6 * longest + 20.0:
                break
            if not alive[u] or kind[u] == BOTTOM or place[u, 0] <= place[v, 0]:
                continue
            dx, dy = place[v, 1] - place[u, 1], place[v, 2] - place[u, 2]
            d = math.hypot(dx, dy)
            if d < shortest or d > longest:
                continue
            dx, dy = dx / d, dy / d
            if place[u, 5] == 0.0 and dx * place[u, 3] + dy * place[u, 4] < most_angle:
                continue
            if place[v, 5] == 0.0 and dx * place[v, 3] + dy * place[v, 4] < most_angle:
                continue
            bare = place[v, 6] == 1.0
            xu, yu, xv, yv = place[u, 1], place[u, 2], place[v, 1], place[v, 2]
            upgrade = (
                not bare
                and _stands(xv, yv, dx, dy, sizes.launch_length, sizes.launch_width, obstacles)
                and _stands(xu, yu, dx, dy, sizes.exit_length, sizes.exit_width, obstacles)
            )
            downgrade = (
                bare or _stands(xv, yv, dx, dy, sizes.exit_length, sizes.exit_width, obstacles)
            ) and _stands(xu, yu, dx, dy, sizes.launch_length, sizes.launch_width, obstacles)
            if not (upgrade or downgrade):
                continue
            chord[0], chord[1], chord[2], chord[3] = xu, yu, xv, yv
            if not bare and not chord_is_free(
                chord, walls.segments, walls.frame, walls.start, walls.items, CHORD_STEP
            ):
                continue
            if m == len(up):
                up = np.concatenate((up, np.empty(m, np.int64)))
                down = np.concatenate((down, np.empty(m, np.int64)))
                length = np.concatenate((length, np.empty(m)))
                ways = np.concatenate((ways, np.empty((m, 2), np.bool_)))
            up[m], down[m], length[m] = u, v, d
            ways[m, 0], ways[m, 1] = upgrade, downgrade
            m += 1
    return up[:m], down[:m], length[:m], ways[:m]
