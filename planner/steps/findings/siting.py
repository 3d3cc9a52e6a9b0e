"""Holds pits against what stands in the street and against their depth."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import shapely

from planner.model import Floats
from planner.steps.findings.finding import ROUNDING, Finding, finding
from planner.steps.findings.works import Works

SILENT = ("school", "bus_stop")  # their distance is about hours, or along the street
LANE_BESIDE = 4.5  # [m] a bus stop keeps the lane beside it free, along its own distance
SLACK = 0.01  # [m] what a street's direction may be out by, over a bus stop's distance


def siting_findings(works: Works) -> Iterator[Finding]:
    """Pits that are too deep, or too near to hydrants, trees, driveways, stops and the like."""
    most = works.rules.number("max_depth_m")
    for pit in works.frames["pits"].to_dict("records"):
        if pit["kind"] == "pit" and pit["depth_m"] > most + ROUNDING:
            yield finding(works.rules, "max_depth_m", pit["pit_id"], pit["depth_m"], most)
    yield from _near_features(works)
    yield from _at_bus_stops(works)


def _near_features(works: Works) -> Iterator[Finding]:
    """Footprints nearer to a feature than it is kept clear."""
    layer = works.site.street_features
    layer = layer[~layer["kind"].isin(SILENT)]
    shapes = np.asarray(shapely.force_2d(layer.geometry.to_numpy()), object)
    clear = layer["clear_m"].to_numpy(float)
    if not len(shapes):
        return
    tree = shapely.STRtree(shapes)
    for pit, tie_in in enumerate(works.route.pit_tie_in):
        if tie_in >= 0:
            continue
        footprint = works.room.footprints[pit]
        for which in np.sort(tree.query(footprint, predicate="dwithin", distance=clear.max())):
            away = float(shapely.distance(footprint, shapes[which]))
            if away < clear[which] - ROUNDING or (away == 0 and clear[which] == 0):
                row = finding(works.rules, "clear_m", works.route.pit_id[pit], away, clear[which])
                yield row | {"with": _named(layer.iloc[int(which)].to_dict())}


def _named(feature: Mapping[str, Any]) -> str:
    return " ".join(str(feature[part]) for part in ("kind", "name") if feature[part])


def _at_bus_stops(works: Works) -> Iterator[Finding]:
    """Pits in the lane beside a bus stop, nearer along the street than it is kept clear."""
    stops = works.site.street_features
    stops = stops[stops["kind"] == "bus_stop"]
    if not len(stops):
        return
    flow = _flows(works)
    centre = shapely.get_coordinates(shapely.centroid(stops.geometry.to_numpy()))
    for pit, tie_in in enumerate(works.route.pit_tie_in):
        if tie_in >= 0:
            continue
        way = works.route.pit_xy[pit] - centre
        along = np.abs(way @ flow[pit])
        beside = np.abs(way[:, 0] * flow[pit, 1] - way[:, 1] * flow[pit, 0])
        clear = stops["clear_m"].to_numpy(float)
        for stop in np.flatnonzero((along < clear - SLACK) & (beside < LANE_BESIDE - SLACK)):
            row = finding(works.rules, "clear_m", works.route.pit_id[pit], along[stop], clear[stop])
            yield row | {"with": _named(stops.iloc[int(stop)].to_dict())}


def _flows(works: Works) -> Floats:
    """Direction of the street at each pit: as it is known, else of the nearest street."""
    flow = works.room.flow.copy()
    lines = np.asarray(works.site.streets.geometry.array)
    for pit in np.flatnonzero((flow == 0).all(axis=1)):
        spot = shapely.Point(works.route.pit_xy[pit])
        row = int(works.room.street[pit])
        line = lines[row if row >= 0 else int(shapely.distance(spot, lines).argmin())]
        at = float(shapely.line_locate_point(line, spot))
        ends = shapely.get_coordinates(
            shapely.line_interpolate_point(line, np.array([max(at - 0.5, 0.0), at + 0.5]))
        )
        way = ends[1] - ends[0]
        size = float(np.hypot(*way))
        flow[pit] = way / size if size > 0 else way
    return flow
