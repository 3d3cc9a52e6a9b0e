"""What stands in and beside the streets of Tansy Fork: features, keep-outs, borings, marks."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely import LineString, Point, Polygon

from tansy_fork.ground import POND, Relief
from tansy_fork.houses import SCHOOL, House
from tansy_fork.streets import RESURFACED, RESURFACED_UNTIL, Street

HYDRANTS = {  # street -> side, stations [m]
    "Halloway Avenue": (-1, (95, 235, 330, 470, 590)),
    "Orchard Rise": (-1, (60, 175, 290)),
    "Lantern Loop": (-1, (70, 190, 310, 430)),
    "Ferrier Lane": (1, (95, 230)),
    "Sexton Street": (-1, (70, 185)),
    "Wren Court": (-1, (70,)),
}
TREES = {  # street -> side, offset from the edge [m], spacing [m]
    "Halloway Avenue": (1, 5.2, 23.0),
    "Orchard Rise": (1, 2.8, 19.0),
    "Lantern Loop": (1, 3.9, 17.0),
    "Ferrier Lane": (-1, 3.6, 21.0),
    "Sexton Street": (-1, 3.7, 18.0),
}
POLES = {"Orchard Rise": (-1, 8.4), "Sexton Street": (-1, 6.9)}  # street -> side, offset [m]


def feature_layer(
    streets: dict[str, Street], houses: list[House], rng: np.random.Generator
) -> gpd.GeoDataFrame:
    """Hydrants, trees, driveways, bus stops, the signal, the school, overhead lines, ramps."""
    rows = [*_hydrants(streets), *_trees(streets, rng), *_driveways(streets, houses, rng)]
    rows += [*_stops_and_signal(streets), *_overhead(streets), *_school(houses)]
    return gpd.GeoDataFrame(pd.DataFrame(rows), geometry="geometry")


def _row(kind: str, name: str | None, shape: shapely.Geometry) -> dict[str, Any]:
    placed = shapely.set_precision(shape, 0.001)
    return {"kind": kind, "name": name, "clear_m": None, "geometry": placed}


def _hydrants(streets: dict[str, Street]) -> list[dict[str, Any]]:
    rows = []
    for name, (side, stations) in HYDRANTS.items():
        street = streets[name]
        for number, station in enumerate(stations, 1):
            point = street.path.at(station, side * (street.edge(side) + 1.0))[0]
            rows.append(_row("hydrant", f"H-{street.code}{number}", Point(point)))
    return rows


def _trees(streets: dict[str, Street], rng: np.random.Generator) -> list[dict[str, Any]]:
    rows = []
    for name, (side, aside, spacing) in TREES.items():
        street = streets[name]
        for station in np.arange(24.0, street.path.length - 20.0, spacing):
            at = station + 5 * rng.random()
            point = Point(street.path.at(at, side * (street.edge(side) + aside))[0])
            if rng.random() < 0.8 and _clear_of_streets(point, street, streets):
                rows.append(_row("tree", None, point))
    return rows


def _clear_of_streets(point: Point, street: Street, streets: dict[str, Street]) -> bool:
    others = [s for s in streets.values() if s is not street]
    return all(point.distance(s.path.line) > s.row_width / 2 + 6 for s in others)


def _driveways(
    streets: dict[str, Street], houses: list[House], rng: np.random.Generator
) -> list[dict[str, Any]]:
    rows = []
    for house in houses:
        if rng.random() > 0.72 or house.side == 0:
            continue
        street = streets[house.street]
        edge = house.side * street.edge(house.side)
        limit = house.side * (street.row_width / 2 + 1.5)
        shift = 4.2 if rng.random() < 0.5 else -4.2
        at = min(max(house.station + shift, 4.0), street.path.length - 2.0)
        half = 3.0 if street.road_class == "arterial" else 1.6 + 0.7 * rng.random()
        ends = np.array([at - half, at + half])
        shape = Polygon(np.vstack([street.path.at(ends, edge), street.path.at(ends[::-1], limit)]))
        rows.append(_row("driveway", house.house_id, shape))
    return rows


def _stops_and_signal(streets: dict[str, Street]) -> list[dict[str, Any]]:
    halloway, orchard = streets["Halloway Avenue"], streets["Orchard Rise"]
    middle = halloway.path.station_of(orchard.path.points[0])
    stops = [("Orchard Rise westbound", 40.0, 1), ("Orchard Rise eastbound", -45.0, -1)]
    rows = [
        _row("bus_stop", name, Point(halloway.path.at(middle + at, side * 8.0)[0]))
        for name, at, side in stops
    ]
    for at, side in ((11, 1), (-11, 1), (11, -1), (-11, -1)):
        corner = halloway.path.at(middle + at, side * 7.6)[0]
        rows.append(_row("signal", "Halloway and Orchard", Point(corner)))
        ramp = halloway.path.at(middle + at * 0.82, side * 7.0)[0]
        rows.append(_row("kerb_ramp", None, Point(ramp)))
    return rows


def _overhead(streets: dict[str, Street]) -> list[dict[str, Any]]:
    rows = []
    for name, (side, aside) in POLES.items():
        path = streets[name].path
        stations = np.arange(14.0, path.length - 8.0, 38.0)
        wires = LineString(path.at(stations, side * aside)).buffer(0.4, cap_style="flat")
        rows.append(_row("overhead", f"{name} wires", wires))
    return rows


def _school(houses: list[House]) -> list[dict[str, Any]]:
    school = next(house for house in houses if house.house_id == SCHOOL)
    grounds = school.building.buffer(14.0, join_style="mitre")
    return [_row("school", "Tansy Fork Elementary", grounds)]


def keep_out_layer(streets: dict[str, Street]) -> gpd.GeoDataFrame:
    """The resurfaced carriageway, the pond, and a memorial."""
    name, start, end = RESURFACED
    street = streets[name]
    ring = [
        street.path.beside(street.edge(1), start, end),
        street.path.beside(-street.edge(-1), start, end)[::-1],
    ]
    memorial = streets["Sexton Street"].path.at(96.0, 7.0)[0]
    rows = [
        {"reason": "resurfaced 2024, no cuts for five years", "applies_to": "pits,test_holes",
         "until": RESURFACED_UNTIL, "geometry": Polygon(np.vstack(ring).round(3))},
        {"reason": "mill pond", "applies_to": None, "until": None,
         "geometry": shapely.set_precision(POND, 0.001)},
        {"reason": "memorial", "applies_to": None, "until": None,
         "geometry": Point(memorial).buffer(1.6)},
    ]  # fmt: skip
    return gpd.GeoDataFrame(pd.DataFrame(rows), geometry="geometry")


def zone_layer(houses: list[House]) -> gpd.GeoDataFrame:
    """The school zone with its hours."""
    school = next(house for house in houses if house.house_id == SCHOOL)
    rows = [{
        "reason": "school zone", "min_cover_m": None, "frost_depth_m": None,
        "casing_required": None, "allowed_hours": "09:00-14:30", "no_cut_until": None,
        "geometry": school.building.centroid.buffer(85.0),
    }]  # fmt: skip
    return gpd.GeoDataFrame(pd.DataFrame(rows), geometry="geometry")


BORINGS: dict[str, tuple[str, float, float, float, list[tuple[float, float, str, int]]]] = {
    # id: street, station, offset, depth of groundwater [m], layers (top, bottom, soil, blows)
    "B-1": ("Halloway Avenue", 62.0, 5.0, 3.1,
            [(0.0, 1.4, "SM", 9), (1.4, 4.2, "ML", 7), (4.2, 9.0, "SP", 17)]),
    "B-2": ("Orchard Rise", 96.0, -4.4, 5.6,
            [(0.0, 1.1, "CL", 10), (1.1, 6.3, "CL", 15), (6.3, 9.5, "SC", 22)]),
    "B-3": ("Ferrier Lane", 92.0, -1.5, 6.8,
            [(0.0, 0.9, "CL", 8), (0.9, 5.2, "CH", 19), (5.2, 10.0, "GC", 31)]),
}  # fmt: skip


def borehole_layer(streets: dict[str, Street]) -> gpd.GeoDataFrame:
    """Three borings, a row a layer."""
    rows = []
    for name, (street, station, offset, water, layers) in BORINGS.items():
        point = Point(streets[street].path.at(station, offset)[0].round(3))
        for top, bottom, soil, blows in layers:
            rows.append({
                "borehole_id": name, "top_depth_m": top, "bottom_depth_m": bottom, "soil": soil,
                "n_value": blows, "groundwater_depth_m": water, "geometry": point,
            })  # fmt: skip
    return gpd.GeoDataFrame(pd.DataFrame(rows), geometry="geometry")


def control_layer(streets: dict[str, Street], relief: Relief) -> gpd.GeoDataFrame:
    """Survey marks."""
    places = [("TF-1", "Halloway Avenue", 18.0, 11.8), ("TF-2", "Orchard Rise", 236.0, 9.0),
              ("TF-3", "Ferrier Lane", 250.0, -7.2)]  # fmt: skip
    rows = []
    for name, street, station, offset in places:
        point = streets[street].path.at(station, offset)[0].round(3)
        level = round(float(relief.level(point[:1], point[1:])[0]) + 0.06, 3)
        rows.append({"name": name, "elev_m": level, "geometry": Point(point)})
    return gpd.GeoDataFrame(pd.DataFrame(rows), geometry="geometry")
