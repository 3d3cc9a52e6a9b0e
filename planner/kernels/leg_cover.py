"""Highest inverts of legs that keep their cover, and lowest that are not too deep."""

from __future__ import annotations

import itertools
import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import inner, spliced
from planner.kernels.ground import sample_ground
from planner.kernels.hull import even_hull
from planner.kernels.leg_records import Bore, GroundCells, Zones
from planner.kernels.plane import in_ring

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

COVER_STEP = 0.5  # [m] the ground is sampled at least this closely along a leg


class Room(NamedTuple):
    """Room for work on one leg after the other, as long as a leg has points."""

    level: Floats
    bent: Floats
    kept: Ints
    ahead: Ints


def make_room(longest: float) -> Room:
    """Room for legs up to a length. [m]"""
    n = math.ceil(longest / COVER_STEP) + 2
    return Room(np.empty(n), np.empty(n), np.empty(n, np.int64), np.empty(n, np.int64))


def sample_any(ends: Floats, count: int, ground: GroundCells, level: Floats) -> bool:
    """Sample the ground along any leg at even distances, both ends included.

    Parameters
    ----------
    ends : (4,)
        The leg. [m]
    count
        Number of pieces that the samples divide it into.
    ground
        The ground.
    level : (at least count + 1,)
        Receives the elevations. [m]

    Returns
    -------
    Whether there is ground everywhere.
    """
    f = np.arange(count + 1) / count
    x, y = ends[0] + f * (ends[2] - ends[0]), ends[1] + f * (ends[3] - ends[1])
    level[: count + 1] = sample_ground(
        ground.values, ground.x0, ground.y0, ground.step, ground.col, ground.row, x, y
    )
    return not np.isnan(level[: count + 1]).any()


def box_zones(zones: Zones) -> Floats:
    """Lowest and highest x and y of each zone, (zones, 4). [m]"""
    spans = itertools.pairwise(zones.ring_start.tolist())
    rings = [zones.xy[first:end] for first, end in spans]
    boxes = [[ring.min(axis=0), ring.max(axis=0)] for ring in rings]
    return np.array(boxes, float).reshape(-1, 4)


@inner
def _lower_in_zones(
    ends: Floats, count: int, bore: Bore, zones: Zones, boxes: Floats, bent: Floats
) -> bool:
    """Take from the heights in ``bent`` what zones ask for beyond the usual; False if nothing."""
    found = False
    x_low, x_high = min(ends[0], ends[2]), max(ends[0], ends[2])
    y_low, y_high = min(ends[1], ends[3]), max(ends[1], ends[3])
    usual = over_invert(bore, bore.cover, bore.frost)
    for z in range(len(boxes)):
        if x_low > boxes[z, 2] or x_high < boxes[z, 0]:
            continue
        if y_low > boxes[z, 3] or y_high < boxes[z, 1]:
            continue
        found = True
    if not found:
        return False
    for i in range(count + 1):
        f = i / count
        x, y = ends[0] + f * (ends[2] - ends[0]), ends[1] + f * (ends[3] - ends[1])
        cover, frost = bore.cover, bore.frost
        for z in range(len(boxes)):
            if in_ring(x, y, zones.xy[zones.ring_start[z] : zones.ring_start[z + 1]]):
                cover, frost = max(cover, zones.cover[z]), max(frost, zones.frost[z])
        bent[i] -= over_invert(bore, cover, frost) - usual
    return True


@inner
def over_invert(bore: Bore, cover: float, frost: float) -> float:
    """Least height of the ground over the invert. [m]"""
    wall = (bore.outside - bore.inside) / 2.0
    return max(cover + max(bore.bore, bore.outside) - wall, frost + bore.outside - wall)


@spliced
def cover_rows(
    ends: Floats, count: int, bore: Bore, zones: Zones, boxes: Floats, room: Room,
    t: Floats, h: Floats,
) -> int:  # fmt: skip
    """Highest inverts that keep the cover of a leg all along, as a lower hull.

    Parameters
    ----------
    ends : (4,)
        The leg. [m]
    count
        Number of pieces that its samples divide it into.
    bore, zones, boxes
        What is laid, and where it wants more cover; ``boxes`` as `box_zones` makes them.
    room
        Holds the samples.
    t, h : (enough,)
        Receive the hull's points: place along the leg and invert. [m]

    Returns
    -------
    Number of points.
    """
    heights = room.level
    if len(boxes) > 0:
        for i in range(count + 1):
            room.bent[i] = room.level[i]
        if _lower_in_zones(ends, count, bore, zones, boxes, room.bent):
            heights = room.bent
    n = even_hull(heights, count + 1, room.kept, room.ahead)
    need = over_invert(bore, bore.cover, bore.frost)
    for k in range(n):
        t[k], h[k] = room.kept[k] / count, heights[room.kept[k]] - need
    return n


@spliced
def depth_rows(count: int, deepest: float, room: Room, t: Floats, h: Floats) -> int:
    """Lowest inverts that are no deeper than they may be all along, as an upper hull.

    Parameters
    ----------
    count
        Number of pieces that the leg's samples divide it into.
    deepest
        Greatest depth from the ground to the invert. [m]
    room
        Holds the samples.
    t, h : (enough,)
        Receive the hull's points: place along the leg and invert. [m]

    Returns
    -------
    Number of points.
    """
    for i in range(count + 1):
        room.bent[i] = -room.level[i]
    n = even_hull(room.bent, count + 1, room.kept, room.ahead)
    for k in range(n):
        t[k], h[k] = room.kept[k] / count, room.level[room.kept[k]] - deepest
    return n
