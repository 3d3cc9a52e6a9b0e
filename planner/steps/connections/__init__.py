"""Connects every property to its leg or pit: joint, levels, method and price, clear of services."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np

from planner.model import Floats, Site
from planner.records import Bools, Ints, Route
from planner.steps.connections.advice import advise_depths
from planner.steps.connections.choice import Chosen, choose_ways
from planner.steps.connections.levels import SolidServices
from planner.steps.connections.reasons import find_refusals, find_too_large, name_pump
from planner.steps.connections.rows import make_rows
from planner.steps.connections.ways import Texts, Ways, plan_ways

__all__ = ["Connections", "SolidServices", "advise_depths", "connect_houses", "find_too_large"]


@dataclass(frozen=True, eq=False)
class Connections:
    """One connection a property, and the pipes of those that are served.

    ``frame`` has the columns of the plan's ``connections`` and lines in the local frame, property
    first; its rows are in the order of the properties' names. ``property_row`` is the row of
    `Site.properties` of each of them. The other arrays have one entry a served row, in order.
    """

    frame: gpd.GeoDataFrame
    property_row: Ints  # (properties,)
    served_row: Ints  # (served,) row of `Site.properties`
    connection_id: Texts  # (served,)
    sewer: Floats  # (served, 3) axis of the pipe at the joint [m]
    property: Floats  # (served, 3) axis of the pipe at the property [m]
    outside_diameter: Floats  # (served,) [m]
    pressure_rated: Bools  # (served,)
    riser: Floats  # (served,) between the sewer and the connection [m]
    opening: Floats  # (served,) surface opened [m2]
    lanes: Ints  # (served,) lanes closed while it is open
    surface_cost: Floats  # (served,) pavement and lanes, which the price holds


def connect_houses(site: Site, route: Route, services: SolidServices) -> Connections:
    """One connection for every property, served or with the reason why not.

    The joint is the point of the serving leg that is nearest to the property, or the pit at that
    leg's upper end where connections may enter it and that costs less.

    Parameters
    ----------
    site
        The site.
    route
        Pits and legs, and which leg serves which property.
    services
        Buried services as solid pieces.
    """
    why_not = np.array([str(why) for why in route.why_not], object)
    unnamed = (route.property_leg < 0) & (why_not == "")
    why_not[unnamed] = "no tie-in: 0 legs serve the property"
    ways = plan_ways(site, route)
    refused = find_refusals(site, ways)
    why_not[ways.row[::-1]] = refused[::-1]  # the first way of a property is the last written
    ways = ways.take(refused == "")
    why_not[ways.row] = ""
    chosen = choose_ways(site, ways, services)
    frame, order = make_rows(site, route, chosen, name_pump(site, why_not))
    return _record(site, frame, order, chosen)


def _record(site: Site, frame: gpd.GeoDataFrame, order: Ints, chosen: Chosen) -> Connections:
    """Rows, and the pipes of the served ones in their order."""
    ways, step = chosen.ways, site.project.level_step
    way_of = np.full(len(order), -1)
    way_of[ways.row] = np.arange(len(ways.row))
    served = way_of[order][way_of[order] >= 0]
    ids = frame["connection_id"].to_numpy(object)[way_of[order] >= 0]
    return Connections(
        frame, order, ways.row[served], ids,
        _axis(ways, ways.joint, chosen.levels.low * step)[served],
        _axis(ways, ways.start, chosen.levels.high * step)[served], ways.outside[served],
        np.zeros(len(served), bool), chosen.riser[served], chosen.surfaces.opening[served],
        chosen.surfaces.lanes[served], chosen.surfaces.cost[served],
    )  # fmt: skip


def _axis(ways: Ways, place: Floats, invert: Floats) -> Floats:
    """Axis of pipes that lie with their invert at a level, (ways, 3). [m]"""
    return np.column_stack((place, invert + ways.inside / 2))
