"""The schedules of a plan as tables of plain values, before they become sheets."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
import shapely

from planner.model import Plan, Site
from planner.outputs.display import DAGGER, Display, add_working_days, is_absent
from planner.outputs.workbook_columns import (
    DAYS,
    PROSE,
    REGISTER,
    TO_FILL,
    Column,
    columns_of,
    is_name,
)

Cell = float | str | dt.date | None
LAYERS = (
    ("Pits", "pits"), ("Legs", "legs"), ("Drives", "drives"), ("Connections", "connections"),
    ("Conflicts", "conflicts"), ("Superseded", "superseded"), ("Test holes", "test_holes"),
    ("Closures", "lane_closures"),
)  # fmt: skip
WITH_PLACE = ("pits", *REGISTER, "test_holes")  # layers of points that are set out or dug at
DRIVE_COLUMNS = (
    "leg_id", "launch_pit", "exit_pit", "direction", "method", "pipe_entry_pit", "material",
    "diameter_mm", "bore_diameter_mm", "reamer_diameter_mm", "length_m", "bored_length_m",
    "slope_pct", "fall_m", "cost",
)  # fmt: skip
SAYS = {
    "pits": "Pits and tie-ins. Floors are the bottom of the excavation",
    "legs": "Straight bores between two pits, the upper pit first",
    "drives": "How each leg is built: from which pit to which, and how the pipe goes in",
    "connections": "House connections, served or not",
    "conflicts": "Services nearer than required, or not proven to be far enough. The shaded "
    "columns Status, Responsible and Note are to be filled in: the next run reads them back",
    "superseded": "Conflicts of earlier runs that the plan no longer has, and why. The shaded "
    "columns are read back too, should one return",
    "test_holes": "Test holes to dig before any drive, priority 1 first",
    "lane_closures": "Lanes closed while pits are open",
}
MOST_ROWS = 1_000_000  # of one sheet; the format takes 1,048,576


class Assumed(NamedTuple):
    """A figure of a layer that rests on what was assumed of a thing of the site."""

    column: str
    name: str  # column that names the thing, in both
    layer: str  # of the site
    flag: str
    words: str


LEVEL = ("utility_id", "utilities", "level_assumed", "the level of the service is assumed")
FLOOR = ("property_id", "properties", "floor_assumed", "the lowest floor is assumed")
RESTS_ON = {
    "conflicts": Assumed("clearance_m", *LEVEL),
    "superseded": Assumed("clearance_m", *LEVEL),
    "test_holes": Assumed("expected_top_elev_m", *LEVEL),
    "connections": Assumed("invert_property_m", *FLOOR),
}


@dataclass(frozen=True)
class Table:
    """One sheet: its name, a line on what it is, heads and rows of numbers and texts."""

    sheet: str
    says: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    places: Mapping[tuple[int, int], int] = field(default_factory=dict)
    # by row and column, of numbers that have others than their column
    daggers: frozenset[tuple[int, int]] = frozenset()  # figures that rest on an assumption
    sums: tuple[int, ...] = ()  # columns that are added up below
    below: tuple[tuple[str, Cell, int], ...] = ()  # further lines: words, figure, its places
    to_fill: tuple[str, ...] = ()  # columns that people write into


def tables_of(plan: Plan, show: Display) -> Iterator[Table]:
    """The schedules of every layer of a plan, those without rows included.

    Parameters
    ----------
    plan
        The plan.
    show
        Units, datum and currency.
    """
    frames = {layer: frame_of(plan, layer) for _, layer in LAYERS if hasattr(plan, layer)}
    frames["drives"] = drives_of(frames["legs"])
    for sheet, layer in LAYERS:
        if layer in frames:
            table = table_of((sheet, layer), frames[layer], plan.site, show)
            yield from parts_of(table)


def frame_of(plan: Plan, layer: str) -> pd.DataFrame:
    """A layer as a table: places as coordinates, and columns that people fill in."""
    drawn = getattr(plan, layer)
    frame = pd.DataFrame(drawn.drop(columns=drawn.geometry.name))
    if layer in WITH_PLACE:
        shapes = drawn.geometry.to_numpy()
        frame["east"], frame["north"] = shapely.get_x(shapes), shapely.get_y(shapes)
    for name in TO_FILL if layer in REGISTER else ():
        if name not in frame:
            frame[name] = ""
    return frame


def drives_of(legs: pd.DataFrame) -> pd.DataFrame:
    """One row a drive: what is built from which pit to which.

    Parameters
    ----------
    legs
        The layer of legs.
    """
    up = (legs["launch_pit"] == legs["up_pit"]).to_numpy(bool)
    drives = legs.assign(
        exit_pit=np.where(up, legs["down_pit"], legs["up_pit"]),
        direction=np.where(up, "downgrade", "upgrade"),
    )
    return drives[list(DRIVE_COLUMNS)]


def table_of(names: tuple[str, str], frame: pd.DataFrame, site: Site, show: Display) -> Table:
    """One layer as a table; ``names`` are those of its sheet and of the layer."""
    sheet, layer = names
    columns = columns_of(layer, [str(name) for name in frame.columns], show, site.frame.unit)
    records = frame.to_dict("records")
    places = slope_places(columns, records, show)
    rows = tuple(
        tuple(
            shown(
                column if (r, c) not in places else column._replace(places=places[r, c]),
                record,
                show,
            )
            for c, column in enumerate(columns)
        )
        for r, record in enumerate(records)
    )
    daggers = assumed_cells(layer, columns, records, site)
    words = f". {DAGGER} {RESTS_ON[layer].words}" if daggers else ""
    return Table(
        sheet, SAYS[layer] + words, tuple(columns), rows, places, daggers,
        sums=money_columns(columns, rows), to_fill=TO_FILL if layer in REGISTER else (),
    )  # fmt: skip


def shown(column: Column, record: Mapping[Any, Any], show: Display) -> Cell:
    """A value as a cell shows it: a number in the column's unit, a text, a date, or nothing."""
    value = record[column.name]
    value = value.item() if isinstance(value, np.generic) else value
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return (show.prose(value) if column.name in PROSE else value) or None
    if is_absent(value):
        return None
    if isinstance(value, (int, float)):
        return number_of(column, value, show)
    return value.date() if isinstance(value, dt.datetime) else str(value)


