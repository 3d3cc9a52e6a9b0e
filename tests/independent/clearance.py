"""Clearances of legs, pits and connections to every service, against the table of conflicts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from tests.independent.ground import Floats
from tests.independent.levels import bore_axis
from tests.independent.places import tie_in_ids
from tests.independent.reading import number
from tests.independent.records import RECORD, Case, Finding
from tests.independent.services import Service, clearance, near

STRAIGHT = 0.006  # [m] two ways of sampling a straight service
FOLLOWING = 0.02  # [m] likewise one that follows rough ground
SHAPELESS = 0.03  # [m] a connection's outside is written nowhere, its nominal size is
PARALLEL = np.radians((3.0, 30.0))  # below, between, above: parallel, either, crossing
SMALL = frozenset({"clearance_m", "pit_clearance_m", "connection_clearance_m"})


@dataclass(frozen=True)
class Pair:
    """A subject and a service, how far apart they are, and how far they should be."""

    rule: str
    subject: str
    service: Service
    clearance: float
    least: float  # [m] required at least
    most: float  # [m] required at most, where parallel or crossing is a matter of taste

    @property
    def slack(self) -> float:
        """What two honest measurements may differ by. [m]"""
        slack = FOLLOWING if self.service.follows_ground else STRAIGHT
        return slack + (SHAPELESS if self.rule == "connection_clearance_m" else 0.0)


def check_clearances(case: Case) -> Iterator[Finding]:
    """Every pair that is too close has its row, none has two, and no row is made up."""
    rows = _rows(case)
    pairs = [*leg_pairs(case), *pit_pairs(case), *connection_pairs(case)]
    seen = set()
    for pair in pairs:
        key = (pair.subject, pair.service.utility_id, pair.rule)
        seen.add(key)
        yield from _judge(case, pair, rows.get(key, []))
    for key, found in rows.items():
        if key[2] in SMALL and key not in seen and any(r.severity != "unproven" for r in found):
            yield Finding("conflict_made_up", str(key), found[0].clearance_m, "far apart", RECORD)


def _rows(case: Case) -> dict[tuple[str, str, str], list[Any]]:
    rows: dict[tuple[str, str, str], list[Any]] = {}
    for row in case.conflicts.itertuples():
        rows.setdefault((row.subject, row.utility_id, row.rule), []).append(row)
    return rows


def _judge(case: Case, pair: Pair, found: list[Any]) -> Iterator[Finding]:
    name = f"{pair.subject} / {pair.service.utility_id}"
    short = [row for row in found if row.severity in {"clash", "tight"}]
    if len(found) > 1:
        yield Finding("conflict_twice", name, len(found), 1, RECORD)
    if not short and pair.clearance < pair.least - pair.slack:
        yield Finding("conflict_missing", name, pair.clearance, pair.least, RECORD)
    if short and pair.clearance > pair.most + pair.slack:
        yield Finding("conflict_made_up", name, pair.clearance, pair.most, RECORD)
    for row in short:
        yield from _row_is_true(pair, row, name)
        if pair.rule != "connection_clearance_m" or row.severity == "clash":
            yield from _is_breach(case, pair, row)


def _row_is_true(pair: Pair, row: Any, name: str) -> Iterator[Finding]:
    apart = abs(row.clearance_m - pair.clearance)
    both_overlap = row.clearance_m < 0 and pair.clearance < pair.slack
    if row.measure == "3d" and apart > pair.slack and not both_overlap:
        yield Finding("conflict_clearance", name, row.clearance_m, pair.clearance, RECORD)
    if not pair.least - 1e-6 <= row.required_m <= pair.most + 1e-6:
        yield Finding("conflict_required", name, row.required_m, (pair.least, pair.most), RECORD)
    if row.severity != ("clash" if row.clearance_m < 0 else "tight"):
        yield Finding("conflict_severity", name, row.severity, row.clearance_m, RECORD)


def _is_breach(case: Case, pair: Pair, row: Any) -> Iterator[Finding]:
    told = [b for b in case.summary["breaches"] if b["severity"] == "breach"]
    if not any(b["rule"] == pair.rule and b["subject"] == pair.subject for b in told):
        yield Finding("breach_missing", pair.subject, row.clearance_m, row.required_m, RECORD)


def exempt(case: Case, service: Service) -> set[str]:
    """Tie-ins whose own pipe a service is: it begins or ends inside the manhole."""
    if service.kind not in {"sewer", "storm"}:
        return set()
    touched = set()
    for pit in case.pits[case.pits["kind"] == "tie-in"].itertuples():
        inside = max(float(pit.manhole_diameter_m or 1.2), 1.2) / 2 + 0.1
        ends = service.axis[[0, -1], :2] - np.array([pit.geometry.x, pit.geometry.y])
        if (np.hypot(ends[:, 0], ends[:, 1]) <= inside).any():
            touched.add(pit.pit_id)
    return touched


def leg_pairs(case: Case) -> Iterator[Pair]:
    """Bores against services of any state, in three dimensions."""
    for service in case.services:
        own = exempt(case, service)
        table = case.rules.clearance(service.kind, service.quality)
        line, grade = (case.rules.number(f"{_}_tolerance_mm") / 1000 for _ in ("line", "grade"))
        for leg in case.legs.itertuples():
            if leg.down_pit in own:
                continue
            up, down = bore_axis(leg)
            radius = leg.bore_diameter_mm / 2000
            apart = clearance(service, up, down, radius, reach(service, radius))
            if apart > table + max(line, grade) + FOLLOWING:
                continue
            choices = _tolerances(service, (up, down), (line, grade))
            yield Pair(
                "clearance_m", leg.leg_id, service, apart,
                table + min(choices), table + max(choices),
            )  # fmt: skip


def reach(service: Service, radius: float) -> float:
    """How far in plan a service can matter. [m]"""
    return 1.2 + radius + service.half_width


def _tolerances(
    service: Service, bore: tuple[Floats, Floats], tolerances: tuple[float, float]
) -> tuple[float, ...]:
    """Line tolerance where parallel, grade tolerance at a crossing; both where in between."""
    up, down = bore
    points = near(service, shapely.LineString([up[:2], down[:2]]), 2.0)
    if len(points) < 2:
        return tolerances
    steps = np.diff(points[:, :2], axis=0)
    steps = steps[np.hypot(steps[:, 0], steps[:, 1]) > 1e-6]
    if len(steps) == 0:
        return tolerances
    way = (down - up)[:2]
    cosine = np.abs(steps @ way) / np.hypot(*way) / np.hypot(steps[:, 0], steps[:, 1])
    angles = np.arccos(np.clip(cosine, 0, 1))
    if angles.min() > PARALLEL[1]:
        return tolerances[1:]
    return tolerances[:1] if angles.max() < PARALLEL[0] else tolerances


def pit_pairs(case: Case) -> Iterator[Pair]:
    """Pits, from their floor up, against live services."""
    required = case.rules.number("pit_clearance_m")
    floors = dict(zip(case.pits["pit_id"], case.pits["floor_elev_m"], strict=True))
    existing = tie_in_ids(case)
    for service in case.services:
        if not service.live:
            continue
        own = exempt(case, service)
        for pit in case.footprints.itertuples():
            if pit.pit_id in own | existing:
                continue
            apart = to_pit(service, pit.geometry, float(floors[pit.pit_id]), required)
            if apart < required + FOLLOWING:
                yield Pair("pit_clearance_m", pit.pit_id, service, apart, required, required)


def to_pit(service: Service, shape: Any, floor: float, required: float) -> float:
    """Edge to edge from a service to a pit that reaches from its floor to the ground. [m]"""
    points = near(service, shape, required + 0.1 + service.half_width)
    if len(points) == 0:
        return float("inf")
    flat = shapely.distance(shapely.points(points[:, :2]), shape)
    down = np.maximum(floor - points[:, 2], 0.0)
    if service.radius:
        return float(np.hypot(flat, down).min()) - service.radius
    beside = np.maximum(flat - service.half_width, 0.0)
    under = np.maximum(down - service.half_height, 0.0)
    apart = float(np.hypot(beside, under).min())
    return apart if apart > 0 else -service.half_height


def connection_pairs(case: Case) -> Iterator[Pair]:
    """House connections against services, in three dimensions."""
    required = case.rules.number("connection_clearance_m")
    served = case.connections[case.connections["served"].astype(bool)]
    for service in case.services:
        for _, row in served.iterrows():
            points = np.asarray(row.geometry.coords)
            inverts = number(row, "invert_property_m"), number(row, "invert_sewer_m")
            radius = number(row, "diameter_mm") / 2000
            start = np.append(points[0, :2], inverts[0] + radius)
            end = np.append(points[-1, :2], inverts[1] + radius)
            apart = clearance(service, start, end, radius, reach(service, radius))
            if apart < required + SHAPELESS + FOLLOWING:
                yield Pair(
                    "connection_clearance_m", row["connection_id"], service, apart,
                    required, required,
                )  # fmt: skip
