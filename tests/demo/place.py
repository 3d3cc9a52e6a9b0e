"""The demo's files read with geopandas and rasterio alone, and what can be measured in them."""

from __future__ import annotations

import tomllib
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import geopandas as gpd
import networkx as nx
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyogrio
import rasterio
import shapely

DEMO = Path(__file__).parents[2] / "demo_data"
INCH, FOOT = 0.0254, 0.3048  # [m]
LAUNCH_PIT = (4.3, 2.7)  # [m] outside its shoring: 4.0 x 2.4 m and 0.15 m each side
PIT_CLEARANCE = 0.6  # [m] from live services
MIN_SLOPE = 0.0040  # [-] an 8 inch sewer's, Ten States Standards (2014) table in 33.41
MIN_COVER, PIPE = 1.2, 0.25  # [m] cover, and what an 8 inch bore takes
MAX_PIT_DEPTH, LAUNCH_FLOOR = 7.6, 0.5  # [m] ground to floor, invert to floor; common practice
CONNECTION_DROP, CONNECTION_SLOPE = 0.60, 0.0208  # [m] floor to invert, [-]; common practice

Floats = npt.NDArray[np.float64]


def layers_of(path: Path) -> list[str]:
    return [str(name) for name in pyogrio.list_layers(path)[:, 0]]


@cache
def read(file: str, layer: str) -> gpd.GeoDataFrame:
    return gpd.read_file(DEMO / f"{file}.gpkg", layer=layer)


@cache
def streets() -> gpd.GeoDataFrame:
    """One line a street, its blocks joined."""
    blocks = read("streets", "streets")
    joined = blocks.dissolve("street", aggfunc="first", sort=False)
    joined["geometry"] = [shapely.line_merge(line) for line in joined.geometry]
    return joined.reset_index()


def street_named(name: str) -> Any:
    return streets().set_index("street").loc[name]


@cache
def raster() -> tuple[Floats, Any]:
    with rasterio.open(DEMO / "ground.tif") as ground:
        return ground.read(1).astype(float), ground.transform


def ground_at(points: Floats) -> Floats:
    """Ground at points (n, 2), bilinear between cell centres. [m]"""
    cells, transform = raster()
    column = points[:, 0] - transform.c - 0.5
    row = transform.f - points[:, 1] - 0.5
    c, r = np.floor(column).astype(int), np.floor(row).astype(int)
    u, v = column - c, row - r
    top = cells[r, c] * (1 - u) + cells[r, c + 1] * u
    low = cells[r + 1, c] * (1 - u) + cells[r + 1, c + 1] * u
    return np.asarray(top * (1 - v) + low * v)


def along(line: shapely.LineString, step: float) -> Floats:
    """Points each `step` metres along a line, (n, 2)."""
    at = shapely.line_interpolate_point(line, np.arange(0, line.length, step))
    return np.asarray(shapely.get_coordinates(at))


@cache
def services() -> gpd.GeoDataFrame:
    """All services: outside half width, and depth from ground to top where it is known. [m]"""
    frames = []
    for table in tomllib.loads((DEMO / "project.toml").read_text("utf-8"))["utilities"]:
        path = DEMO / table["path"]
        frame = gpd.read_file(path, layer=table.get("layer", layers_of(path)[0]))
        frame["kind"] = table.get("kind", frame.get("kind"))
        frame["file"] = path.stem
        frames.append(frame)
    whole = gpd.GeoDataFrame(pd.concat(frames, ignore_index=True), crs=frames[0].crs)
    diameter = whole["diameter_m"].fillna(whole["DIA_IN"] * INCH).fillna(whole["width_m"])
    wall = np.where(whole["kind"].isin(["sewer", "storm"]), diameter / 12 + 0.025, 0.0)
    whole["half"] = (diameter / 2 + wall).fillna(0.15)
    whole["depth"] = whole["depth_m"].fillna(whole["COVER_FT"] * FOOT)
    return whole


def room_for_pits(street: Any) -> float:
    """Share of a street's stations where a launch pit fits in some lane, clear of live services."""
    live = services().query("status == 'live'")
    near = live[live.distance(street.geometry) < 15]
    taken = shapely.union_all(near.buffer(near.half + PIT_CLEARANCE))
    barred = read("site", "keep_out").query(
        "applies_to != applies_to or applies_to.str.contains('pits')"
    )
    free = read("site", "right_of_way").union_all() - taken - barred.union_all()
    lanes = np.arange(street.lanes) * street.lane_width_m
    offsets = lanes - lanes.mean()
    fits = [free.covers(boxes(street.geometry, offset)) for offset in offsets]
    return float(np.any(fits, axis=0).mean())


def boxes(line: shapely.LineString, offset: float) -> Any:
    """A launch pit at each second metre of a line, at an offset and square to the line."""
    stations = np.arange(4.0, line.length - 4.0, 2.0)
    here, ahead = (
        shapely.get_coordinates(shapely.line_interpolate_point(line, stations + d))
        for d in (0, 0.5)
    )
    unit = (ahead - here) / np.linalg.norm(ahead - here, axis=1)[:, None]
    left = np.column_stack([-unit[:, 1], unit[:, 0]])
    long, wide = LAUNCH_PIT[0] / 2 * unit, LAUNCH_PIT[1] / 2 * left
    middle = here + offset * left
    ring = [middle - long - wide, middle + long - wide, middle + long + wide, middle - long + wide]
    return shapely.polygons(np.stack(ring, axis=1))


def lowest_sewer() -> tuple[Floats, Floats]:
    """Points each 2 m of the streets, and the lowest invert a sewer can have there. [m]"""
    net = nx.Graph()
    for line in read("streets", "streets").query("sewer == 'allowed'").geometry:
        vertices = [*map(tuple, along(line, 2.0).round(3)), line.coords[-1]]
        for a, b in pairwise(vertices):
            net.add_edge(a, b, length=float(np.hypot(a[0] - b[0], a[1] - b[1])))
    tie_in = read("site", "tie_ins").iloc[0]
    start = min(net, key=lambda p: shapely.Point(p).distance(tie_in.geometry))
    far = nx.single_source_dijkstra_path_length(net, start, weight="length")
    points = np.array(list(far))
    return points, tie_in.invert_elev_m + MIN_SLOPE * np.array(list(far.values()))
