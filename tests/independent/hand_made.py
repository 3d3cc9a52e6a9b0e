"""A site and a plan small enough to be worked out on paper, written as files.

A plane falls 1 % to the west; a street runs east along y = 0 from a tie-in at x = 0. Pit A stands
at x = 60, pit B at x = 120; leg L1 drains A into the tie-in, L2 drains B into A. DN 200, inside
200 mm, outside 276 mm, jacked in a bore of 296 mm: the bore's floor lies 38 mm under the invert,
its axis 110 mm over it and its top 258 mm over it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyproj
import rasterio
from shapely.affinity import scale, translate
from shapely.geometry import LineString, Point, box

from tests.independent.figures import NAMES, Rules
from tests.independent.flows import full_flow, solve_depth
from tests.independent.form import COLUMNS
from tests.independent.ground import grid_to_ground
from tests.independent.totals import COST_PARTS

CRS = "EPSG:32635"
EAST, NORTH = 500_000.0, 6_670_000.0  # the tie-in
MEAN_GROUND = 20.0 + 0.01 * 65.0  # [m] at the street's two vertices, x = -10 and 140

PROJECT = f"""
[project]
name = "On paper"
crs = "{CRS}"
display_units = "metric"
vertical_datum = "none"
[ground]
path = "ground.tif"
vertical_unit = "m"
[streets]
path = "streets.gpkg"
[[utilities]]
path = "gas.gpkg"
kind = "gas"
[properties]
path = "properties.gpkg"
[tie_ins]
path = "tie_ins.gpkg"
"""


@dataclass
class HandMade:
    """Layers and summary of the plan, free to be changed before they are written."""

    folder: Path
    k: float
    layers: dict[str, gpd.GeoDataFrame]
    summary: dict[str, Any]

    @property
    def project_file(self) -> Path:
        """The project's TOML file."""
        return self.folder / "project.toml"

    def write(self) -> Path:
        """Write plan.gpkg and plan.json; where they are."""
        target = self.folder / "out"
        target.mkdir()
        for name, frame in self.layers.items():
            frame.to_file(target / "plan.gpkg", layer=name)
        (target / "plan.json").write_text(json.dumps(self.summary), encoding="utf-8")
        return target


def make(folder: Path) -> HandMade:
    """The site on disk, and a plan for it in which everything holds."""
    k = grid_to_ground(pyproj.CRS(CRS), (EAST + 65.0, NORTH), MEAN_GROUND)
    _write_site(folder, k)
    layers = {name: _frame(name, [], k) for name in COLUMNS}
    layers["pits"] = _frame("pits", _pits(), k)
    layers["legs"] = _frame("legs", _legs(), k)
    layers["connections"] = _frame("connections", _connections(), k)
    layers["pit_footprints"] = _frame("pit_footprints", _footprints(), k)
    return HandMade(folder, k, layers, _summary(folder, k))


def on_grid(shape: Any, k: float) -> Any:
    """A shape in metres on the ground from the tie-in, in the CRS."""
    return translate(scale(shape, k, k, origin=(0, 0)), EAST, NORTH)


def _write_site(folder: Path, k: float) -> None:
    (folder / "project.toml").write_text(PROJECT, encoding="utf-8")
    for name, rows in {
        "streets": [{"street": "Plane Street", "geometry": LineString([(-10, 0), (140, 0)])}],
        "gas": [
            {"utility_id": "G1", "depth_m": 1.0, "diameter_m": 0.15, "quality": "B",
             "geometry": LineString([(90, -5), (90, 5)])},
        ],
        "properties": [{"property_id": "H1", "floor_elev_m": 19.0, "geometry": Point(40, 10)}],
        "tie_ins": [{"tie_in_id": "T", "invert_elev_m": 17.0, "geometry": Point(0, 0)}],
    }.items():  # fmt: skip
        frame = gpd.GeoDataFrame(rows, crs=CRS)
        frame.geometry = [on_grid(shape, k) for shape in frame.geometry]
        frame.to_file(folder / f"{name}.gpkg", layer=name)
    _write_plane(folder / "ground.tif", k)


def _write_plane(path: Path, k: float) -> None:
    """The plane z = 20 + 0.01 x, with x in metres on the ground from the tie-in."""
    rows, columns = 60, 200
    x = (np.arange(columns) - 30 + 0.5) / k
    values = np.broadcast_to(20 + 0.01 * x, (rows, columns))
    transform = rasterio.Affine(1.0, 0.0, EAST - 30, 0.0, -1.0, NORTH + 30)
    shape = {"driver": "GTiff", "width": columns, "height": rows, "count": 1, "dtype": "float64"}
    with rasterio.open(path, "w", **shape, crs=CRS, transform=transform) as target:
        target.write(values, 1)


def _frame(layer: str, rows: list[dict[str, Any]], k: float) -> gpd.GeoDataFrame:
    columns = [*COLUMNS[layer].split(), "geometry"]
    shapes = [on_grid(row.pop("geometry"), k) for row in rows]
    filled = [{name: row.get(name) for name in columns} for row in rows]
    frame = gpd.GeoDataFrame(filled, columns=columns, geometry="geometry", crs=CRS)
    frame.geometry = gpd.GeoSeries(shapes, crs=CRS) if shapes else frame.geometry
    return frame


