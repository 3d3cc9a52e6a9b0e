"""Holds legs and pits against where they may be: right of way, keep-outs, pavement, streets."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from planner.model import Floats
from planner.steps.findings.finding import Finding, finding
from planner.steps.findings.works import Works

CENTIMETRE = 0.01  # [m] legs and footprints stay inside to the centimetre
LEAVE_REACH = 30.0  # [m] the last leg may leave the right of way this near to its tie-in
SAMPLE = 0.5  # [m]
ALONG = 0.5  # a leg runs in a street that is the nearest one over more than this share of it
BESIDE = 0.1  # [m] streets as near as this to the nearest one are as near as it


def place_findings(works: Works) -> Iterator[Finding]:
    """Everything that stands where it may not."""
    yield from _outside(works)
    yield from _in_keep_outs(works)
    yield from _in_pavement(works)
    yield from _forbidden_streets(works)
    yield from _pits_without_ground(works)


def _pits(works: Works) -> list[tuple[str, BaseGeometry]]:
    """Name and footprint of every pit that is dug in the open."""
    route = works.route
    return [
        (name, shape)
        for name, shape, tie_in in zip(
            route.pit_id, works.room.footprints, route.pit_tie_in, strict=True
        )
        if tie_in < 0
    ]


def _outside(works: Works) -> Iterator[Finding]:
    """Legs and footprints that leave the right of way; the way to a tie-in may near it."""
    room = works.room.right_of_way.buffer(CENTIMETRE)
    shapely.prepare(room)
    route = works.route
    for leg, line in enumerate(works.lines):
        if shapely.covers(room, line):
            continue
        outside = shapely.difference(line, room)
        if route.pit_tie_in[route.leg_down[leg]] >= 0:
            end = route.pit_xy[route.leg_down[leg]]
            if (
                np.hypot(*(shapely.get_coordinates(outside) - end).T).max()
                <= LEAVE_REACH + CENTIMETRE
            ):
                continue
        yield from _out(works, route.leg_id[leg], outside)
    for name, shape in _pits(works):
        if not shapely.covers(room, shape):
            yield from _out(works, name, shapely.difference(shape, room))


def _out(works: Works, name: str, outside: BaseGeometry) -> Iterator[Finding]:
    """How far something reaches beyond the edge of the right of way."""
    if outside.is_empty:
        return
    points = shapely.points(shapely.get_coordinates(shapely.segmentize(outside, SAMPLE)))
    far = float(shapely.distance(points, works.room.right_of_way).max())
    if far > CENTIMETRE:
        yield finding(works.rules, "right_of_way", name, far, 0.0)


def _in_keep_outs(works: Works) -> Iterator[Finding]:
    """Legs, footprints and connections in areas that are kept out of."""
    route, houses = works.route, works.frames["connections"]
    served = houses[houses["served"].astype(bool)]
    placed = {
        "legs": list(zip(route.leg_id, works.lines, strict=True)),
        "pits": _pits(works),
        "connections": list(zip(served["connection_id"], served.geometry, strict=True)),
    }
    layer = works.site.keep_out
    for area, applies, until, reason in zip(
        layer.geometry, layer["applies_to"], layer["until"], layer["reason"], strict=True
    ):
        if not works.room.in_force(str(until)):
            continue
        words = {word.strip() for word in str(applies).split(",")} if applies else set(placed)
        inner = area.buffer(-CENTIMETRE)
        for what in sorted(words & set(placed)):
            for name, shape in placed[what]:
                yield from _inside(works, (inner, str(reason)), str(name), shape)


def _inside(
    works: Works, area: tuple[BaseGeometry, str], name: str, shape: BaseGeometry
) -> Iterator[Finding]:
    """How much of something lies in an area: metres of a line, the width of a footprint."""
    if not shapely.intersects(area[0], shape):
        return
    part = shapely.intersection(area[0], shape)
    long = part.length if part.area == 0 else float(np.sqrt(part.area))
    if long > CENTIMETRE:
        row = finding(works.rules, "keep_out", name, long, 0.0)
        yield row | ({"with": area[1]} if area[1] else {})


def _in_pavement(works: Works) -> Iterator[Finding]:
    """Pits in a street or zone whose pavement may not be cut yet."""
    streets, zones = works.site.streets, works.site.zones
    until = streets["no_cut_until"].astype(str).tolist()
    for pit, (name, tie_in) in enumerate(
        zip(works.route.pit_id, works.route.pit_tie_in, strict=True)
    ):
        if tie_in >= 0:
            continue
        days = [until[row] for row in _streets_at(works, pit)]
        if days and all(day and works.room.in_force(day) for day in days):
            yield _uncut(
                works, name, min(days), str(streets["street"].iloc[works.room.street[pit]])
            )
        for shape, day, why in zip(
            zones.geometry, zones["no_cut_until"].astype(str), zones["reason"], strict=True
        ):
            inner = shape.buffer(-CENTIMETRE)
            if day and works.room.in_force(day) and inner.intersects(works.room.footprints[pit]):
                yield _uncut(works, name, day, str(why))


def _streets_at(works: Works, pit: int) -> list[int]:
    """Rows of the street that a pit stands in, and of those that are as near to it."""
    own = int(works.room.street[pit])
    if own < 0:
        return []
    lines = np.asarray(works.site.streets.geometry.array)
    away = shapely.distance(shapely.Point(works.route.pit_xy[pit]), lines)
    return [int(row) for row in np.flatnonzero(away <= away[own] + BESIDE)]


def _uncut(works: Works, name: str, day: str, where: str) -> Finding:
    row = finding(works.rules, "no_cut_until", name, 0.0, 0.0)
    dated = {"value": works.site.project.date or None, "limit": day}
    return row | dated | ({"with": where} if where else {})


def _forbidden_streets(works: Works) -> Iterator[Finding]:
    """Legs along a street in which no sewer may lie."""
    streets = works.site.streets
    forbidden = (streets["sewer"] == "forbidden").to_numpy(bool)
    if not forbidden.any():
        return
    tree = shapely.STRtree(np.asarray(streets.geometry.array))
    for leg, line in enumerate(works.lines):
        points = shapely.points(_along(line))
        near = forbidden[tree.nearest(points)]
        if near.mean() > ALONG:
            row = finding(
                works.rules, "forbidden_street", works.route.leg_id[leg],
                near.mean() * line.length, 0.0,
            )  # fmt: skip
            street = streets["street"].iloc[int(tree.nearest(points[near][0]))]
            yield row | {"with": str(street)}


def _along(line: BaseGeometry) -> Floats:
    return np.asarray(shapely.get_coordinates(shapely.segmentize(line, SAMPLE * 4)))


def _pits_without_ground(works: Works) -> Iterator[Finding]:
    for name, ground in zip(works.route.pit_id, works.route.pit_ground, strict=True):
        if np.isnan(ground):
            yield finding(works.rules, "ground_nodata", name, 1.0, 0.0)
