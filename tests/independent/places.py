"""Where legs and pits stand: right of way, footprints, depths, keep-outs."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tests.independent.figures import FLOOR_BELOW
from tests.independent.ground import Floats
from tests.independent.levels import CENTIMETRE, MILLIMETRE, SLACK, ends
from tests.independent.reading import text
from tests.independent.records import RECORD, Case, Finding


def tie_in_ids(case: Case) -> set[str]:
    """Pits that are existing manholes."""
    return set(case.pits.loc[case.pits["kind"] == "tie-in", "pit_id"])


def legs_at(case: Case, pit_id: str) -> list[Any]:
    """Legs that begin or end at a pit."""
    at = (case.legs["up_pit"] == pit_id) | (case.legs["down_pit"] == pit_id)
    return list(case.legs[at].itertuples())


def check_right_of_way(case: Case) -> Iterator[Finding]:
    """Legs and footprints stay in the right of way; only the way to a tie-in may leave it."""
    allowed = case.right_of_way.buffer(CENTIMETRE)
    existing = tie_in_ids(case)
    for leg in case.legs.itertuples():
        outside = leg.geometry.difference(allowed).length
        if outside > SLACK and leg.down_pit not in existing:
            yield Finding("right_of_way", leg.leg_id, outside, 0.0)
    for pit in case.footprints.itertuples():
        outside = pit.geometry.difference(allowed).area
        if outside > SLACK and pit.pit_id not in existing:
            yield Finding("right_of_way", pit.pit_id, outside, 0.0)


def check_footprints(case: Case) -> Iterator[Finding]:
    """Every pit has one footprint, long and wide enough for its drives."""
    for pit in case.pits[case.pits["kind"] == "pit"].itertuples():
        shapes = case.footprints[case.footprints["pit_id"] == pit.pit_id]
        if len(shapes) != 1:
            yield Finding("one_footprint", pit.pit_id, len(shapes), 1, RECORD)
            continue
        shape = shapes.geometry.iloc[0]
        if not shape.buffer(MILLIMETRE).covers(pit.geometry):
            yield Finding("footprint_holds_pit", pit.pit_id, "outside", "inside", RECORD)
        for leg in legs_at(case, pit.pit_id):
            yield from _room_for(case, leg, pit.pit_id, shape)


def _room_for(case: Case, leg: Any, pit_id: str, shape: BaseGeometry) -> Iterator[Finding]:
    kind = "launch" if leg.launch_pit == pit_id else "exit"
    shoring = 2 * case.rules.machine("shoring_m")
    length = case.rules.machine(f"{kind}_pit_length_m") + shoring
    width = case.rules.machine(f"{kind}_pit_width_m") + shoring
    up, down = ends(leg)
    along, across = extents(shape, down - up)
    if along < length - CENTIMETRE or across < width - CENTIMETRE:
        yield Finding("footprint_size", pit_id, (along, across), (length, width), RECORD)


def extents(shape: BaseGeometry, way: Floats) -> tuple[float, float]:
    """Extent of a polygon along a direction and across it. [m]"""
    unit = way / np.hypot(*way)
    points = np.asarray(shape.convex_hull.exterior.coords)[:, :2]
    spread = np.ptp(points @ np.column_stack([unit, [-unit[1], unit[0]]]), axis=0)
    return float(spread[0]), float(spread[1])


def check_floors(case: Case) -> Iterator[Finding]:
    """Floors lie below the lowest invert; depth is ground to floor and within its limit."""
    most = case.rules.number("max_depth_m")
    for pit in case.pits[case.pits["kind"] == "pit"].itertuples():
        legs = legs_at(case, pit.pit_id)
        inverts = [g.invert_up_m if g.up_pit == pit.pit_id else g.invert_down_m for g in legs]
        launches = sum(leg.launch_pit == pit.pit_id for leg in legs)
        below = FLOOR_BELOW["launch" if launches else "exit"]
        ground = float(case.place.ground(pit.geometry.x, pit.geometry.y))
        floor = min(inverts, default=float("nan")) - below
        yield from _compare(pit, "floor_elev_m", floor, MILLIMETRE)
        yield from _compare(pit, "ground_elev_m", ground, CENTIMETRE)
        yield from _compare(pit, "depth_m", ground - floor, CENTIMETRE)
        yield from _compare(pit, "launches", launches, 0.5)
        yield from _compare(pit, "receives", len(legs) - launches, 0.5)
        if ground - floor > most + MILLIMETRE:
            yield Finding("max_depth_m", pit.pit_id, ground - floor, most)


def _compare(pit: Any, column: str, ours: float, slack: float) -> Iterator[Finding]:
    written = getattr(pit, column)
    if not abs(written - ours) <= slack:
        yield Finding(column, pit.pit_id, written, ours, RECORD)


def check_pit_volumes(case: Case) -> Iterator[Finding]:
    """A footprint's depth is its pit's, its volume is area times depth."""
    depths = dict(zip(case.pits["pit_id"], case.pits["depth_m"], strict=True))
    existing = tie_in_ids(case)
    for pit in case.footprints.itertuples():
        if pit.pit_id in existing:
            continue
        if not abs(pit.depth_m - depths.get(pit.pit_id, float("nan"))) < CENTIMETRE:
            yield Finding("footprint_depth", pit.pit_id, pit.depth_m, depths, RECORD)
        volume = Polygon(pit.geometry.exterior).area * pit.depth_m
        if not abs(pit.volume_m3 - volume) < 0.01 * volume + 0.05:
            yield Finding("volume_m3", pit.pit_id, pit.volume_m3, volume, RECORD)


def check_keep_outs(case: Case) -> Iterator[Finding]:
    """Nothing stands in a keep-out that applies to it."""
    placed = {
        "pits": case.footprints[["pit_id", "geometry"]],
        "legs": case.legs[["leg_id", "geometry"]],
        "connections": _served(case)[["connection_id", "geometry"]],
    }
    for _, area in case.keep_out.iterrows():
        named = text(area, "applies_to")
        words = {word.strip() for word in named.split(",")} if named else set(placed)
        if _over(case, text(area, "until")):
            continue
        for subject in words & set(placed):
            for name, shape in placed[subject].itertuples(index=False):
                if area.geometry.buffer(-CENTIMETRE).intersects(shape):
                    yield Finding("keep_out", str(name), text(area, "reason"), "outside")


def _served(case: Case) -> Any:
    return case.connections[case.connections["served"].astype(bool)]


def _over(case: Case, until: str) -> bool:
    start = str(case.project["project"].get("start_date", ""))
    return bool(until and start and until[:10] < start[:10])
