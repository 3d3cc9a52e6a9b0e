"""The project's inputs and its written plan, read apart from the planner."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from hashlib import sha256
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import pyproj
import shapely
from shapely.geometry.base import BaseGeometry

from tests.independent.figures import Rules
from tests.independent.ground import UNITS, Place, place_of, read_raster
from tests.independent.records import Case
from tests.independent.solids import service_of

LAYERS = ("pits", "legs", "connections", "conflicts", "pit_footprints")
MORE_UNITS = {
    "km/h": 1.0, "mph": 1.609344, "L/s": 1.0, "m3/d": 1 / 86.4, "gpd": 3.785411784 / 86400,
    "gpm": 3.785411784 / 60, "%": 1.0, "m/m": 100.0, "ft/100ft": 1.0,
}  # fmt: skip
TARGETS = (("_mm", 0.001), ("_m", 1.0))


def read_case(project_file: Path, directory: Path) -> Case:
    """Everything an audit needs."""
    project = tomllib.loads(project_file.read_text(encoding="utf-8"))
    folder = project_file.parent
    crs = pyproj.CRS.from_user_input(project["project"]["crs"])
    streets = read_layer(folder, project["streets"], crs)
    ground = project["ground"]
    raster = read_raster(folder / ground["path"], ground["vertical_unit"])
    place = place_of(crs, list(streets.geometry.explode()), raster)
    rules = _rules(project)
    optional = {
        name: _local(place, read_layer(folder, project.get(name), crs))
        for name in ("properties", "tie_ins", "keep_out", "zones", "right_of_way")
    }
    plan = {
        name: _local(place, pyogrio.read_dataframe(directory / "plan.gpkg", layer=name))
        for name in LAYERS
    }
    local_streets = _local(place, streets)
    utilities = [(_, read_layer(folder, _, crs)) for _ in project.get("utilities", [])]
    return Case(
        project=project,
        place=place,
        rules=rules,
        level_step=level_step(project, crs),
        right_of_way=_right_of_way(local_streets, optional["right_of_way"]),
        streets=local_streets,
        properties=optional["properties"],
        tie_ins=optional["tie_ins"],
        keep_out=optional["keep_out"],
        zones=optional["zones"],
        services=tuple(
            service
            for table, layer in utilities
            for service in _services(place, table, _local(place, layer))
        ),
        pits=plan["pits"],
        legs=plan["legs"],
        connections=plan["connections"],
        conflicts=plan["conflicts"],
        footprints=plan["pit_footprints"],
        summary=json.loads((directory / "plan.json").read_text(encoding="utf-8")),
        input_digests=_digests(project, folder),
    )


def read_layer(folder: Path, table: Any, crs: pyproj.CRS) -> gpd.GeoDataFrame:
    """One input layer under its canonical column names and units, in the project's CRS."""
    if table is None:
        return gpd.GeoDataFrame(geometry=[], crs=crs)
    frame = pyogrio.read_dataframe(folder / table["path"], layer=table.get("layer"))
    for name, source in table.get("fields", {}).items():
        column = source if isinstance(source, str) else source["column"]
        factor = 1.0 if isinstance(source, str) else _factor(name, source.get("unit"))
        values = frame[column]
        frame[name] = values if factor == 1.0 else values.astype(float) * factor
    return frame if frame.crs is None or frame.crs == crs else frame.to_crs(crs)


def _factor(name: str, unit: str | None) -> float:
    """What turns a column's unit into the one that its canonical name ends in."""
    if unit is None:
        return 1.0
    if unit in MORE_UNITS:
        return MORE_UNITS[unit]
    target = next((size for ending, size in TARGETS if name.endswith(ending)), 1.0)
    return UNITS[unit] / target


def _local(place: Place, frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """A layer in metres on the ground, without a CRS."""
    shapes = [None if shape is None else place.local(shape) for shape in frame.geometry]
    columns = frame.drop(columns=frame.geometry.name)
    return gpd.GeoDataFrame(columns, geometry=gpd.GeoSeries(shapes, index=frame.index))


def _rules(project: Mapping[str, Any]) -> Rules:
    changes = dict(project.get("rules", {}))
    by_units = "us-ten-states" if project["project"]["display_units"] == "us" else "eu-metric"
    rule_set = changes.pop("set", by_units)
    return Rules(rule_set, changes, project.get("equipment", {}))


def level_step(project: Mapping[str, Any], crs: pyproj.CRS) -> float:
    """Step of the printed grid of levels. [m]"""
    if project["project"]["display_units"] != "us":
        return 0.01
    survey = abs(crs.axis_info[0].unit_conversion_factor - UNITS["us-ft"]) < 1e-9
    survey = survey or project["ground"]["vertical_unit"] == "us-ft"
    return 0.01 * (UNITS["us-ft"] if survey else UNITS["ft"])


def number(row: Any, name: str, default: float = float("nan")) -> float:
    """A number of a row; the default where it is absent."""
    value = row.get(name)
    if value is None or (isinstance(value, float) and np.isnan(value)) or value == "":
        return default
    return float(value)


def text(row: Any, name: str, default: str = "") -> str:
    """A text of a row; the default where it is absent."""
    value = row.get(name)
    return default if value is None or value != value or value == "" else str(value)  # noqa: PLR0124


def _right_of_way(streets: gpd.GeoDataFrame, given: gpd.GeoDataFrame) -> BaseGeometry:
    if len(given):
        return shapely.union_all(given.geometry.to_numpy())
    strips = []
    for _, row in streets.iterrows():
        lanes, lane = number(row, "lanes", 2.0), number(row, "lane_width_m", 3.5)
        width = number(row, "row_width_m", lanes * lane + 6.0)
        strips.append(row.geometry.buffer(width / 2, quad_segs=64))
    return shapely.union_all(strips)


def _services(place: Place, table: Mapping[str, Any], layer: gpd.GeoDataFrame) -> list[Any]:
    name = Path(table["path"]).name
    given = [text(row, "utility_id") for _, row in layer.iterrows()]
    services = []
    for position, (_, row) in enumerate(layer.iterrows()):
        own = given[position]
        unique = own if own and given.count(own) == 1 else f"{name}:{position + 1}"
        kind = text(row, "kind", str(table.get("kind", "unknown")))
        services += service_of(place, row, unique, kind)
    return services


def _digests(project: Mapping[str, Any], folder: Path) -> dict[str, str]:
    tables = [table for table in project.values() if isinstance(table, dict)]
    tables += project.get("utilities", [])
    paths = [table["path"] for table in tables if "path" in table]
    return {path: sha256((folder / path).read_bytes()).hexdigest() for path in paths}
