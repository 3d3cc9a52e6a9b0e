"""Reads back the register of conflicts of an earlier plan, and what people wrote into it."""

from __future__ import annotations

import re
import warnings
from collections import Counter
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely

from planner.inputs.register_sheets import (
    LONGEST,
    SHEETS,
    WRITTEN,
    Written,
    read_sheets,
    unreadable,
)
from planner.inputs.words import shown
from planner.model import PLAN_COLUMNS, Register

PLAN_FILE, WORKBOOK = "plan.gpkg", "schedules.xlsx"
UNPRINTABLE = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff]")
POINT = 0  # of shapely's types


def read_register(directory: str | Path) -> Register | None:
    """The register of conflicts in the folder of an earlier plan.

    Parameters
    ----------
    directory
        The folder. Its `plan.gpkg` holds the conflicts; the columns Status, Responsible and Note
        of its `schedules.xlsx` stand above what the layers hold, emptied cells too; only an
        emptied Status is none.

    Returns
    -------
    The register, in the CRS of the earlier plan; None where the folder holds no plan.

    Raises
    ------
    InputError
        A file that is there cannot be read, or does not say of each conflict which it is and
        where; so that nothing people wrote is lost.
    """
    folder = Path(directory)
    path, book = folder / PLAN_FILE, folder / WORKBOOK
    if not path.exists():
        if book.exists():
            raise unreadable(path, f"it is gone, and {WORKBOOK} still stands there")
        return None
    there = _layers(path)
    if "conflicts" not in there:
        raise unreadable(path, "it has no such layer", "conflicts")
    frames = {layer: _layer(path, layer, layer in there) for layer in SHEETS}
    _require_names(path, frames)
    if book.exists():
        written = read_sheets(book)
        _require_known(book, frames, written)
        frames = {layer: _with(frame, written) for layer, frame in frames.items()}
    return Register(frames["conflicts"], frames["superseded"])


def _layers(path: Path) -> set[str]:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return {str(name) for name, _ in pyogrio.list_layers(path)}
    except Exception as error:  # noqa: BLE001  (a driver may raise anything on a broken file)
        raise unreadable(path, error) from None


def _layer(path: Path, layer: str, there: bool) -> gpd.GeoDataFrame:  # noqa: FBT001
    """A layer with all its columns; those that an older file lacks are empty."""
    columns = PLAN_COLUMNS[layer]
    if not there:
        return gpd.GeoDataFrame({name: [] for name in columns}, geometry=[])
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            frame = gpd.read_file(path, layer=layer, engine="pyogrio")
    except Exception as error:  # noqa: BLE001  (a driver may raise anything on a broken file)
        raise unreadable(path, error, layer) from None
    if not isinstance(frame, gpd.GeoDataFrame) or "conflict_id" not in frame:
        raise unreadable(path, "it is no register of conflicts", layer)
    if len(frame) and frame.crs is None:
        raise unreadable(path, "it states no CRS", layer)
    _require_points(path, layer, frame)
    blank = pd.Series([None] * len(frame), index=frame.index, dtype=object)
    values = {name: _column(name, frame.get(name, blank)) for name in columns}
    return gpd.GeoDataFrame(values, geometry=frame.geometry.to_numpy(), crs=frame.crs)


def _column(name: str, given: pd.Series) -> np.ndarray:
    """Numbers where the column holds numbers, else texts as a workbook can hold them."""
    if name.endswith("_m") or name in ("cost", "strike_probability"):
        return pd.to_numeric(given, errors="coerce").to_numpy(float, na_value=np.nan)
    texts = given.astype(object).where(given.notna(), "").astype(str)
    clean = [UNPRINTABLE.sub("\ufffd", text).strip() for text in texts]
    return np.array(clean, object)


def _require_points(path: Path, layer: str, frame: gpd.GeoDataFrame) -> None:
    """Refuse a conflict that has no place: it could not be found again."""
    shapes = frame.geometry.to_numpy()
    known = (shapely.get_type_id(shapes) == POINT) & ~shapely.is_empty(shapes)
    known[known] = np.isfinite(shapely.get_coordinates(shapes[known])).all(axis=1)
    for row in np.flatnonzero(~known)[:1]:
        name = shown(frame["conflict_id"].iloc[row])
        raise unreadable(path, f"conflict {name} has no point", layer, int(row) + 1)


def _require_names(path: Path, frames: dict[str, gpd.GeoDataFrame]) -> None:
    """Refuse conflicts without a number, two with the same, and texts no sheet can hold."""
    seen: Counter[str] = Counter()
    for layer, frame in frames.items():
        seen.update(frame["conflict_id"])
        for row, record in enumerate(frame.to_dict("records"), start=1):
            name = record["conflict_id"]
            if not name:
                raise unreadable(path, "it has a conflict without a number", layer, row)
            if seen[name] > 1:
                raise unreadable(path, f"conflict {shown(name)} stands twice", layer, row)
            if any(len(record[column]) > LONGEST for column in WRITTEN.values()):
                what = f"conflict {shown(name)} has a text of more than {LONGEST} characters"
                raise unreadable(path, what, layer, row)


def _require_known(book: Path, frames: dict[str, gpd.GeoDataFrame], written: Written) -> None:
    """Refuse a workbook that people wrote into beside conflicts that the plan does not hold."""
    known = {name for frame in frames.values() for name in frame["conflict_id"]}
    for name, said in written.items():
        if name not in known and any(said.values()):
            what = f"conflict {shown(name)}, which {PLAN_FILE} does not hold, has been written to"
            raise unreadable(book, what)


def _with(frame: gpd.GeoDataFrame, written: Written) -> gpd.GeoDataFrame:
    """A layer with what people wrote; an emptied status is none."""
    for column in WRITTEN.values():
        values = []
        for name, old in zip(frame["conflict_id"], frame[column], strict=True):
            said = written.get(name, {}).get(column, old)
            values.append(said or (old if column == "status" else ""))
        frame[column] = np.array(values, object)
    return frame
