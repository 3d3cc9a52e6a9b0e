"""Writes the layers of a plan into one GeoPackage."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyogrio

from planner.model import PLAN_COLUMNS, PLAN_GEOMETRY, Plan

FLAGS = {"manhole", "served", "mandatory"}
WHOLE = {"launches", "receives", "lanes_closed", "priority", "start_day", "end_day"}
NUMBERS = {"cost", "surface_cost", "days_open", "depth_ratio", "strike_probability", "worth_ratio"}
UNITS = ("_m", "_mm", "_pct", "_l_per_s", "_m_per_s", "_m2", "_m3")
SETTINGS = {
    "OGR_CURRENT_DATE": "2000-01-01T00:00:00Z",  # a stamp of the format: same plan, same bytes
    "OGR_SQLITE_SYNCHRONOUS": "OFF",  # the file is put on the disk once, when it is whole
}


def write_geopackage(plan: Plan, path: Path) -> None:
    """Write every layer of `PLAN_COLUMNS`, in the project's CRS.

    A layer without rows is there with its columns, their types and its type of geometry.

    Parameters
    ----------
    plan
        The plan.
    path
        The file, which is not there yet.

    Raises
    ------
    OSError
        Where the file does not hold all that was written, as on a full disk.
    """
    with _settings():
        for layer in PLAN_COLUMNS:
            frame = typed(getattr(plan, layer), layer)
            if frame.crs is None:
                frame = frame.set_crs(plan.site.frame.crs)
            pyogrio.write_dataframe(
                frame, path, layer=layer, driver="GPKG", append=path.exists(),
                geometry_type=_geometry_type(frame, layer), promote_to_multi=False,
            )  # fmt: skip
    _require_whole(plan, path)


def typed(frame: gpd.GeoDataFrame, layer: str) -> gpd.GeoDataFrame:
    """A layer with its columns in their order and of their kind, also when it is empty."""
    frame = frame[[*PLAN_COLUMNS[layer], frame.geometry.name]].copy()
    for name in PLAN_COLUMNS[layer]:
        kind = column_kind(name)
        if kind == "text":
            frame[name] = pd.Series([_text(v) for v in frame[name]], frame.index, object)
        else:
            blank = frame[name].astype(object).where(frame[name].notna() & (frame[name] != ""))
            frame[name] = blank.astype(kind)
    return frame


def column_kind(name: str) -> str:
    """What a column holds: ``boolean``, ``Int32`` and ``float64`` as pandas names them, or text.

    Examples
    --------
    >>> column_kind("served"), column_kind("launches"), column_kind("cost"), column_kind("binds")
    ('boolean', 'Int32', 'float64', 'text')
    """
    if name in FLAGS:
        return "boolean"
    if name in WHOLE:
        return "Int32"
    return "float64" if name in NUMBERS or name.endswith(UNITS) else "text"


def _text(value: Any) -> str:
    """Text that the format can hold: nothing ends it early, and all of it is UTF-8."""
    if value is None or value is pd.NA or value != value:  # noqa: PLR0124  (NaN is not itself)
        return ""
    return str(value).replace("\0", "\\x00").encode("utf-8", "backslashreplace").decode()


def _geometry_type(frame: gpd.GeoDataFrame, layer: str) -> str:
    """The layer's type, or any where a shape came out in several parts."""
    kinds = set(frame.geometry.dropna().geom_type)
    return PLAN_GEOMETRY[layer] if kinds <= {PLAN_GEOMETRY[layer]} else "Unknown"


@contextmanager
def _settings() -> Iterator[None]:
    before = {name: pyogrio.get_gdal_config_option(name) for name in SETTINGS}
    pyogrio.set_gdal_config_options(SETTINGS)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)


def _require_whole(plan: Plan, path: Path) -> None:
    """Count what arrived: a disk that fills up as a file is closed is not always reported."""
    with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as file:
        for layer in PLAN_COLUMNS:
            (count,) = file.execute(f'SELECT COUNT(*) FROM "{layer}"').fetchone()  # noqa: S608
            if count != len(getattr(plan, layer)):
                raise OSError(f"layer {layer} holds {count} of {len(getattr(plan, layer))} rows")
        (state,) = file.execute("PRAGMA quick_check(1)").fetchone()
        if state != "ok":
            raise OSError(f"the layers cannot be read back: {state}")
