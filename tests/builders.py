"""Builds small sites of known geometry as real files: a plane, a street, a main, a few houses.

Coordinates are metres east and north of `ORIGIN` in `GROUND_CRS`, whose scale is such that at an
elevation of 100 m grid distance equals ground distance: a street of 200 m is 200 m long. So the
right answer can be worked out on paper.

    project = build_site(tmp_path, ground=plane(100.0, fall_x=0.01),
                         streets=[line((0, 0), (200, 0), street="Main Street")],
                         utilities=[line((80, -20), (80, 20), kind="gas", depth_m=0.9)])
    site = planner.read_site(project)
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyproj
import rasterio
import shapely
from affine import Affine

EARTH_RADIUS = 6_371_000.0  # [m]
LEVEL = 100.0  # [m] elevation at which the grid of `GROUND_CRS` is true to the ground
GROUND_CRS = (
    "+proj=tmerc +lat_0=46.5 +lon_0=-93.9 +k_0="
    f"{(EARTH_RADIUS + LEVEL) / EARTH_RADIUS:.12f} +x_0=5000 +y_0=5000 +datum=NAD83 +units=m"
)
ORIGIN = (5000.0, 5000.0)  # [m] where 0, 0 of the builders lies in `GROUND_CRS`
LAYERS = (
    "streets", "right_of_way", "utilities", "properties", "tie_ins", "keep_out",
    "street_features", "boreholes", "zones", "control",
)  # fmt: skip

Row = dict[str, Any]
Surface = Callable[[np.ndarray, np.ndarray], np.ndarray]


def plane(level: float = LEVEL, fall_x: float = 0.0, fall_y: float = 0.0) -> Surface:
    """Ground that has a level at 0, 0 and falls by so many metres a metre towards east, north."""
    return lambda x, y: level - fall_x * x - fall_y * y


def line(*places: tuple[float, ...], **columns: Any) -> Row:
    """A row of a line layer, through places relative to `ORIGIN`."""
    return {"geometry": shapely.LineString(places), **columns}


def point(*place: float, **columns: Any) -> Row:
    """A row of a point layer, at a place relative to `ORIGIN`."""
    return {"geometry": shapely.Point(*place), **columns}


def polygon(*places: tuple[float, float], **columns: Any) -> Row:
    """A row of a polygon layer, round places relative to `ORIGIN`."""
    return {"geometry": shapely.Polygon(places), **columns}


def main_street(length: float = 200.0, **columns: Any) -> list[Row]:
    """One straight street from 0, 0 to the east."""
    return [line((0, 0), (length, 0), **({"street": "Main Street"} | columns))]


def houses(length: float = 200.0, every: float = 40.0, away: float = 15.0) -> list[Row]:
    """Houses on both sides of the main street."""
    stations = np.arange(every / 2, length, every).tolist()
    return [point(x, y) for x in stations for y in (-away, away)]


def build_site(
    folder: Path,
    *,
    ground: Surface | np.ndarray | None = None,
    project: Mapping[str, Any] | None = None,
    tables: Mapping[str, Mapping[str, Any]] | None = None,
    crs: str = GROUND_CRS,
    layer_crs: Mapping[str, str] | None = None,
    **layers: Sequence[Row] | gpd.GeoDataFrame | None,
) -> Path:
    """Write a site into a folder, and return the path of its project file.

    Parameters
    ----------
    folder
        Where the files go; made if it is not there.
    ground
        Elevation as a function of x and y relative to `ORIGIN`; default a plane that falls 1 % to
        the west, to the tie-in at 0, 0.
    project, tables
        Keys of [project], and of other tables by name, that are added or changed; `None` removes
        a key.
    crs
        CRS of the project and of every file not named in ``layer_crs``.
    layer_crs
        CRS of a layer's file, "ground" among them.
    layers
        Rows of each layer, in place of the default ones; `None` leaves the layer out.
    """
    folder.mkdir(parents=True, exist_ok=True)
    chosen = {
        "streets": main_street(),
        "properties": houses(),
        "tie_ins": [point(0, 0, tie_in_id="T1", invert_elev_m=96.0)],
    } | layers
    if odd := set(chosen) - set(LAYERS):
        raise TypeError(f"no such layer: {odd}")
    frames = {name: rows_to_frame(rows) for name, rows in chosen.items() if rows is not None}
    of_layer = dict(layer_crs or {})
    content: dict[str, Any] = {
        "project": {
            "name": "Test site", "crs": crs, "display_units": "metric",
            "vertical_datum": "NAVD88", "date": "2027-05-01",
        },
        "ground": {"path": "ground.tif", "vertical_unit": "m"},
    }  # fmt: skip
    for name, frame in frames.items():
        write_layer(frame, folder / f"{name}.gpkg", of_layer.get(name, crs))
        content[name] = {"path": f"{name}.gpkg"}
    surface = ground if ground is not None else plane(fall_x=-0.01)
    write_ground(folder / "ground.tif", surface, frames["streets"], of_layer.get("ground", crs))
    content["project"] |= dict(project or {})
    for name, keys in (tables or {}).items():
        content[name] = content.get(name, {}) | dict(keys)
    path = folder / "project.toml"
    path.write_text(to_toml(content), encoding="utf-8")
    return path


def rows_to_frame(rows: Sequence[Row] | gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Rows relative to `ORIGIN` as a frame in `GROUND_CRS`; a frame as it is."""
    if isinstance(rows, gpd.GeoDataFrame):
        return rows
    shapes = [_shifted(row["geometry"]) for row in rows]
    names = list(dict.fromkeys(name for row in rows for name in row if name != "geometry"))
    data = {name: [row.get(name) for row in rows] for name in names}
    return gpd.GeoDataFrame(data, geometry=shapes, crs=GROUND_CRS)


