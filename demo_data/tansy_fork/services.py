"""Services of Tansy Fork as lines: mains, joints at junctions, house services, storm laterals."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely import LineString, Point
from shapely.ops import substring

from tansy_fork import mains
from tansy_fork.ground import Relief
from tansy_fork.houses import House
from tansy_fork.mains import Main
from tansy_fork.paths import Floats
from tansy_fork.streets import Street

OWNERS = {
    "water": "Tansy Fork Water Board", "gas": "Hollis County Gas", "electric": "Prairie Oak Power",
    "telecom": "Longgrass Telephone", "storm": "Town of Tansy Fork",
    "sewer": "Tansy Fork Sanitary District",
}  # fmt: skip
Row = dict[str, Any]


def main_lines(
    listed: list[Main], streets: dict[str, Street], known: dict[tuple[str, str], LineString]
) -> list[tuple[Main, Floats]]:
    """Each main with its line; `known` learns the line of each street and kind."""
    lines = []
    for main in listed:
        points = _main_line(main, streets, known)
        known.setdefault((main.street, main.kind), LineString(points))
        lines.append((main, points))
    return lines


def _main_line(
    main: Main, streets: dict[str, Street], known: dict[tuple[str, str], LineString]
) -> Floats:
    street = streets[main.street]
    start, end = main.start, min(main.end, street.path.length)
    first = _meeting(main, streets, known, 0.0) if start < 0 else None
    last = _meeting(main, streets, known, street.path.length) if main.end == mains.JOIN else None
    if first is not None:
        start = _mouth(street, streets, 0.0)
    if last is not None:
        end = street.path.length - _mouth(street, streets, street.path.length)
    if end < start:
        points = street.path.beside(main.offset, end, start)[::-1]
    else:
        points = street.path.beside(main.offset, start, end)
    if first is not None:
        points = np.vstack([_onto(first, points[0]), points])
    if last is not None:
        points = np.vstack([points, _onto(last, points[-1])])
    return points


def _through(street: Street, streets: dict[str, Street], station: float) -> Street:
    """The other street at one end of a street."""
    point = Point(street.path.at(station)[0])
    met = [s for s in streets.values() if s is not street and s.path.line.distance(point) < 0.01]
    return met[0]


def _mouth(street: Street, streets: dict[str, Street], station: float) -> float:
    """How far inside a street its mains turn towards those of the street it meets. [m]"""
    return _through(street, streets, station).row_width / 2 + 2.0


def _meeting(
    main: Main, streets: dict[str, Street], known: dict[tuple[str, str], LineString], station: float
) -> LineString | None:
    other = _through(streets[main.street], streets, station)
    return known.get((other.name, main.kind))


def _onto(line: LineString, point: Floats) -> Floats:
    return np.array(line.interpolate(line.project(Point(point))).coords)


def main_row(main: Main, points: Floats, number: int) -> Row:
    """A main as a row of its owner's file."""
    return {
        "utility_id": f"{main.kind[0].upper()}-{main.street[:2].upper()}-{number}",
        "kind": main.kind,
        "owner": OWNERS.get(main.kind),
        "material": main.material or None,
        "diameter_m": main.diameter or None,
        "depth_m": main.depth,
        "quality": main.quality,
        "status": "live",
        "geometry": LineString(points.round(3)),
    }


def in_pieces(points: Floats, length: float) -> list[Floats]:
    """A line cut at vertices into pieces of about a length, as drawings hold it."""
    along = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    count = max(1, round(along[-1] / length))
    wanted = np.linspace(0, along[-1], count + 1)
    cuts = np.unique([int(np.argmin(np.abs(along - cut))) for cut in wanted])
    return [points[a : b + 1] for a, b in pairwise(cuts)]


