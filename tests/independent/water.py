"""Separation of the sewer pipe from water mains, station by station."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import shapely

from tests.independent.clearance import FOLLOWING, STRAIGHT
from tests.independent.ground import Floats
from tests.independent.levels import ends, pipe_floor
from tests.independent.records import RECORD, Case, Finding
from tests.independent.services import Service, near, to_segment

KINDS = ("water", "reclaimed")


def pipe_axis(leg: Any) -> tuple[Floats, Floats]:
    """Axis of the sewer pipe itself at both ends. [m]"""
    up, down = ends(leg)
    lift = leg.outside_diameter_mm / 2000 - pipe_floor(leg)
    return np.append(up, leg.invert_up_m + lift), np.append(down, leg.invert_down_m + lift)


def vertical_gaps(service: Service, leg: Any, horizontal: float) -> tuple[Floats, Floats]:
    """Gaps in plan and in height where the gap in plan is under a limit. [m]"""
    up, down = pipe_axis(leg)
    radius = leg.outside_diameter_mm / 2000
    line = shapely.LineString([up[:2], down[:2]])
    points = near(service, line, horizontal + radius + service.half_width)
    if len(points) == 0:
        return np.empty(0), np.empty(0)
    flat, share = to_segment(points[:, :2], up[:2], down[:2])
    beside = flat - radius - service.half_width
    axis = up[2] + share * (down[2] - up[2])
    apart = np.abs(points[:, 2] - axis) - radius - service.half_height
    close = beside < horizontal - 1e-6
    return beside[close], apart[close]


def check_water(case: Case) -> Iterator[Finding]:
    """Wherever the gap in plan is too small, the gap in height is wide enough."""
    horizontal = case.rules.number("water_horizontal_m")
    vertical = case.rules.number("water_vertical_m")
    rows = {
        (row.subject, row.utility_id): str(row.rule)
        for row in case.conflicts.itertuples()
        if str(row.rule).startswith("water_")
    }
    mains = [s for s in case.services if s.kind in KINDS and s.live]
    for service in mains:
        slack = FOLLOWING if service.follows_ground else STRAIGHT
        for leg in case.legs.itertuples():
            beside, apart = vertical_gaps(service, leg, horizontal)
            beside, apart = beside[beside < horizontal - slack], apart[beside < horizontal - slack]
            if len(apart) == 0 or apart.min() >= vertical - slack:
                continue
            rule = rows.get((leg.leg_id, service.utility_id))
            if rule is None:
                name = f"{leg.leg_id} / {service.utility_id}"
                yield Finding("water_missing", name, float(apart.min()), vertical, RECORD)
            yield Finding(rule or "water_vertical_m", leg.leg_id, float(apart.min()), vertical)
