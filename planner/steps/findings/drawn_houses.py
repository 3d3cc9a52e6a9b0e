"""Holds house connections as a design draws them against the rules for connections."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely

from planner.model import Floats
from planner.rules import stepped
from planner.steps.findings.finding import ROUNDING, Finding, finding
from planner.steps.findings.works import Works

LEVEL = 0.001  # [m] noise of a level that does not count
LEVELS = ("invert_property_m", "invert_sewer_m")
NEEDED = ("property_id", "joins", *LEVELS)
AGREE = 0.01  # [m] by which a stated length may differ from the drawn one


def house_findings(works: Works) -> Iterator[Finding]:
    """What each drawn connection breaks; nothing for those that the planner chooses."""
    given = works.stated.get("connections")
    if given is None or not set(NEEDED) <= set(given.columns):
        return
    properties = works.site.properties
    floors = dict(
        zip(properties["property_id"].astype(str), properties["floor_elev_m"], strict=True)
    )
    for row in given.to_dict("records"):
        inverts = [_number(row[name]) for name in LEVELS]
        line = row["shape"] is not None and row["shape"].geom_type == "LineString"
        if not line or np.isnan(inverts).any() or str(row["property_id"]) not in floors:
            continue
        name = str(row.get("connection_id") or row["property_id"])
        size, stated = (_number(row.get(column)) for column in ("diameter_mm", "length_m"))
        xy = shapely.get_coordinates(row["shape"])
        joins = str(row["joins"]).strip()
        drawn = _Drawn(name, joins, inverts[0], inverts[1], size, xy, stated)
        yield from _line(works, drawn)
        yield from _ends(works, drawn, float(floors[str(row["property_id"])]))


def _number(value: object) -> float:
    """A value as a number, NaN where it is none."""
    return float(pd.to_numeric(pd.Series([value]), errors="coerce").iloc[0])


@dataclass(frozen=True, eq=False)
class _Drawn:
    """A connection as it is drawn, property first."""

    name: str
    joins: str
    high: float  # invert at the property [m]
    low: float  # invert at the sewer [m]
    size: float  # [mm] NaN where it is not given
    xy: Floats  # (vertices, 2) [m]
    stated: float  # length [m], NaN where it is not given

    @property
    def length(self) -> float:
        """Length in plan. [m]"""
        return float(np.hypot(*np.diff(self.xy, axis=0).T).sum())


def _line(works: Works, drawn: _Drawn) -> Iterator[Finding]:
    """Length, slope and size."""
    rules, length, name = works.rules, drawn.length, drawn.name
    most, smallest = (
        rules.number(f"connection_{what}") for what in ("max_length_m", "diameter_mm")
    )
    if length > most + ROUNDING:
        yield finding(rules, "connection_max_length_m", name, length, most)
    if abs(drawn.stated - length) > AGREE:
        yield finding(rules, "stated_length_m", name, drawn.stated, length) | {"unit": "m"}
    if drawn.size < smallest - ROUNDING:
        yield finding(rules, "connection_diameter_mm", name, drawn.size, smallest)
    slope = 100 * (drawn.high - drawn.low) / max(length, LEVEL)
    size = smallest if np.isnan(drawn.size) else drawn.size
    least = stepped(rules, "connection_min_slope_pct", size)
    if slope < least - 100 * LEVEL / max(length, LEVEL):
        yield finding(rules, "connection_min_slope_pct", name, slope, least)


def _ends(works: Works, drawn: _Drawn, floor: float) -> Iterator[Finding]:
    """Level under the floor, and level and place where the sewer is joined."""
    rules, route = works.rules, works.route
    drop, least = floor - drawn.high, rules.number("connection_floor_drop_m")
    if drop < least - LEVEL:
        yield finding(rules, "connection_floor_drop_m", drawn.name, drop, least)
    if drawn.joins in route.pit_id:
        pit = route.pit_id.index(drawn.joins)
        word = rules.text("connection_into_manhole")
        if word != "allowed" and (works.inlets(pit) or word != "end only"):
            row = finding(rules, "connection_into_manhole", drawn.name, 0.0, 0.0)
            yield row | {"value": "drawn into it", "limit": word, "with": drawn.joins}
        for leg in works.outlets(pit)[:1]:
            yield from _entry(works, drawn, leg, 0.0)
    elif drawn.joins in route.leg_id:
        leg = route.leg_id.index(drawn.joins)
        yield from _entry(works, drawn, leg, _share(works, leg, drawn.xy))


def _entry(works: Works, drawn: _Drawn, leg: int, share: float) -> Iterator[Finding]:
    """How high over the sewer's invert a connection enters, over the sewer's inside diameter."""
    route, step = works.route, works.site.project.level_step
    levels = route.leg_up_level[leg] * (1 - share) + route.leg_down_level[leg] * share
    inside = float(route.leg_inside[leg])
    ratio = (drawn.low - float(levels) * step) / inside
    least = works.rules.number("connection_entry_ratio")
    if ratio < least - LEVEL / inside:
        row = finding(works.rules, "connection_entry_ratio", drawn.name, ratio, least)
        yield row | {"with": drawn.joins}


def _share(works: Works, leg: int, xy: Floats) -> float:
    """Share of a leg, from its upper end, at the end of a connection that is nearer to it."""
    line = works.lines[leg]
    ends = shapely.points(xy[[0, -1]])
    end = ends[int(shapely.distance(ends, line).argmin())]
    return float(shapely.line_locate_point(line, end, normalized=True))
