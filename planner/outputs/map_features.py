"""Features of the map: shapes packed small, the text of their details, and what they rest on."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import Transformer
from shapely.geometry.base import BaseGeometry

from planner.model import Floats, Frame, LedgerEntry, Plan
from planner.outputs.display import ABSENT, DAGGER, Display, is_absent

FINENESS = 1e8  # packed steps in a degree: a step is a millimetre
WGS84 = "EPSG:4326"
SHOWN_AS = {"diameter_m": "outside_diameter_m", "wall_m": "outside_diameter_m"}  # read: shown
NOTED = ("assumed", "repaired", "doubt")


class Field(NamedTuple):
    """A line of the details: a column, what people call it, and its measure."""

    column: str
    label: str
    measure: str = "words"  # a measure of Display, or words, prose, link, yes, date, day


class Reach:
    """The way from the project's CRS and the local frame to packed degrees.

    Longitude and latitude are whole steps from an origin near the site; along a line each vertex
    is written as its difference from the one before.
    """

    def __init__(self, frame: Frame) -> None:
        self._frame = frame
        self._to_degrees = Transformer.from_crs(frame.crs, WGS84, always_xy=True)
        lon, lat = self._to_degrees.transform(frame.x0, frame.y0)
        self.origin = (round(lon, 3), round(lat, 3))

    def degrees(self, xy: Floats) -> Floats:
        """CRS coordinates (n, 2) to longitude and latitude (n, 2)."""
        degrees: Floats = np.column_stack(self._to_degrees.transform(xy[:, 0], xy[:, 1]))
        return degrees

    def local_degrees(self, xy: Floats) -> Floats:
        """Local metres (n, 2) to longitude and latitude (n, 2)."""
        return self.degrees(np.column_stack(self._frame.to_crs(xy[:, 0], xy[:, 1])))

    def local(self, degrees: Floats) -> tuple[Floats, Floats]:
        """Longitude and latitude (n, 2) to local metres, east and north."""
        x, y = self._to_degrees.transform(degrees[:, 0], degrees[:, 1], direction="INVERSE")
        return self._frame.to_local(x, y)

    def pack(self, shapes: Iterable[BaseGeometry | None], *, local: bool) -> list[Any]:
        """Packed shapes; ``None`` where there is no geometry."""
        to_degrees = self.local_degrees if local else self.degrees
        flat = shapely.force_2d(np.asarray(list(shapes), dtype=object))
        steps = shapely.transform(flat, lambda xy: self._steps(to_degrees(xy)))
        return [None if shape is None or shape.is_empty else pack_shape(shape) for shape in steps]

    def _steps(self, degrees: Floats) -> Floats:
        steps: Floats = np.round((degrees - self.origin) * FINENESS)
        return steps


def pack_shape(shape: BaseGeometry) -> Any:
    """A point as [x, y]; lines as lists of vertices; areas as lists of rings."""
    kind = shape.geom_type
    if kind == "Point":
        return pack_ring(shape)
    if kind in ("LineString", "LinearRing"):
        return [pack_ring(shape)]
    if kind == "Polygon":
        return [[pack_ring(ring) for ring in (shape.exterior, *shape.interiors)]]
    return [part for piece in shape.geoms for part in pack_part(piece)]


def pack_part(shape: BaseGeometry) -> list[Any]:
    """Parts of a collection; its points are packed one by one."""
    packed = pack_shape(shape)
    return [packed] if shape.geom_type == "Point" else list(packed)


def pack_ring(shape: BaseGeometry) -> list[int]:
    """Vertices one after the other, each as its difference from the one before."""
    steps = shapely.get_coordinates(shape).astype(np.int64)
    steps[1:] = np.diff(steps, axis=0)
    return [int(step) for step in steps.ravel()]


class Notes:
    """Entries of the ledger, found by the row they speak of."""

    def __init__(self, ledger: Sequence[LedgerEntry]) -> None:
        self._by_row: dict[tuple[str, str, int], list[int]] = {}
        self._entries = ledger
        for number, entry in enumerate(ledger):
            if entry.kind in NOTED:
                for row in entry.rows:
                    self._by_row.setdefault((entry.layer, entry.file, row), []).append(number)

    def of(self, layer: str, file: str, row: int) -> list[int]:
        """Numbers of the entries that speak of a row."""
        named = self._by_row.get((layer, file, row), [])
        return named if not file else named + self._by_row.get((layer, "", row), [])

    def columns(self, numbers: Iterable[int]) -> set[str]:
        """Columns whose figure was assumed."""
        entries = (self._entries[number] for number in numbers)
        columns = {entry.column for entry in entries if entry.kind == "assumed"}
        return columns | {SHOWN_AS[name] for name in columns & SHOWN_AS.keys()}


@dataclass(frozen=True, eq=False)
class Pen:
    """What every layer needs to be written: units, the way to degrees, and the ledger."""

    plan: Plan
    show: Display
    reach: Reach
    notes: Notes


@dataclass
class Layer:
    """A kind of thing on the map: its name, its details and its sets of features."""

    id: str
    noun: str
    rank: int  # which is chosen where two are touched: the lower
    fields: Sequence[Field] = ()
    focus: bool = False  # whether the keyboard reaches each on the map
    sets: list[dict[str, Any]] = field(default_factory=list)

    def add(self, style: str, switches: Sequence[str], features: list[dict[str, Any]]) -> None:
        """Add features that share a style and the switches that show them."""
        if features:
            self.sets.append({"style": style, "switches": list(switches), "features": features})

    def as_data(self) -> dict[str, Any]:
        """What the page reads."""
        return {
            "id": self.id, "noun": self.noun, "rank": self.rank, "focus": self.focus,
            "labels": [item.label for item in self.fields],
            "links": [at for at, item in enumerate(self.fields) if item.measure == "link"],
            "sets": self.sets,
        }  # fmt: skip


def write_values(
    frame: pd.DataFrame, fields: Sequence[Field], show: Display, daggers: Sequence[set[str]] = ()
) -> list[list[str]]:
    """Text of each field of each row; "" where there is nothing to say."""
    columns = [write_column(frame, item, show) for item in fields]
    rows = [[column[place] for column in columns] for place in range(len(frame))]
    for row, assumed in zip(rows, daggers, strict=bool(daggers)):
        for place, item in enumerate(fields):
            if item.column in assumed and row[place]:
                row[place] += f" {DAGGER}"
    return rows


def write_column(frame: pd.DataFrame, item: Field, show: Display) -> list[str]:
    """Text of one field for all rows."""
    return [write_value(value, item.measure, show) for value in frame[item.column].tolist()]


def write_value(value: object, measure: str, show: Display) -> str:
    """Text of one value in the project's units; "" where it is absent."""
    if is_absent(value):
        return ""
    if measure in ("words", "link"):
        return write_words(value)
    if measure == "prose":
        return show.prose(value)
    if measure == "yes":
        return "yes" if value else "no"
    if measure in ("date", "day"):
        text = show.date(value) if measure == "date" else show.day(value)
    else:
        text = show.text(measure, value)
    return "" if text == ABSENT else text


