"""The plan's rows of connections, served or not, and the lines that they are drawn as."""

from __future__ import annotations

import re
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from planner.model import PLAN_COLUMNS, Site
from planner.records import Ints, Route
from planner.steps.connections.choice import Chosen
from planner.steps.connections.joints import LEAST_LENGTH
from planner.steps.connections.ways import Texts

TEXTS = ("joins", "method")


def make_rows(
    site: Site, route: Route, chosen: Chosen, why_not: Texts
) -> tuple[gpd.GeoDataFrame, Ints]:
    """Rows in the order of the properties' names, and the property's row of each."""
    ways = chosen.ways
    names = [str(name) for name in site.properties["property_id"]]
    order = np.array(sorted(range(len(names)), key=lambda i: (_natural(names[i]), i)), np.int64)
    count = len(names)
    columns: dict[str, Any] = {"property_id": np.array(names, object), "why_not": why_not}
    for name, values in _figures(route, chosen, site.project.level_step).items():
        columns[name] = np.full(count, "" if name in TEXTS else np.nan, values.dtype)
        columns[name][ways.row] = values
    columns["cost"] = np.nan_to_num(columns["cost"])
    columns["served"] = np.isin(np.arange(count), ways.row)
    lines = _lines_to_streets(site, route)
    lines[ways.row] = shapely.linestrings(np.stack([ways.start, ways.joint], axis=1))
    ids = np.array([f"H{number + 1}" for number in range(count)], object)
    ordered = {name: values[order] for name, values in columns.items()} | {"connection_id": ids}
    rows = {name: ordered[name] for name in PLAN_COLUMNS["connections"]}
    return gpd.GeoDataFrame(rows, geometry=lines[order]), order


def _natural(name: str) -> tuple[tuple[str, int], ...]:
    """Sort key by which a property 2 stands before a property 10."""
    return tuple((word, int(number or 0)) for word, number in re.findall(r"(\D*)(\d*)", name))


def _figures(route: Route, chosen: Chosen, step: float) -> dict[str, NDArray[Any]]:
    """Columns of the served properties, by way."""
    ways, pairs = chosen.ways, chosen.levels
    legs, pits = (np.array([*names, ""], object) for names in (route.leg_id, route.pit_id))
    return {
        "joins": np.where(ways.pit >= 0, pits[ways.pit], legs[ways.leg]).astype(object),
        "method": chosen.method,
        "length_m": ways.length,
        "slope_pct": 100 * (pairs.high - pairs.low) * step / ways.length,
        "diameter_mm": ways.nominal,
        "invert_property_m": pairs.high * step,
        "invert_sewer_m": pairs.low * step,
        "depth_at_sewer_m": ways.ground[:, 0] - pairs.low * step,
        "riser_m": chosen.riser,
        "opening_m2": chosen.surfaces.opening,
        "lanes_closed": chosen.surfaces.lanes.astype(float),
        "surface_cost": chosen.surfaces.cost,
        "cost": chosen.price,
    }


def _lines_to_streets(site: Site, route: Route) -> Texts:
    """Line from each property to the nearest point of its street, or of any if that is unknown."""
    streets = site.streets.geometry.to_numpy()
    names = site.streets["street"].astype(str).to_numpy()
    wanted = site.properties["street"].astype(str).to_numpy()
    start = route.property_xy.reshape(-1, 2)
    points, ends = shapely.points(start), start.copy()
    for name in np.unique(wanted):
        own = streets[names == name] if name and (names == name).any() else streets
        which = np.flatnonzero(wanted == name)
        near = own[shapely.STRtree(own).nearest(points[which])]
        there = shapely.line_interpolate_point(near, shapely.line_locate_point(near, points[which]))
        ends[which] = shapely.get_coordinates(there)
    short = np.hypot(*(ends - start).T) < LEAST_LENGTH
    ends[short] = start[short] + np.array([LEAST_LENGTH, 0.0])
    return np.asarray(shapely.linestrings(np.stack([start, ends], axis=1)), object)
