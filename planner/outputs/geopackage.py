"""Writes the layers of a plan into one GeoPackage."""

from __future__ import annotations

import os
from pathlib import Path

import geopandas as gpd
import pyogrio

from planner.model import PLAN_COLUMNS, PLAN_GEOMETRY, Plan

WHOLE = {
    "launches", "receives", "lanes_closed", "priority", "start_day", "end_day",
}  # fmt: skip
FLAGS = {"manhole", "served", "mandatory"}
NUMBERS = {"cost", "clearance_m", "strike_probability", "worth_ratio"}
UNITS = ("_m", "_mm", "_pct", "_l_per_s", "_m3", "_days", "_m_per_s", "_ratio", "_deg")
STAMP = "2000-01-01T00:00:00Z"  # the format stamps a time; the same plan gets the same bytes


def column_kind(name: str) -> str:
    """What a column holds: whole numbers, flags, numbers or text."""
    if name in WHOLE:
        return "int32"
    if name in FLAGS:
        return "bool"
    is_number = name in NUMBERS or name.endswith(UNITS) or name in ("depth_ratio", "days_open")
    return "float64" if is_number else "object"


def typed(frame: gpd.GeoDataFrame, layer: str) -> gpd.GeoDataFrame:
    """A layer with its columns in their order and of their kind, also when it is empty."""
    frame = frame[[*PLAN_COLUMNS[layer], frame.geometry.name]].copy()
    for name in PLAN_COLUMNS[layer]:
        kind = column_kind(name)
        if kind == "object":
            frame[name] = frame[name].astype(object).where(frame[name].notna(), "").map(str)
        else:
            frame[name] = frame[name].astype(kind)
    return frame


def write_geopackage(plan: Plan, path: Path) -> None:
    """Write every layer of `PLAN_COLUMNS`, in the project's CRS."""
    before = os.environ.get("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": STAMP})
    try:
        for layer in PLAN_COLUMNS:
            frame = typed(getattr(plan, layer), layer)
            pyogrio.write_dataframe(
                frame, path, layer=layer, driver="GPKG", append=path.exists(),
                geometry_type=_geometry_type(frame, layer), promote_to_multi=False,
            )  # fmt: skip
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})


def _geometry_type(frame: gpd.GeoDataFrame, layer: str) -> str:
    """The layer's type, or any where a footprint came out in several parts."""
    kinds = set(frame.geometry.geom_type)
    return PLAN_GEOMETRY[layer] if kinds <= {PLAN_GEOMETRY[layer]} else "Unknown"