def write_words(value: object) -> str:
    """Text as it was read; a whole number without its decimal point."""
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)


def make_features(
    pen: Pen,
    frame: gpd.GeoDataFrame,
    name: str,
    fields: Sequence[Field],
    layer: str = "",
) -> list[dict[str, Any]]:
    """Features of a frame: ``id``, ``at`` (packed shape), ``values`` and ``notes``.

    Parameters
    ----------
    name
        Column that holds the identifier.
    layer
        Layer of the site, in the local frame, whose ledger speaks of these rows; "" for a layer
        of the plan, in the project's CRS.
    """
    noted = ledger_numbers(pen, frame, layer) if layer else [[] for _ in range(len(frame))]
    daggers = [pen.notes.columns(numbers) for numbers in noted]
    values = write_values(frame, fields, pen.show, daggers)
    packed = pen.reach.pack(frame.geometry, local=bool(layer))
    names = [write_words(value) for value in frame[name]]
    rows = zip(names, packed, values, noted, strict=True)
    return [
        {"id": text, "at": at, "values": value, **({"notes": notes} if notes else {})}
        for text, at, value, notes in rows
    ]


def ledger_numbers(pen: Pen, frame: gpd.GeoDataFrame, layer: str) -> list[list[int]]:
    """Numbers of the ledger's entries for each row of a site layer."""
    places = zip(frame["file"].tolist(), frame["row"].tolist(), strict=True)
    return [pen.notes.of(layer, str(file), int(row)) for file, row in places]
