"""Storm drains and existing sewers of Tansy Fork, with their levels; the tie-in manhole."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely import LineString, Point

from tansy_fork import mains
from tansy_fork.ground import Relief
from tansy_fork.houses import EASEMENT
from tansy_fork.paths import Floats
from tansy_fork.services import OWNERS, Row, drain_profile, in_pieces, main_lines
from tansy_fork.streets import Street

TIE_IN_STATION, TIE_IN_OFFSET = 12.0, 2.2  # [m] on Halloway Avenue
TIE_IN_DEPTH = 4.10  # [m] rim to invert
OUTFALL = [(8.0, 78.0), (-6.0, 22.0), (-12.0, -40.0), (-22.0, -98.0)]  # existing main below it
OUTLET = mains.Main("", "sewer", 0.0, 0.0, 0.0, 0.305, None, "B", "concrete")
OUTLET_SLOPE = 0.0055
OUTFALL_ARTERIAL, OUTFALL_LOOP = 0, 4  # places in the register of storm mains
INLET_SPACING = 58.0  # [m] between pairs of street inlets
INLET_DEPTH = 1.05  # [m] gutter to the invert of its lateral


def wall(diameter: float) -> float:
    """Wall of a drain pipe by its inside diameter. [m]"""
    return diameter / 12 + 0.025 if diameter >= 0.3 else 0.008


def tie_in_point(streets: dict[str, Street]) -> Floats:
    """Where the existing manhole stands, (2,). [m]"""
    return np.asarray(streets["Halloway Avenue"].path.at(TIE_IN_STATION, TIE_IN_OFFSET)[0].round(3))


def tie_in_layer(streets: dict[str, Street], relief: Relief) -> gpd.GeoDataFrame:
    """The surveyed manhole that the new sewer drains into."""
    point = tie_in_point(streets)
    rim = round(float(relief.level(point[:1], point[1:])[0]), 2)
    first = np.array(OUTFALL[0]) - point
    row = {
        "tie_in_id": "MH-114",
        "invert_elev_m": round(rim - TIE_IN_DEPTH, 3),
        "rim_elev_m": rim,
        "outlet_diameter_mm": 300.0,
        "outlet_bearing_deg": round(float(np.degrees(np.arctan2(*first))) % 360, 1),
        "manhole_diameter_m": 1.5,
        "high_water_elev_m": round(rim - TIE_IN_DEPTH + 0.21, 3),
        "spare_l_per_s": 18.0,
        "may_launch": False,
        "geometry": Point(point),
    }
    return gpd.GeoDataFrame(pd.DataFrame([row]), geometry="geometry")


def sewer_rows(streets: dict[str, Street], relief: Relief) -> list[Row]:
    """Existing sewers: the main below the tie-in, and the one in Mill Street."""
    tie_in = tie_in_layer(streets, relief).iloc[0]
    points = np.vstack([tie_in_point(streets), OUTFALL])
    along = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    inverts = tie_in["invert_elev_m"] - OUTLET_SLOPE * along
    tops = inverts + 0.305 + wall(0.305)
    rows = [
        _drain_row(OUTLET, points[i : i + 2], tops[i : i + 2], f"SE-OUT-{i + 1}")
        for i in range(len(points) - 1)
    ]
    rows[0]["quality"] = "A"
    for main, line in main_lines(mains.SEWER, streets, {}):
        levels = drain_profile(line, relief, main.depth or 0.0)
        rows += _drain_pieces(main, line, levels, 62.0)
    return rows


def storm_rows(streets: dict[str, Street], relief: Relief) -> list[Row]:
    """Storm mains from manhole to manhole with the levels of their tops."""
    rows: list[Row] = []
    for number, (main, line) in enumerate(_storm_lines(streets)):
        levels = drain_profile(line, relief, main.depth or 0.0)
        rows += _drain_pieces(main, line, levels, INLET_SPACING, number)
    return rows


def _storm_lines(streets: dict[str, Street]) -> list[tuple[mains.Main, Floats]]:
    lines = main_lines(mains.STORM, streets, {})
    return [(main, _from_outfall(number, line)) for number, (main, line) in enumerate(lines)]


def _from_outfall(number: int, line: Floats) -> Floats:
    """The line with its way up from the creek in front, where it drains there."""
    if number == OUTFALL_ARTERIAL:
        return np.vstack([[(-24.0, 84.0)], line])
    if number == OUTFALL_LOOP:
        way = np.array(EASEMENT.coords)[::-1]
        return np.vstack([way[:-1], line])
    return line


def _drain_pieces(
    main: mains.Main, line: Floats, levels: Floats, length: float, number: int = 0
) -> list[Row]:
    rows: list[Row] = []
    first = 0
    for piece in in_pieces(line, length):
        tops = levels[first : first + len(piece)]
        name = f"{main.kind[:2].upper()}-{main.street[:2].upper()}-{number}{len(rows) + 1:02d}"
        rows.append(_drain_row(main, piece, tops, name))
        first += len(piece) - 1
    return rows


def _drain_row(main: mains.Main, points: Floats, tops: Floats, name: str) -> Row:
    # A pipe is straight between manholes: its top runs evenly from end to end.
    along = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    even = np.interp(along, [0, along[-1]], [tops[0], tops[-1]])
    return {
        "utility_id": name,
        "kind": main.kind,
        "owner": OWNERS[main.kind],
        "material": main.material,
        "diameter_m": main.diameter,
        "quality": main.quality,
        "status": "live",
        "geometry": LineString(np.column_stack([points, even]).round(3)),
    }


def inlet_rows(streets: dict[str, Street], relief: Relief) -> list[Row]:
    """Laterals from the storm mains to the street inlets, each with its invert at the main."""
    rows: list[Row] = []
    for number, (main, line) in enumerate(_storm_lines(streets)):
        street = streets[main.street]
        for piece in in_pieces(line, INLET_SPACING)[:-1]:
            manhole = piece[-1]
            station = street.path.station_of(manhole)
            if street.path.line.distance(Point(manhole)) > street.edge(1):
                continue
            for side in (1, -1):
                inlet = street.path.at(station, side * (street.edge(side) - 0.25))[0]
                ground = float(relief.level(inlet[:1], inlet[1:])[0])
                rows.append({
                    "utility_id": f"INL-{main.street[:2].upper()}-{number}-{len(rows) + 1}",
                    "kind": "storm",
                    "owner": OWNERS["storm"],
                    "material": "concrete",
                    "diameter_m": 0.305,
                    "invert_elev_m": round(ground - INLET_DEPTH, 2),
                    "quality": "C",
                    "status": "live",
                    "geometry": LineString(np.array([manhole, inlet]).round(3)),
                })  # fmt: skip
    return rows
