"""House connections: one a property, long, steep, low and high enough, and joined to a sewer."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from shapely.geometry.base import BaseGeometry

from tests.independent.levels import CENTIMETRE, SLACK, ends
from tests.independent.network import inlets
from tests.independent.reading import number, text
from tests.independent.records import RECORD, Case, Finding

WORDS = ("floor too low", "no street", "too far", "no tie-in", "capacity", "ground", "blocked")
METHODS = {"bored from pit", "shaft and saddle", "short trench"}
MANHOLE = 0.75  # [m] a connection into a manhole ends within its wall
JOINS = 0.02  # [m] one on a leg ends on its line


@dataclass(frozen=True)
class Joint:
    """Where a connection meets a sewer: the sewer's invert and inside diameter there."""

    invert: float
    inside: float
    apart: float


def check_one_each(case: Case) -> Iterator[Finding]:
    """Every property has exactly one row, and those not served have a reason with a figure."""
    named = list(case.connections["property_id"])
    for _, row in case.properties.iterrows():
        name = text(row, "property_id")
        if name and named.count(name) != 1:
            yield Finding("one_connection", name, named.count(name), 1, RECORD)
    if len(named) != len(case.properties):
        yield Finding("connections", "plan", len(named), len(case.properties), RECORD)
    for row in case.connections.itertuples():
        why = row.why_not if isinstance(row.why_not, str) else ""
        if row.served and why:
            yield Finding("why_not", row.property_id, why, "nothing", RECORD)
        if not row.served and not why.startswith(WORDS):
            yield Finding("why_not", row.property_id, why, WORDS, RECORD)
        if not row.served and not any(sign.isdigit() for sign in why):
            yield Finding("why_not_figure", row.property_id, why, "a figure", RECORD)


def check_connections(case: Case) -> Iterator[Finding]:
    """The rules of every connection that is served."""
    owners = {text(row, "property_id"): row for _, row in case.properties.iterrows()}
    for row in case.connections[case.connections["served"].astype(bool)].itertuples():
        joint = find_joint(case, row)
        owner = owners.get(row.property_id)
        if joint is None:
            yield Finding("joins", row.connection_id, row.joins, "a leg or pit", RECORD)
            continue
        if owner is None:
            continue
        yield from _line(case, row, owner.geometry)
        yield from _levels(case, row, owner, joint)
        yield from _joint(case, row, joint)


def find_joint(case: Case, row: Any) -> Joint | None:
    """The leg or pit that a connection joins."""
    end = np.asarray(row.geometry.coords)[-1, :2]
    for leg in case.legs[case.legs["leg_id"] == row.joins].itertuples():
        up, down = ends(leg)
        way = down - up
        share = float(np.clip((end - up) @ way / (way @ way), 0, 1))
        invert = leg.invert_up_m + share * (leg.invert_down_m - leg.invert_up_m)
        apart = float(np.hypot(*(end - up - share * way)))
        return Joint(invert, leg.inside_diameter_mm / 1000, apart)
    for pit in case.pits[case.pits["pit_id"] == row.joins].itertuples():
        below = case.legs[case.legs["up_pit"] == pit.pit_id]
        inside = float(below["inside_diameter_mm"].max()) / 1000 if len(below) else 0.0
        apart = float(np.hypot(end[0] - pit.geometry.x, end[1] - pit.geometry.y))
        return Joint(pit.invert_elev_m, inside, max(apart - MANHOLE, 0.0))
    return None


def _line(case: Case, row: Any, owner: BaseGeometry) -> Iterator[Finding]:
    points = np.asarray(row.geometry.coords)[:, :2]
    length = float(np.hypot(*np.diff(points, axis=0).T).sum())
    most = case.rules.number("connection_max_length_m")
    start = row.geometry.interpolate(0.0)
    if not abs(length - row.length_m) < CENTIMETRE:
        yield Finding("connection_length", row.connection_id, row.length_m, length, RECORD)
    if length > most + CENTIMETRE:
        yield Finding("connection_max_length_m", row.connection_id, length, most)
    if owner.distance(start) > 0.05:
        yield Finding("starts_at_property", row.connection_id, owner.distance(start), 0, RECORD)
    if row.method not in METHODS:
        yield Finding("method", row.connection_id, row.method, METHODS, RECORD)


def _levels(case: Case, row: Any, owner: Any, joint: Joint) -> Iterator[Finding]:
    fall = row.invert_property_m - row.invert_sewer_m
    slope = 100 * fall / row.length_m
    least = case.rules.connection_min_slope(row.diameter_mm)
    if slope < least - 1e-4:
        yield Finding("connection_min_slope_pct", row.connection_id, slope, least)
    if not abs(slope - row.slope_pct) < 0.006:
        yield Finding("connection_slope", row.connection_id, row.slope_pct, slope, RECORD)
    spot = owner.geometry.representative_point() if owner.geometry.area else owner.geometry
    floor = number(owner, "floor_elev_m", float(case.place.ground(spot.x, spot.y)))
    highest = floor - case.rules.number("connection_floor_drop_m")
    slack = SLACK if np.isfinite(number(owner, "floor_elev_m")) else CENTIMETRE
    if row.invert_property_m > highest + slack:
        yield Finding("connection_floor_drop_m", row.connection_id, row.invert_property_m, highest)
    lowest = joint.invert + joint.inside / 2
    if row.invert_sewer_m < lowest - 0.001:
        yield Finding("connection_entry", row.connection_id, row.invert_sewer_m, lowest)


def _joint(case: Case, row: Any, joint: Joint) -> Iterator[Finding]:
    if joint.apart > JOINS:
        yield Finding("join_on_sewer", row.connection_id, joint.apart, 0.0, RECORD)
    end = np.asarray(row.geometry.coords)[-1]
    depth = float(case.place.ground(end[0], end[1])) - row.invert_sewer_m
    if not abs(depth - row.depth_at_sewer_m) < 2 * CENTIMETRE:
        yield Finding("depth_at_sewer_m", row.connection_id, row.depth_at_sewer_m, depth, RECORD)
    at_pit = row.joins in set(case.pits["pit_id"])
    word = case.rules.changes.get(
        "connection_into_manhole",
        "allowed" if case.rules.rule_set == "eu-metric" else "end only",
    )
    if at_pit and word == "end only" and inlets(case, row.joins):
        yield Finding("connection_into_manhole", row.connection_id, row.joins, word)
