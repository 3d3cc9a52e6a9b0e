"""What a leg may do, as rows over its two inverts: upper rows and forbidden bands."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import leaf, whole
from planner.kernels.ground import plane_of_mesh, sample_line
from planner.kernels.leg_bound import (
    STEEPER,
    Bound,
    Points,
    Work,
    add_band,
    copy_points,
    make_bound,
    make_work,
    more_room,
    write_rows,
)
from planner.kernels.leg_cover import (
    COVER_STEP,
    Room,
    box_zones,
    cover_rows,
    depth_rows,
    make_room,
    sample_any,
)
from planner.kernels.leg_houses import house_rows
from planner.kernels.leg_meets import bind_deep, lower_to_met, meet_services
from planner.kernels.leg_records import (
    Bore,
    GroundCells,
    Houses,
    LegEnds,
    Runs,
    Water,
    Zones,
)
from planner.kernels.leg_services import MOST
from planner.kernels.run_pieces import SLACK, Pieces, find_pieces, pieces_near

__all__ = [
    "SLACK",
    "Bore",
    "GroundCells",
    "Houses",
    "LegEnds",
    "Runs",
    "Water",
    "Zones",
    "bind_legs",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

POINTS = 3 * (MOST + 1)  # most points of a piece of a service, besides those of its profile


NO_GROUND, GROUND = 1, 2  # what is known of a leg's ground before it is bound; 0 for nothing
DONE, NEEDS_GROUND, NEEDS_ROOM = 0, 1, 2  # why binding stops


@leaf
def _bind_on(
    progress: Ints, legs: LegEnds, values: Floats, plane: Floats, bore: Bore, zones: Zones,
    boxes: Floats, houses: Houses, step: float, pieces: Pieces, at: Floats, z: Floats, room: Room,
    work: Work, points: Points, bound: Bound,
) -> int:  # fmt: skip
    """Bind one leg after the other until all are bound or something is missing.

    ``progress`` holds the leg that comes next and what is known of its ground. Returns what that
    leg needs.
    """
    i, known = progress[0], progress[1]
    to_axis = bore.bore / 2.0 - (bore.outside - bore.inside) / 2.0
    ends, t, h, table, ints = work.ends, work.t, work.h, pieces.table, pieces.ints
    while i < len(legs.length):
        length, rows, n_bands = legs.length[i], bound.row_start[i], bound.band_start[i]
        fall = bore.steepest * length + STEEPER * step
        for k in range(4):
            ends[k] = legs.ends[i, k]
        count = max(1, math.ceil(length / COVER_STEP))
        if known == 0 and not sample_line(values, plane, ends, count, room.level):
            progress[0] = i
            return NEEDS_GROUND
        t[0], h[0], n = 0.0, -np.inf, whole(1)
        if known != NO_GROUND:
            n = cover_rows(ends, count, bore, zones, boxes, room, t, h)
            cover_n = copy_points(t, h, n, work.cover_t, work.cover_h, 0)
            if bore.deepest < np.inf:  # a band that can only be passed above
                m = depth_rows(count, bore.deepest, room, points.t_high, points.high)
                points.t[0], points.low[0], below = 0.0, -np.inf, whole(1)
                if not add_band(bound, n_bands, points, below, m, fall):
                    progress[0] = i
                    return NEEDS_ROOM
                n_bands += 1
            n = house_rows(
                ends, length, (legs.serves_from[i], legs.serves_to[i]), houses, bore.inside, step,
                t, h, n,
            )  # fmt: skip
            found = pieces_near(ends, length, pieces, work.near, work.is_near)
            n, noted = meet_services(
                ends, length, legs.tie_in[i], to_axis, table, ints, at, z, work.cover_t,
                work.cover_h, cover_n, t, h, n, work.near, found, work.shallow, i, work.met,
            )  # fmt: skip
            n, kept = lower_to_met(
                ends, fall, to_axis, table, ints, at, z, work.met, noted, work.shallow, i, points,
                t, h, n, work.deep,
            )  # fmt: skip
            n, n_bands = bind_deep(
                length, fall, to_axis, pieces, at, z, work, points, bound, cover_n, n, kept, n_bands
            )
        if n_bands < 0 or rows + n > len(bound.row_t):
            progress[0] = i
            return NEEDS_ROOM
        bound.row_start[i + 1] = write_rows(t, h, n, bound, rows, fall)
        bound.band_start[i + 1] = n_bands
        known = 0
        i += 1
    return DONE


def bind_legs(
    legs: LegEnds, ground: GroundCells, bore: Bore, runs: Runs, zones: Zones, houses: Houses,
    water: Water, step: float,
) -> tuple[Ints, Floats, Floats, Ints, Ints, Ints, Floats, Floats]:  # fmt: skip
    """Rows over the two inverts of every leg of a chain.

    With z the invert at the upper end, w at the lower and t the fraction along, an upper row asks
    for ``(1 - t) z + t w <= h``. A band asks that either all its lower rows hold in that form, or
    all its upper rows in the other (``>= h``): below a service or above it.

    Parameters
    ----------
    legs, ground, bore, runs, zones, houses, water
        The legs and what they meet.
    step
        Step of the grid of levels. [m]

    Returns
    -------
    row_start : (legs + 1,)
        Where each leg's rows begin; a leg over no ground has one row that nothing can hold.
    row_t, row_h : (rows,)
        Place and highest invert. [levels]
    band_start : (legs + 1,)
        Where each leg's bands begin.
    band_low, band_high : (bands + 1,)
        Where each band's rows below and above begin in ``band_t`` and ``band_h``; the rows above
        of band b end where the rows below of band b + 1 begin.
    band_t, band_h : (band rows,)
        Place and invert. [levels]
    """
    n, bound = len(legs.length), make_bound(len(legs.length), step)
    longest = float(legs.length.max(initial=0.0))
    services = int(runs.service.max(initial=-1)) + 1
    plane = plane_of_mesh(ground.x0, ground.y0, ground.step, ground.col, ground.row)
    boxes, room, pieces = box_zones(zones), make_room(longest), find_pieces(legs, runs, bore, water)
    at, z = runs.profile_at, runs.profile_z
    most = len(room.level) + len(at) + len(houses.station) + POINTS * len(pieces.ints)
    work = make_work(pieces, services, most)
    points = Points(np.empty(most), np.empty(most), np.empty(most), np.empty(most))
    progress, state = np.zeros(2, np.int64), NEEDS_ROOM
    while state != DONE:
        state = _bind_on(
            progress, legs, ground.values, plane, bore, zones, boxes, houses, step, pieces, at, z,
            room, work, points, bound,
        )  # fmt: skip
        progress[1] = 0
        if state == NEEDS_GROUND:
            count = max(1, math.ceil(float(legs.length[progress[0]]) / COVER_STEP))
            found = sample_any(work.ends, count, ground, room.level)
            progress[1] = GROUND if found else NO_GROUND
        elif state == NEEDS_ROOM:
            bound = more_room(bound, most)
    rows, bands = bound.row_start[n], bound.band_start[n]
    end = bound.band_low[bands]
    return (
        bound.row_start, bound.row_t[:rows], bound.row_h[:rows], bound.band_start,
        bound.band_low[: bands + 1], bound.band_high[: bands + 1], bound.band_t[:end],
        bound.band_h[:end],
    )  # fmt: skip