def _pits() -> list[dict[str, Any]]:
    tie_in = {
        "pit_id": "T", "kind": "tie-in", "ground_elev_m": 20.0, "invert_elev_m": 17.0,
        "floor_elev_m": 17.0, "depth_m": 3.0, "launches": 0, "receives": 1,
    }  # fmt: skip
    a = {
        "pit_id": "A", "kind": "pit", "ground_elev_m": 20.6, "invert_elev_m": 17.64,
        "floor_elev_m": 17.14, "depth_m": 3.46, "launches": 2, "receives": 0, "drop_m": 0.03,
    }  # fmt: skip
    b = {
        "pit_id": "B", "kind": "pit", "ground_elev_m": 21.2, "invert_elev_m": 18.27,
        "floor_elev_m": 17.97, "depth_m": 3.23, "launches": 0, "receives": 1, "drop_m": 0.0,
    }  # fmt: skip
    spots = (0.0, 60.0, 120.0)
    common = {"manhole": True, "manhole_diameter_m": 1.2, "cost": 100.0}
    return [
        pit | common | {"geometry": Point(x, 0)}
        for pit, x in zip((tie_in, a, b), spots, strict=True)
    ]


def _legs() -> list[dict[str, Any]]:
    """Peak of L1: 2.5 people x 150 L/d x 18.05 / 4.05, and 0.0005 x 0.12 km x 200 mm."""
    peak = 2.5 * 150 / 86_400 * 18.05 / 4.05
    one = _leg("L1", ("A", "T"), (17.64, 17.04), (60.0, 0.0), peak + 0.012)
    two = _leg("L2", ("B", "A"), (18.27, 17.67), (120.0, 60.0), 0.006)
    # from face to face: half a launch pit 2.15 m, half an exit pit 1.35 m; 2 m at the tie-in
    return [one | {"bored_length_m": 55.85}, two | {"bored_length_m": 56.5}]


def _leg(
    name: str,
    pits: tuple[str, str],
    inverts: tuple[float, float],
    spots: tuple[float, float],
    flow: float,
) -> dict[str, Any]:
    full = full_flow(0.2, 0.01, 0.013)
    ratio, velocity = solve_depth(flow / 1000, 0.2, 0.01, 0.013)
    cover = 20 + 0.01 * spots[1] - inverts[1] - 0.258  # the lower end has the least: see levels
    return {
        "leg_id": name, "up_pit": pits[0], "down_pit": pits[1], "run_id": "A", "length_m": 60.0,
        "fall_m": 0.6, "slope_pct": 1.0, "invert_up_m": inverts[0], "invert_down_m": inverts[1],
        "diameter_mm": 200, "inside_diameter_mm": 200.0, "outside_diameter_mm": 276.0,
        "bore_diameter_mm": 296.0, "bore_axis_up_m": inverts[0] + 0.110,
        "bore_axis_down_m": inverts[1] + 0.110, "min_cover_m": cover, "flow_l_per_s": flow,
        "capacity_l_per_s": full * 1000, "velocity_m_per_s": velocity,
        "velocity_full_m_per_s": full / (np.pi * 0.01), "depth_ratio": ratio, "launch_pit": "A",
        "pipe_entry_pit": "A", "method": "jacked", "cost": 1000.0,
        "geometry": LineString([(spots[0], 0), (spots[1], 0)]),
    }  # fmt: skip


def _connections() -> list[dict[str, Any]]:
    """At x = 40 the sewer's invert is 17.44; half the diameter above it is 17.54."""
    return [
        {
            "connection_id": "C1", "property_id": "H1", "joins": "L1", "method": "shaft and saddle",
            "length_m": 10.0, "slope_pct": 3.0, "diameter_mm": 100, "invert_property_m": 17.90,
            "invert_sewer_m": 17.60, "depth_at_sewer_m": 2.8, "served": True, "why_not": "",
            "cost": 50.0, "geometry": LineString([(40, 10), (40, 0)]),
        }
    ]  # fmt: skip


def _footprints() -> list[dict[str, Any]]:
    return [
        {"pit_id": "A", "length_m": 4.3, "width_m": 2.7, "depth_m": 3.46,
         "volume_m3": 4.3 * 2.7 * 3.46, "geometry": box(57.85, -1.35, 62.15, 1.35)},
        {"pit_id": "B", "length_m": 2.7, "width_m": 2.7, "depth_m": 3.23,
         "volume_m3": 2.7 * 2.7 * 3.23, "geometry": box(118.65, -1.35, 121.35, 1.35)},
    ]  # fmt: skip


def _summary(folder: Path, k: float) -> dict[str, Any]:
    costs: Mapping[str, float] = {"pits": 300.0, "legs": 2000.0, "connections": 50.0}
    rules = Rules("eu-metric", {}, {})
    numbers = {name: rules.number(name) for name in NAMES}
    values = {name: value if np.isfinite(value) else None for name, value in numbers.items()}
    paths = ["ground.tif", "streets.gpkg", "gas.gpkg", "properties.gpkg", "tie_ins.gpkg"]
    return {
        "pitline": "0", "project": "On paper", "status": "ok", "grid_to_ground": k,
        "totals": {"legs": 2, "length_m": 120.0, "pits": 2, "properties": 1, "served": 1,
                   "cost": 2350.0, "social_cost": 0, "currency": "EUR", "working_days": 0},
        "cost_breakdown": {name: costs.get(name, 0.0) for name in COST_PARTS},
        "optimality": {"cost": None, "lower_bound": None, "gap_pct": None},
        "breaches": [], "assumptions": [], "costs": {}, "timings_s": {},
        "rules": {name: {"value": value, "unit": "", "source": "here"}
                  for name, value in values.items()},
        "inputs": [{"path": path, "sha256": sha256((folder / path).read_bytes()).hexdigest()}
                   for path in paths],
    }  # fmt: skip
