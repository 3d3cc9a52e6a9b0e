"""Pairs of candidate pits that a straight leg can join, and whether its pits can stand there."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import inner, leaf
from planner.kernels.plane import (
    box_segment_distance,
    cell_of,
    chord_is_free,
    point_segment_distance,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ROUNDING = 1e-6  # [m]
CHORD_STEP = 5.0  # [m] between the places of a chord at which the grid of edges is asked
FIRST_ROOM = 1 << 16  # legs
BOTTOM, ORDINARY, TOP = 0, 1, 2  # pits at a chain's lower end, along it and at its upper end
MOST_LEAN = math.radians(
    60.0
)  # legs leave the direction of their street by less; at turns by anything


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


@inner
def _find_near(
    x: float, y: float, sizes: Sizes, obstacles: Edges, near: Floats, n: int
) -> tuple[int, bool]:
    """Add the obstacles that decide which way a pit can be turned at a place, seen from there.

    Returns their new number, and whether the disc that every pit holds stands free.
    """
    disc = min(
        min(sizes.exit_length, sizes.exit_width), min(sizes.launch_length, sizes.launch_width)
    )
    corner = max(
        math.hypot(sizes.exit_length, sizes.exit_width),
        math.hypot(sizes.launch_length, sizes.launch_width),
    )
    k = cell_of(obstacles.frame, x, y)
    if k < 0:
        return n, True
    for j in range(obstacles.start[k], obstacles.start[k + 1]):
        i = obstacles.items[j]
        s, clear = obstacles.segments[i], obstacles.clear[i]
        d, _ = point_segment_distance(x, y, s[0], s[1], s[2], s[3])
        if d < disc + clear - ROUNDING:
            return n, False
        if d <= corner + clear:
            near[n, 0], near[n, 1] = s[0] - x, s[1] - y
            near[n, 2], near[n, 3], near[n, 4] = s[2] - x, s[3] - y, clear
            n += 1
    return n, True


@inner
def _stands(near: Floats, start: Ints, pit: int, ux: float, uy: float, a: float, b: float) -> bool:
    """Whether a pit of half sides a, b along and across a direction comes too near to nothing."""
    for j in range(start[pit], start[pit + 1]):
        x0, y0, x1, y1, clear = near[j, 0], near[j, 1], near[j, 2], near[j, 3], near[j, 4]
        p0, p1, q0, q1 = x0 * ux + y0 * uy, x1 * ux + y1 * uy, y0 * ux - x0 * uy, y1 * ux - x1 * uy
        along, aside = a + clear, b + clear
        if min(p0, p1) > along or max(p0, p1) < -along or min(q0, q1) > aside:
            continue
        if max(q0, q1) < -aside:
            continue
        d = box_segment_distance(p0, q0, p1, q1, a, b)
        if d <= 0.0 or d < clear - ROUNDING:
            return False
    return True


@inner
def _ways(
    near: Floats, start: Ints, v: int, u: int, ux: float, uy: float, bare: float, sizes: Sizes
) -> tuple[bool, bool]:
    """Whether the pits of a leg stand when it is driven upgrade from v, and downgrade from u.

    No pit is dug at v where bare is 1: nothing is launched there.
    """
    p, q, r, s = sizes.launch_length, sizes.launch_width, sizes.exit_length, sizes.exit_width
    held = r <= p and s <= q  # where a launch pit stands, so does an exit pit
    low_launch = bare != 1.0 and _stands(near, start, v, ux, uy, p, q)
    low_exit = bare == 1.0 or (held and low_launch) or _stands(near, start, v, ux, uy, r, s)
    if not (low_launch or low_exit):
        return False, False
    up_launch = _stands(near, start, u, ux, uy, p, q)
    up_exit = (held and up_launch) or _stands(near, start, u, ux, uy, r, s)
    return low_launch and up_exit, low_exit and up_launch


@leaf
def _count_near(place: Floats, obstacles: Edges) -> int:
    """How many obstacles the cells of all places list."""
    n = 0
    for v in range(len(place)):
        k = cell_of(obstacles.frame, place[v, 1], place[v, 2])
        if k >= 0:
            n += obstacles.start[k + 1] - obstacles.start[k]
    return n


@leaf
def _stand_somehow(
    place: Floats, sizes: Sizes, obstacles: Edges, at: Ints, near: Floats, start: Ints
) -> int:
    """Find the places where a pit can stand at all; returns how many there are.

    Of each the obstacles that decide which way it can be turned are written too.
    """
    n = 0
    for v in range(len(place)):
        m, stands = start[n], True
        if place[v, 6] != 1.0:
            m, stands = _find_near(place[v, 1], place[v, 2], sizes, obstacles, near, m)
        if stands:
            at[n] = v
            n += 1
            start[n] = m
    return n


class _Legs(NamedTuple):
    """Legs so far, with room for more; see `pair_pits`."""

    up: Ints
    down: Ints
    length: Floats
    ways: NDArray[np.bool_]
    chord: Floats  # (4,) room for the one that is looked at


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
    at, start = np.empty(len(place), np.int64), np.zeros(len(place) + 1, np.int64)
    near = np.empty((_count_near(place, obstacles), 5))
    at = at[: _stand_somehow(place, sizes, obstacles, at, near, start)]
    done, legs = np.zeros(2, np.int64), _room(max(len(at), min(len(at) ** 2 // 2, FIRST_ROOM)))
    while True:
        _pair_on(
            done, place, kind, at, near, start, (shortest, longest, most_angle), walls, sizes, legs
        )
        if done[0] == len(at):
            up, down, length, ways = legs.up, legs.down, legs.length, legs.ways
            n = done[1]
            return up[:n].copy(), down[:n].copy(), length[:n].copy(), ways[:n].copy()
        legs = _more_room(legs, len(legs.up) + len(at))


def _room(legs: int) -> _Legs:
    return _Legs(
        np.empty(legs, np.int64), np.empty(legs, np.int64), np.empty(legs),
        np.empty((legs, 2), np.bool_), np.empty(4),
    )  # fmt: skip


def _more_room(legs: _Legs, count: int) -> _Legs:
    more = _room(count)
    return _Legs(
        np.concatenate([legs.up, more.up]), np.concatenate([legs.down, more.down]),
        np.concatenate([legs.length, more.length]), np.concatenate([legs.ways, more.ways]),
        legs.chord,
    )  # fmt: skip


@leaf
def _pair_on(
    done: Ints, place: Floats, kind: Ints, at: Ints, near: Floats, start: Ints,
    limits: tuple[float, float, float], walls: Edges, sizes: Sizes, legs: _Legs,
) -> None:  # fmt: skip
    """Find the legs into one pit after the other, while there is room for those into the next.

    ``done`` holds the pit that comes next, and the number of legs that are found.
    """
    shortest, longest, most_angle = limits
    up, down, length, ways, chord = legs
    m = done[1]
    for i in range(done[0], len(at)):
        if m + len(at) - i > len(up):
            break
        v = at[i]
        sv, xv, yv, bare = place[v, 0], place[v, 1], place[v, 2], place[v, 6]
        for j in range(i + 1, len(at)):
            u = at[j]
            if kind[v] == TOP or place[u, 0] - sv > 1.6 * longest + 20.0:
                break
            dx, dy = xv - place[u, 1], yv - place[u, 2]
            square = dx * dx + dy * dy
            if square > (longest + ROUNDING) ** 2 or kind[u] == BOTTOM or place[u, 0] <= sv:
                continue
            d = math.hypot(dx, dy)
            if d < shortest or d > longest:
                continue
            dx, dy = dx / d, dy / d
            if place[u, 5] == 0.0 and dx * place[u, 3] + dy * place[u, 4] < most_angle:
                continue
            if place[v, 5] == 0.0 and dx * place[v, 3] + dy * place[v, 4] < most_angle:
                continue
            upgrade, downgrade = _ways(near, start, i, j, dx, dy, bare, sizes)
            if not (upgrade or downgrade):
                continue
            chord[0], chord[1], chord[2], chord[3] = place[u, 1], place[u, 2], xv, yv
            if bare != 1.0 and not chord_is_free(
                chord, walls.segments, walls.frame, walls.start, walls.items, CHORD_STEP
            ):
                continue
            up[m], down[m], length[m] = u, v, d
            ways[m, 0], ways[m, 1] = upgrade, downgrade
            m += 1
        done[0], done[1] = i + 1, m
