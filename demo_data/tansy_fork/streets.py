"""The streets of Tansy Fork: where they run, and how wide they are."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely import LineString

from tansy_fork.paths import Floats, Path, curve_through

CRS = "EPSG:26914"
ORIGIN = (655_000.0, 4_410_000.0)  # [m] of the invented place in an empty corner of its zone
RESURFACED = ("Orchard Rise", 138.0, 204.0)  # street, from and to station [m]
RESURFACED_UNTIL = "2029-05-31"

# Junctions, each a point of every street that meets there. [m]
MILL, ORCHARD, FERRIER = (112.0, 90.0), (230.0, 98.0), (460.0, 124.0)
LOOP_SOUTH, SEXTON, LOOP_NORTH = (238.0, 212.0), (288.0, 330.0), (300.0, 402.0)
WREN, HOLLOW = (486.0, 236.0), (522.0, 304.0)


@dataclass(frozen=True, eq=False)
class Street:
    """One street: its line and its cross-section."""

    name: str
    code: str  # begins the identifiers of what lies along it
    path: Path
    lanes: int = 2
    lane_width: float = 3.0  # [m]
    row_width: float = 16.0  # [m]
    parking: tuple[float, float] = (0.0, 0.0)  # [m] left, right
    speed: float = 40.0  # [km/h]
    road_class: str = "local"
    vehicles: int = 450  # [1/day]
    bus: bool = False
    sewer: str = "allowed"
    bulb: float = 0.0  # [m] radius of the turning circle at its end

    def edge(self, side: int) -> float:
        """Distance of the carriageway's edge from the centreline; side 1 is left, -1 right. [m]"""
        return self.lanes / 2 * self.lane_width + self.parking[0 if side > 0 else 1]


def lay_streets() -> dict[str, Street]:
    """All streets by name, the through streets first."""
    halloway = [(22, 97), (70, 90), MILL, (170, 90), ORCHARD, (285, 108), (340, 117),
                (400, 122), FERRIER, (520, 120), (575, 111), (640, 97)]  # fmt: skip
    orchard = [ORCHARD, (228, 155), LOOP_SOUTH, (262, 270), SEXTON, (299, 366), LOOP_NORTH,
               (294, 462)]  # fmt: skip
    loop = [LOOP_SOUTH, (178, 222), (128, 240), (100, 274), (96, 318), (118, 362), (168, 390),
            (232, 402), LOOP_NORTH]  # fmt: skip
    ferrier = [FERRIER, (468, 180), WREN, HOLLOW, (556, 344), (578, 398)]
    sexton = [SEXTON, (352, 346), (420, 352), (480, 336), HOLLOW]
    wren = [WREN, (436, 256), (382, 254)]
    mill = [(104, -42), (108, 30), MILL, (117, 130), (124, 176)]
    listed = [
        Street("Halloway Avenue", "HA", _path(halloway), 4, 3.3, 26.0, speed=56.0,
               road_class="arterial", vehicles=14_800, bus=True),
        Street("Orchard Rise", "OR", _path(orchard), 2, 3.3, 19.0, (2.3, 2.3), 48.0,
               "collector", 3_100),
        Street("Ferrier Lane", "FE", _path(ferrier), row_width=15.5),
        Street("Lantern Loop", "LL", _path(loop), row_width=16.5, parking=(0.0, 2.1)),
        Street("Sexton Street", "SE", _path(sexton), row_width=16.0, vehicles=700),
        Street("Wren Court", "WR", _path(wren), row_width=15.5, vehicles=130, bulb=14.5),
        Street("Mill Street", "MI", _path(mill), row_width=15.5, vehicles=900,
               sewer="forbidden"),
    ]  # fmt: skip
    return {street.name: street for street in listed}


def _path(points: list[tuple[float, float]]) -> Path:
    return Path(curve_through(points))


JUNCTIONS = {
    "Halloway Avenue": (MILL, ORCHARD, FERRIER),
    "Orchard Rise": (LOOP_SOUTH, SEXTON, LOOP_NORTH),
    "Ferrier Lane": (WREN, HOLLOW),
    "Mill Street": (MILL,),
}
"""Junctions inside a street; a street of the file ends at each of them."""


def street_layer(streets: dict[str, Street]) -> gpd.GeoDataFrame:
    """The streets as a file has them: a row from junction to junction."""
    rows = [row for street in streets.values() for row in _blocks(street)]
    return gpd.GeoDataFrame(pd.DataFrame(rows), geometry="geometry")


def _blocks(street: Street) -> list[dict[str, object]]:
    resurfaced = RESURFACED[1:] if street.name == RESURFACED[0] else ()
    points, stations = _with_stations(street.path, resurfaced)
    at_junction = [street.path.station_of(p) for p in JUNCTIONS.get(street.name, ())]
    cuts = sorted({0.0, street.path.length, *at_junction, *resurfaced})
    ends = [int(np.argmin(np.abs(stations - cut))) for cut in cuts]
    return [
        {
            **_attributes(street),
            "no_cut_until": RESURFACED_UNTIL if cuts[i] in resurfaced[:1] else None,
            "geometry": LineString(points[ends[i] : ends[i + 1] + 1]),
        }
        for i in range(len(ends) - 1)
    ]


def _with_stations(path: Path, extra: tuple[float, ...]) -> tuple[Floats, Floats]:
    """Vertices and their stations, the nearest to each extra station moved there."""
    points, stations = path.points.copy(), path.stations
    for station in extra:
        nearest = int(np.argmin(np.abs(stations - station)))
        points[nearest], stations[nearest] = path.at(station)[0].round(3), station
    return points, stations


def _attributes(street: Street) -> dict[str, object]:
    return {
        "street": street.name,
        "lanes": street.lanes,
        "lane_width_m": street.lane_width,
        "row_width_m": street.row_width,
        "parking_left_m": street.parking[0],
        "parking_right_m": street.parking[1],
        "footway_width_m": 1.8 if street.road_class == "arterial" else 1.5,
        "speed_kmh": street.speed,
        "one_way": False,
        "road_class": street.road_class,
        "vehicles_per_day": street.vehicles,
        "bus_route": street.bus,
        "sewer": street.sewer,
    }


def right_of_way(streets: dict[str, Street]) -> shapely.Geometry:
    """One area for all streets: full widths, turning circles, corners cut back as plats do."""
    strips = [s.path.line.buffer(s.row_width / 2, quad_segs=16) for s in streets.values()]
    bulbs = [
        shapely.Point(s.path.points[-1]).buffer(s.bulb + 2.0, quad_segs=24)
        for s in streets.values()
        if s.bulb
    ]
    whole = shapely.union_all([*strips, *bulbs])
    rounded = whole.buffer(6.0, quad_segs=8).buffer(-6.0, quad_segs=8)
    return shapely.union(whole, rounded).buffer(0.02, join_style="mitre").simplify(0.01)