def prove(rows: list[Row], relief: Relief) -> list[Row]:
    """Rows in which each proved stretch is a row of its own, with its surveyed level."""
    for name, start, end, column in mains.PROVED:
        at = next((i for i, row in enumerate(rows) if row["utility_id"] == name), None)
        if at is not None:
            rows = [*rows[:at], *_proved(rows[at], (start, end), column, relief), *rows[at + 1 :]]
    return rows


def _proved(row: Row, stretch: tuple[float, float], column: str, relief: Relief) -> list[Row]:
    line = row["geometry"]
    cuts = [0.0, *stretch, line.length]
    parts = [substring(line, a, b) for a, b in pairwise(cuts) if b > a]
    rows = [{**row, "utility_id": f"{row['utility_id']}{'abc'[i]}", "geometry": part}
            for i, part in enumerate(parts)]  # fmt: skip
    middle = line.interpolate(sum(stretch) / 2)
    top = float(relief.level(np.array([middle.x]), np.array([middle.y]))[0]) - row["depth_m"]
    level = top - (row["diameter_m"] / 2 if column == "centre_elev_m" else 0.0)
    proved = rows[1 if stretch[0] > 0 else 0]
    proved |= {"quality": "A", "depth_m": None, column: round(level, 2)}
    for part in rows:
        part["geometry"] = LineString(np.array(part["geometry"].coords).round(3))
    return rows


def vault_rows(streets: dict[str, Street]) -> list[Row]:
    """Telecom vaults, as points."""
    width, height, depth = mains.VAULT
    return [
        {
            "utility_id": f"T-V{number}", "kind": "telecom", "owner": OWNERS["telecom"],
            "material": "concrete", "width_m": width, "height_m": height, "depth_m": depth,
            "quality": "B", "status": "live",
            "geometry": Point(streets[street].path.at(station, offset)[0].round(3)),
        }
        for number, (street, station, offset) in enumerate(mains.VAULTS, 1)
    ]  # fmt: skip


def house_services(
    kind: str,
    houses: list[House],
    lines: dict[tuple[str, str], LineString],
    share: float,
    rng: np.random.Generator,
) -> list[Row]:
    """Short pipes from the street's main to some of the houses."""
    rows = []
    for house in houses:
        line = lines.get((house.street, kind))
        if line is None or rng.random() > share:
            continue
        aside = 1.8 if kind == "gas" else -1.8
        wall = house.front + aside * _along_wall(house)
        start = _onto(line, wall)[0]
        rows.append({
            "utility_id": f"{kind[0].upper()}-S-{house.house_id}",
            "kind": kind,
            "owner": OWNERS[kind],
            "material": "copper" if kind == "water" else "polyethylene",
            "diameter_m": 0.0286 if kind == "water" else 0.0267,
            "depth_m": 1.2 if kind == "water" else 0.72,
            "quality": "C" if rng.random() < 0.5 else "D",
            "status": "live",
            "geometry": LineString(np.array([start, wall]).round(3)),
        })  # fmt: skip
    return rows


def _along_wall(house: House) -> Floats:
    corners = np.array(house.building.exterior.coords)
    steps = np.diff(corners, axis=0)
    lengths = np.linalg.norm(steps, axis=1)
    away = house.building.centroid
    out = np.array([away.x, away.y]) - house.front
    square = np.abs(steps @ out) / lengths
    step = steps[int(np.argmin(square))]
    return np.asarray(step / np.linalg.norm(step))


def drain_profile(points: Floats, relief: Relief, cover: float) -> Floats:
    """Levels of a drain's outside top from its outlet up: falling, with cover. [m]"""
    ground = relief.level(*points.T)
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    levels = ground - cover
    for i in range(len(levels) - 1, 0, -1):  # from the head down, at least 0.4 %
        levels[i - 1] = min(levels[i - 1], levels[i] - 0.004 * steps[i - 1])
    return np.asarray(levels.round(2))


def layer(rows: list[Row]) -> gpd.GeoDataFrame:
    """Rows as a layer."""
    return gpd.GeoDataFrame(pd.DataFrame(rows), geometry="geometry")
