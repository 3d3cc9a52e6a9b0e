"""A level place with one leg and some houses, for the tests of connections."""

from __future__ import annotations

import dataclasses
from typing import Any

import geopandas as gpd
import numpy as np
from shapely.geometry import LineString, Point

from planner.kernels.clearance import pair_clearances
from planner.model import LAYER_COLUMNS, Site
from planner.records import Route
from planner.rules import load_book
from planner.steps.clearances import prepare_services
from planner.steps.connections import Connections, connect_houses
from tests.steps.clearance_site import service, site_of

# One leg L1 runs due west from P1 at (90, 0), invert 96.45, to P2 at the origin, invert 96.00: a
# fall of 0.45 in 90 m, 0.5 %. Its pipe is 0.20 m inside, so a connection enters at least 0.10 m
# above its invert. The ground is level at 100.00.


def route_of(
    houses: list[tuple[float, float]],
    *,
    pits: tuple[tuple[float, float], ...] = ((90, 0), (0, 0)),
    levels: tuple[int, ...] = (9645, 9600),
    legs: tuple[int, ...] | None = None,
) -> Route:
    """Legs from each pit to the next one; every house drains to the first, or as ``legs`` says."""
    xy = np.array(pits, float)
    count = len(pits) - 1
    up = np.arange(count)
    length = np.hypot(*np.diff(xy, axis=0).T)
    station = np.cumsum(length[::-1])[::-1] - length
    return Route(
        pit_id=tuple(f"P{k + 1}" for k in range(count + 1)), pit_xy=xy,
        pit_ground=np.full(count + 1, 100.0), pit_level=np.array(levels),
        pit_tie_in=np.append(np.full(count, -1), 0), leg_id=tuple(f"L{k + 1}" for k in up),
        leg_up=up, leg_down=up + 1, leg_up_level=np.array(levels[:-1]),
        leg_down_level=np.array(levels[1:]), leg_launch=up + 1, leg_length=length,
        leg_nominal=np.full(count, 200.0), leg_inside=np.full(count, 0.2),
        leg_outside=np.full(count, 0.28), leg_bore=np.full(count, 0.3),
        leg_material=("vitrified clay",) * count, leg_method=("jacked",) * count,
        run_id=("R1",) * count, station_down=station,
        property_leg=np.array(legs if legs is not None else [0] * len(houses), np.int64),
        why_not=tuple("" if legs is None or legs[i] >= 0 else "no street: 60.0 m away"
                      for i in range(len(houses))),
        property_xy=np.array(houses, float).reshape(-1, 2),
        candidate=np.arange(count + 1), leg_pipe=np.zeros(count, np.int64),
    )  # fmt: skip


def place_of(
    houses: list[tuple[float, float]], services: list[Any] | None = None, **given: Any
) -> Site:
    """A level place with a street along the leg and houses whose lowest floor is at 99.00."""
    site = site_of(services or [], ground=given.get("ground"))
    changed = {table: given.get(table, {}) for table in ("rules", "costs")}
    site = dataclasses.replace(site, book=load_book("us-ten-states", changed))
    rows: dict[str, Any] = {
        "property_id": given.get("names", [str(k + 1) for k in range(len(houses))]),
        "people": given.get("people", 2.5), "flow_l_per_s": given.get("flow", np.nan),
        "floor_elev_m": given.get("floor", 99.0), "floor_assumed": False, "street": "",
    }  # fmt: skip
    properties = gpd.GeoDataFrame(rows, geometry=[Point(*xy) for xy in houses])
    street: dict[str, Any] = dict.fromkeys(LAYER_COLUMNS["streets"], 0)
    street |= {"street": "Main Street", "lanes": 2, "lane_width_m": 3.5}
    streets = gpd.GeoDataFrame([street], geometry=[LineString([(-20, 0), (190, 0)])])
    keep_out = given.get("keep_out", [])
    barred = gpd.GeoDataFrame(
        {"reason": ["pond"] * len(keep_out), "applies_to": ["pits,connections"] * len(keep_out),
         "until": [""] * len(keep_out)}, geometry=keep_out,
    )  # fmt: skip
    return dataclasses.replace(site, properties=properties, streets=streets, keep_out=barred)


def connect(
    houses: list[tuple[float, float]], services: list[Any] | None = None, **given: Any
) -> Connections:
    site = place_of(houses, services, **given)
    route = given.get("route") or route_of(houses)
    return connect_houses(site, route, prepare_services(site))


def one(houses: list[tuple[float, float]], services: list[Any] | None = None, **given: Any) -> Any:
    return connect(houses, services, **given).frame.iloc[0]


def least_clearance(site: Site, found: Connections) -> float:
    """Clearance of the pipes of all served connections to all services. [m]"""
    solids = prepare_services(site).solids
    bores = np.column_stack((found.sewer, found.property, found.outside_diameter / 2))
    bore, piece = (k.ravel() for k in np.indices((len(bores), len(solids))))
    return float(pair_clearances(bores, solids, bore, piece)[0].min())


def along_street(y: float, top: float, **given: Any) -> dict[str, Any]:
    """A service due east, its outside top at a level."""
    return service(LineString([(-50, y, top), (150, y, top)]), **given)
