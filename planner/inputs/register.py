"""Reads back the register of conflicts of an earlier plan, and what people wrote into it."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import geopandas as gpd
import openpyxl
import pandas as pd
import pyogrio

from planner.errors import InputError
from planner.inputs.words import plain, printable
from planner.model import PLAN_COLUMNS, Register

PLAN_FILE, WORKBOOK = "plan.gpkg", "schedules.xlsx"
SHEETS = {"conflicts": "Conflicts", "superseded": "Superseded"}
HEAD = "Conflict"  # first cell of the row of heads
WRITTEN = {"Status": "status", "Responsible": "responsible", "Note": "note"}
MOST_ABOVE = 20  # rows above the heads
AWAY = "Mend it, move it away, or say --register none to begin a new register"


def read_register(directory: str | Path) -> Register | None:
    """The register of conflicts in the folder of an earlier plan.

    Parameters
    ----------
    directory
        The folder. Its `plan.gpkg` holds the conflicts; the columns Status, Responsible and Note
        of its `schedules.xlsx`, where they were filled in, stand above it.

    Returns
    -------
    The register, in the CRS of the earlier plan; None where the folder holds no plan.

    Raises
    ------
    InputError
        A file that is there cannot be read.
    """
    folder = Path(directory)
    path = folder / PLAN_FILE
    if not path.exists():
        if (folder / WORKBOOK).exists():
            raise _unreadable(path, f"it is gone, and {WORKBOOK} still stands there")
        return None
    there = _layers(path)
    if "conflicts" not in there:
        raise _unreadable(path, "it has no layer conflicts", "conflicts")
    frames = {layer: _layer(path, layer, layer in there) for layer in SHEETS}
    if (folder / WORKBOOK).exists():
        written = _written(folder / WORKBOOK)
        frames = {layer: _with(frame, written) for layer, frame in frames.items()}
    return Register(frames["conflicts"], frames["superseded"])


def _layers(path: Path) -> set[str]:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return {str(name) for name, _ in pyogrio.list_layers(path)}
    except Exception as error:  # noqa: BLE001  (a driver may raise anything on a broken file)
        raise _unreadable(path, error) from None


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
        raise _unreadable(path, error, layer) from None
    if not isinstance(frame, gpd.GeoDataFrame) or "conflict_id" not in frame:
        raise _unreadable(path, "it is no register of conflicts", layer)
    for name in columns:
        if name.endswith("_m") or name in ("cost", "strike_probability"):
            frame[name] = pd.to_numeric(frame.get(name), errors="coerce") if name in frame else None
            frame[name] = frame[name].astype(float)
        else:
            given = frame[name] if name in frame else pd.Series([""] * len(frame), dtype=object)
            frame[name] = given.astype(object).where(given.notna(), "").astype(str)
    return frame[[*columns, frame.geometry.name]][~frame.geometry.is_empty & frame.geometry.notna()]


def _written(path: Path) -> dict[str, dict[str, str]]:
    """What people wrote beside each conflict, by its number."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            book = openpyxl.load_workbook(path, read_only=True, data_only=False)
            found: dict[str, dict[str, str]] = {}
            names = book.sheetnames
            for sheet in SHEETS.values():
                if sheet in names:
                    found |= _of_sheet(book[sheet].iter_rows(values_only=True))
            book.close()
    except Exception as error:  # noqa: BLE001  (a broken workbook may raise anything)
        raise _unreadable(path, error) from None
    if SHEETS["conflicts"] not in names:
        raise _unreadable(path, f"it has no sheet {SHEETS['conflicts']}")
    return found


def _of_sheet(rows: Any) -> dict[str, dict[str, str]]:
    found: dict[str, dict[str, str]] = {}
    heads: list[str] | None = None
    for number, row in enumerate(rows):
        cells = ["" if cell is None else str(cell).strip() for cell in row]
        if heads is None:
            if cells and cells[0] == HEAD:
                heads = cells
            elif number > MOST_ABOVE:
                break
        elif cells and cells[0]:
            found[cells[0]] = {
                column: cells[heads.index(head)]
                for head, column in WRITTEN.items()
                if head in heads
            }
    if heads is None or not set(WRITTEN) <= set(heads):
        raise ValueError(f"a sheet has no row of heads from {HEAD} on with {', '.join(WRITTEN)}")
    return found


def _with(frame: gpd.GeoDataFrame, written: dict[str, dict[str, str]]) -> gpd.GeoDataFrame:
    """A layer with what people wrote; an emptied status is none."""
    for column in WRITTEN.values():
        frame[column] = [
            (written.get(name) or {}).get(column, old) or (old if column == "status" else "")
            for name, old in zip(frame["conflict_id"], frame[column], strict=True)
        ]
    return frame


def _unreadable(path: Path, error: object, layer: str | None = None) -> InputError:
    return InputError(
        f"the register of the earlier plan cannot be read ({plain(str(error))})", AWAY,
        file=printable(path), layer=layer,
    )  # fmt: skip