def number_of(column: Column, value: float, show: Display) -> Cell:
    """A number in the column's unit, to its places; money to the hundredth, so that it adds up."""
    if column.name in DAYS and show.start_date:
        return dt.date.fromisoformat(add_working_days(show.start_date, round(value) - 1))
    if is_name(column.name):
        return f"{value:.15g}"
    if column.measure == "money":
        return round(float(value), 2) + 0.0
    if column.places is None:
        return float(value)
    return round(value / column.size, column.places) + 0.0


def slope_places(
    columns: list[Column], records: list[dict[Any, Any]], show: Display
) -> dict[tuple[int, int], int]:
    """Places of each slope, as many as make it close on the fall over its length."""
    found: dict[tuple[int, int], int] = {}
    at = next((c for c, column in enumerate(columns) if column.name == "slope_pct"), None)
    if at is None:
        return found
    for r, record in enumerate(records):
        slope, length = record["slope_pct"], record.get("length_m")
        if is_absent(slope) or is_absent(length):
            continue
        text = show.slope(record.get("fall_m", slope / 100 * length), length)
        found[r, at] = max(len(text.partition(".")[2]), show.scale("percent").places)
    return found


def assumed_cells(
    layer: str, columns: list[Column], records: list[dict[Any, Any]], site: Site
) -> frozenset[tuple[int, int]]:
    """Cells whose figure rests on something that was assumed."""
    rests = RESTS_ON.get(layer)
    if rests is None:
        return frozenset()
    things = getattr(site, rests.layer)
    assumed = set(things.loc[things[rests.flag].eq(other=True), rests.name]) if len(things) else ()
    at = [column.name for column in columns].index(rests.column)
    return frozenset(
        (r, at)
        for r, record in enumerate(records)
        if record[rests.name] in assumed and not is_absent(record[rests.column])
    )


def money_columns(columns: list[Column], rows: tuple[tuple[Cell, ...], ...]) -> tuple[int, ...]:
    """Columns of money that hold any."""
    sums = [c for c, column in enumerate(columns) if column.measure == "money"]
    return tuple(c for c in sums if any(row[c] is not None for row in rows))


def parts_of(table: Table) -> Iterator[Table]:
    """A table as the sheets that it fills, one unless it is longer than a sheet can be."""
    for part in range(max(math.ceil(len(table.rows) / MOST_ROWS), 1)):
        first = part * MOST_ROWS
        kept = range(first, first + MOST_ROWS)
        yield replace(
            table,
            sheet=f"{table.sheet} {part + 1}" if part else table.sheet,
            rows=table.rows[first : first + MOST_ROWS],
            places={(r - first, c): n for (r, c), n in table.places.items() if r in kept},
            daggers=frozenset((r - first, c) for r, c in table.daggers if r in kept),
        )
