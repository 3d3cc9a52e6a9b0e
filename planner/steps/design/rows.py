"""Rows of a drawn design: names, numbers and places, or a refusal that says what is missing."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from planner.errors import InputError
from planner.model import FOOT, Floats, Site
from planner.records import Ints

NEEDED = {
    "pits": ("pit_id",),
    "legs": ("leg_id", "up_pit", "down_pit", "invert_up_m", "invert_down_m", "diameter_mm"),
    "connections": ("property_id", "joins"),
}
FREE = {"connections"}  # layers whose rows need no geometry
NUMBERS = {"invert_up_m": -1e5, "invert_down_m": -1e5, "diameter_mm": 0.0}  # and what is below them
MOST = 1e5  # no elevation in metres and no size in millimetres is above
KINDS = {"pits": {"Point", "Polygon"}, "legs": {"LineString"}}
WHAT = {"pits": "a pit is a point, or the outline of its footprint", "legs": "a leg is a line"}
FEET = (30.0, 15.0)  # [m] from the ground: inverts further off, and as near when read as feet


@dataclass(frozen=True, eq=False)
class Rows:
    """One layer of a design in the local frame.

    ``table`` holds every column that was given, under its own name in small letters, one row each.
    """

    table: pd.DataFrame
    shape: np.ndarray  # (rows,) in the local frame
    row: Ints  # (rows,) number in the file, from 1

    def __len__(self) -> int:
        return len(self.row)

    def names(self, column: str) -> list[str]:
        """A column of identifiers as text."""
        return [name_of(value) for value in self.table[column]]

    def numbers(self, column: str) -> Floats:
        """A column as numbers, NaN where it is absent or none."""
        return numbers_of(self.table, column)

    def words(self, column: str) -> list[str]:
        """A column as text, "" where it is absent."""
        return words_of(self.table, column)

    def take(self, which: Ints) -> Rows:
        """Some of the rows."""
        return Rows(self.table.iloc[which].reset_index(drop=True), self.shape[which],
                    self.row[which])  # fmt: skip


def numbers_of(table: pd.DataFrame, column: str) -> Floats:
    """A column as numbers, NaN where it is absent or none."""
    if column not in table.columns:
        return np.full(len(table), np.nan)
    values = pd.to_numeric(table[column], errors="coerce").to_numpy(float, na_value=np.nan)
    return np.where(np.isfinite(values), values, np.nan)


def words_of(table: pd.DataFrame, column: str) -> list[str]:
    """A column as text, "" where it is absent."""
    if column not in table.columns:
        return [""] * len(table)
    return [name_of(value) for value in table[column]]


def read_rows(site: Site, frame: gpd.GeoDataFrame, layer: str) -> Rows:
    """The rows of a layer, in any CRS, checked for what a design cannot do without.

    Raises
    ------
    InputError
        Where a column, a geometry, a name or a number is missing.
    """
    _require_shapes(frame, layer)
    table = pd.DataFrame(frame.drop(columns=frame.geometry.name)).reset_index(drop=True)
    table.columns = pd.Index(_small_letters(table.columns, NEEDED[layer]))
    for column in NEEDED[layer]:
        if column not in table.columns:
            raise InputError(
                f"the design's layer has no column {column!r}",
                f"add it; {layer} need {', '.join(NEEDED[layer])}",
                layer=layer, column=column,
            )  # fmt: skip
    row = np.arange(1, len(frame) + 1)
    rows = Rows(table, np.asarray(frame.geometry.to_numpy(), object), row)
    _require_values(rows, layer)
    return Rows(table, _local(site, frame, layer), row)


def name_of(value: Any) -> str:
    """An identifier as text; a whole number without its point, "" where there is none.

    Examples
    --------
    >>> name_of(3.0), name_of(" P3 "), name_of(None)
    ('3', 'P3', '')
    """
    if value is None or value is pd.NA or (isinstance(value, float) and np.isnan(value)):
        return ""
    if isinstance(value, (float, np.floating)) and float(value).is_integer():
        return str(int(value))
    return str(value).strip()


def _small_letters(columns: Any, needed: tuple[Hashable, ...]) -> list[Any]:
    """Names of columns, those that differ from a needed one in their letters' size alone mended."""
    there = set(columns)
    return [
        str(c).lower() if str(c).lower() in needed and str(c).lower() not in there else c
        for c in columns
    ]