def _shifted(shape: shapely.Geometry | None) -> shapely.Geometry | None:
    if shape is None:
        return None
    height = bool(shapely.has_z(shape))
    shift = np.array([*ORIGIN, 0.0] if height else ORIGIN)
    return shapely.transform(shape, lambda xy: xy + shift, include_z=height)


def write_layer(frame: gpd.GeoDataFrame, path: Path, crs: str | None) -> None:
    """Write a frame in `GROUND_CRS` as a GeoPackage in another CRS."""
    if crs is not None and frame.crs is not None and crs != GROUND_CRS:
        frame = frame.to_crs(crs)
    frame.to_file(path, driver="GPKG")


def write_ground(
    path: Path,
    surface: Surface | np.ndarray,
    streets: gpd.GeoDataFrame,
    crs: str,
    margin: float = 100.0,
    cell: float = 1.0,
) -> None:
    """Write ground about the streets as a GeoTIFF with cells of 1 m, of the CRS in another unit.

    A surface is evaluated at the centres of cells; an array is written as it is, its first cell
    at the north-west corner.
    """
    way = pyproj.Transformer.from_crs(crs, GROUND_CRS, always_xy=True)
    outline = streets.to_crs(GROUND_CRS).total_bounds + np.array([-1, -1, 1, 1]) * margin
    left, bottom, right, top = outline.tolist()
    box = way.transform_bounds(left, bottom, right, top, direction="INVERSE")
    unit = pyproj.CRS(crs).axis_info[0].unit_conversion_factor
    size = cell / unit if pyproj.CRS(crs).is_projected else cell / 80_000
    west, north = np.floor(box[0] / size) * size, np.ceil(box[3] / size) * size
    if isinstance(surface, np.ndarray):
        values = surface
    else:
        cols, rows = int((box[2] - west) / size) + 1, int((north - box[1]) / size) + 1
        x, y = np.meshgrid(west + (np.arange(cols) + 0.5) * size,
                           north - (np.arange(rows) + 0.5) * size)  # fmt: skip
        local = way.transform(x, y)
        values = surface(local[0] - ORIGIN[0], local[1] - ORIGIN[1])
    profile = {
        "driver": "GTiff", "height": values.shape[0], "width": values.shape[1], "count": 1,
        "dtype": "float64", "crs": crs, "nodata": -9999.0,
        "transform": Affine(size, 0.0, west, 0.0, -size, north),
    }  # fmt: skip
    with rasterio.open(path, "w", **profile) as file:
        file.write(np.where(np.isnan(values), -9999.0, values), 1)


def to_toml(content: Mapping[str, Any]) -> str:
    """Tables of plain values as TOML; a value `None` is left out, ``utilities`` is a list."""
    text = []
    for name, table in content.items():
        tables = table if isinstance(table, list) else [table]
        head = f"[[{name}]]" if name == "utilities" or isinstance(table, list) else f"[{name}]"
        for one in tables:
            lines = (f"{_key(k)} = {_value(v)}" for k, v in one.items() if v is not None)
            text += [head, *lines, ""]
    return "\n".join(text)


def _key(key: str) -> str:
    return json.dumps(key)


def _value(value: Any) -> str:
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    return json.dumps(value)
