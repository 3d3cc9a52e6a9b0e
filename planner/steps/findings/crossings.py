"""Holds the works against each other: legs that cross, and pits in the way of legs and pits."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import shapely

from planner.kernels.clearance import pair_clearances
from planner.model import Floats
from planner.rules import required_clearance
from planner.steps.findings.finding import ROUNDING, Finding, finding
from planner.steps.findings.works import Works

OWN_KIND, OWN_QUALITY = "sewer", "A"  # where our own pipes lie is known


def crossing_findings(works: Works) -> Iterator[Finding]:
    """Legs that come too near to each other, and legs and pits that run through a pit."""
    if len(works.route.leg_up):
        yield from _legs_near_legs(works)
    yield from _pits_in_the_way(works)


def _legs_near_legs(works: Works) -> Iterator[Finding]:
    route, rules = works.route, works.rules
    required = required_clearance(rules, OWN_KIND, OWN_QUALITY)
    required += rules.number("grade_tolerance_mm") / 1000
    lines = works.lines
    reach = required + float(route.leg_bore.max())
    one, other = shapely.STRtree(lines).query(lines, predicate="dwithin", distance=reach)
    ends = np.column_stack([route.leg_up, route.leg_down])
    apart = (one < other) & ~(ends[one][:, :, None] == ends[other][:, None, :]).any(axis=(1, 2))
    one, other = one[apart].astype(np.int64), other[apart].astype(np.int64)
    bores = _bores(works)
    clearance, share = pair_clearances(bores, _as_pieces(bores), one, other)
    for a, b, gap, at in zip(one, other, clearance, share, strict=True):
        if gap < required - ROUNDING:
            row = finding(rules, "clearance_m", route.leg_id[a], gap, required)
            station = round(float(at) * float(route.leg_length[a]), 3)
            yield row | {"with": route.leg_id[b], "station_m": station}


def _bores(works: Works) -> Floats:
    """Axis of each bore from its lower to its upper end, and its radius, (legs, 7). [m]"""
    route, frame = works.route, works.frames["legs"]
    down = np.column_stack([route.pit_xy[route.leg_down], frame["bore_axis_down_m"]])
    up = np.column_stack([route.pit_xy[route.leg_up], frame["bore_axis_up_m"]])
    return np.ascontiguousarray(np.column_stack([down, up, route.leg_bore / 2]), float)


def _as_pieces(bores: Floats) -> Floats:
    """Bores as solid pieces that other bores are held against, (legs, 11)."""
    radius, closed = bores[:, 6], np.zeros((len(bores), 2))
    return np.ascontiguousarray(np.column_stack([bores[:, :6], radius, radius, radius, closed]))


def _pits_in_the_way(works: Works) -> Iterator[Finding]:
    """A pit that overlaps another pit, or that a leg of others runs into."""
    route, shapes = works.route, np.asarray(works.room.footprints, object)
    floor = works.frames["pits"]["floor_elev_m"].to_numpy(float)
    dug = route.pit_tie_in < 0
    if not dug.any():
        return
    tree = shapely.STRtree(shapes)
    limit = works.rules.number("pit_clearance_m")
    for one, other in zip(*tree.query(shapes, predicate="intersects"), strict=True):
        if one < other and dug[one] and dug[other] and _overlap(shapes[one], shapes[other]):
            row = finding(works.rules, "pit_clearance_m", route.pit_id[one], 0.0, limit)
            yield row | {"with": route.pit_id[other]}
    bores = _bores(works)
    legs, pits = tree.query(works.lines, predicate="intersects")
    for leg, pit in zip(legs.tolist(), pits.tolist(), strict=True):
        own = pit in {int(route.leg_up[leg]), int(route.leg_down[leg])}
        top = max(bores[leg, 2], bores[leg, 5]) + bores[leg, 6]
        if own or not dug[pit] or not top > floor[pit]:
            continue
        row = finding(works.rules, "pit_clearance_m", route.pit_id[pit], 0.0, limit)
        yield row | {"with": route.leg_id[leg]}


def _overlap(one: shapely.Geometry, other: shapely.Geometry) -> bool:
    return bool(shapely.area(shapely.intersection(one, other)) > ROUNDING)