def _require_shapes(frame: gpd.GeoDataFrame, layer: str) -> None:
    if not isinstance(frame, gpd.GeoDataFrame) or frame._geometry_column_name not in frame:  # noqa: SLF001  (geopandas has no public way to ask)
        raise InputError(
            "the design's layer is a table without geometry", "give it with its points or lines",
            layer=layer,
        )  # fmt: skip
    if frame.crs is None:
        raise InputError(
            "the design's layer states no coordinate reference system",
            "write the CRS that it is drawn in into the file; it is not guessed", layer=layer,
        )  # fmt: skip
    for row, shape in enumerate(frame.geometry if layer not in FREE else (), start=1):
        if shape is None or shape.is_empty:
            raise InputError(
                "the row has no geometry", "draw it or remove it", layer=layer, row=row
            )
        if not np.isfinite(shapely.get_coordinates(shape)).all():
            raise InputError(
                "the row has a coordinate that is no number", "draw it again", layer=layer, row=row
            )
        kind = shape.geom_type.removeprefix("Multi")
        if kind not in KINDS[layer]:
            raise InputError(
                f"the row is a {shape.geom_type}, but {WHAT[layer]}", "draw it so", layer=layer,
                row=row,
            )  # fmt: skip


def _require_values(rows: Rows, layer: str) -> None:
    for column in NEEDED[layer]:
        if column in NUMBERS:
            _require_numbers(rows, layer, column)
        elif layer not in FREE:
            for row, name in enumerate(rows.names(column), start=1):
                if not name:
                    raise InputError(
                        "the name is missing", "give it", layer=layer, row=row, column=column
                    )


def _require_numbers(rows: Rows, layer: str, column: str) -> None:
    values = rows.numbers(column)
    wrong = np.isnan(values) | ~(values > NUMBERS[column]) | ~(values < MOST)
    if wrong.any():
        row = int(np.argmax(wrong))
        found = rows.table[column].iloc[row]
        is_number = not np.isnan(values[row])
        words = "cannot be" if is_number else "is no number"
        raise InputError(
            f"{str(found)!r} {words}", "give it in metres, a diameter in millimetres", layer=layer,
            row=row + 1, column=column,
        )  # fmt: skip


def _local(site: Site, frame: gpd.GeoDataFrame, layer: str) -> np.ndarray:
    """Shapes of a layer in the local frame, flat."""
    flat = frame.set_geometry(shapely.force_2d(frame.geometry.to_numpy()), crs=frame.crs)
    if flat.crs != site.frame.crs:
        flat = flat.to_crs(site.frame.crs)

    def move(xy: Floats) -> Floats:
        return np.column_stack(site.frame.to_local(xy[:, 0], xy[:, 1]))

    moved = np.asarray(shapely.transform(flat.geometry.to_numpy(), move), object)
    for row, shape in enumerate(moved if layer not in FREE else (), start=1):
        if not np.isfinite(shapely.get_coordinates(shape)).all():
            raise InputError(
                "the row cannot be carried to the project's coordinate reference system",
                "correct the CRS of the layer, or draw the row where the site is",
                layer=layer, row=row,
            )  # fmt: skip
    return moved


def require_metres(ground: Floats, inverts: Floats) -> None:
    """Refuse inverts that only make sense when they are feet.

    Parameters
    ----------
    ground, inverts : (ends of legs,)
        [m]

    Raises
    ------
    InputError
        They lie far from the ground, and near it when read as feet.
    """
    off, as_feet = np.abs(inverts - ground), np.abs(inverts * FOOT - ground)
    known = ~np.isnan(off)
    if not known.any():
        return
    if np.median(off[known]) > FEET[0] and np.median(as_feet[known]) < FEET[1]:
        raise InputError(
            f"the inverts lie {np.median(off[known]):.0f} m from the ground and look like feet "
            "read as metres", "give them in metres", layer="legs", column="invert_up_m",
        )  # fmt: skip
