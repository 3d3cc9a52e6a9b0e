"""The schedules of a plan as tables of plain values, before they become sheets."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from planner.model import Plan
from planner.outputs.display import Display, is_absent
from planner.outputs.workbook_columns import TO_FILL, Column, column_of, columns_of

LAYERS = (
    ("Pits", "pits"), ("Legs", "legs"), ("Drives", "drives"), ("Connections", "connections"),
    ("Conflicts", "conflicts"), ("Superseded", "superseded"), ("Test holes", "test_holes"),
    ("Closures", "lane_closures"),
)  # fmt: skip
DRIVE_COLUMNS = (
    "leg_id", "launch_pit", "exit_pit", "direction", "method", "pipe_entry_pit", "material",
    "diameter_mm", "bore_diameter_mm", "reamer_diameter_mm", "length_m", "bored_length_m",
    "slope_pct", "fall_m", "cost",
)  # fmt: skip


@dataclass(frozen=True)
class Table:
    """One sheet: its name, a line on what it is, heads and rows of numbers and texts."""

    sheet: str
    says: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[float | str | None, ...], ...]
    places: Mapping[tuple[int, int], int]  # of numbers that have more than their measure's
    sums: tuple[int, ...] = ()  # columns that are added up below


def tables_of(plan: Plan, show: Display) -> list[Table]:
    """Every schedule of a plan, those without rows included.

    Parameters
    ----------
    plan
        The plan.
    show
        Units, datum and currency.
    """
    frames = {
        layer: pd.DataFrame(getattr(plan, layer).drop(columns="geometry", errors="ignore"))
        for _, layer in LAYERS
        if hasattr(plan, layer)
    }
    frames["drives"] = drives_of(frames["legs"])
    if "conflicts" in frames:
        for name in TO_FILL:
            if name not in frames["conflicts"]:
                frames["conflicts"][name] = ""
    found = [
        _table(sheet, layer, frames[layer], show) for sheet, layer in LAYERS if layer in frames
    ]
    return [*found, quantities_of(plan, show), cost_of(plan, show)]


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


SAYS = {
    "pits": "Pits and tie-ins. Floors are the bottom of the excavation",
    "legs": "Straight bores between two pits, the upper pit first",
    "drives": "How each leg is built: from which pit to which, and how the pipe goes in",
    "connections": "House connections, served or not",
    "conflicts": "Services nearer than required or not proven to be far enough. Status, "
    "Responsible and Note are yours to fill in: the next run reads them back",
    "superseded": "Conflicts of earlier runs that the plan no longer has, and why",
    "test_holes": "Test holes to dig before any drive, the first first",
    "lane_closures": "Lanes closed while pits are open",
}


def _table(sheet: str, layer: str, frame: pd.DataFrame, show: Display) -> Table:
    columns = columns_of(layer, [str(name) for name in frame.columns], show)
    rows, places = [], {}
    for r, record in enumerate(frame.to_dict("records")):
        row: list[float | str | None] = []
        for c, column in enumerate(columns):
            value = record[column.name]
            if column.name == "slope_pct" and not is_absent(value):
                text = (
                    show.slope(record["fall_m"], record["length_m"]) if "fall_m" in record else ""
                )
                places[r, c] = max(len(text.partition(".")[2]), 2)
                row.append(round(float(value), places[r, c]))
            else:
                row.append(shown(column, value, show))
        rows.append(tuple(row))
    sums = tuple(c for c, column in enumerate(columns) if column.measure == "money")
    return Table(sheet, SAYS[layer], tuple(columns), tuple(rows), places, sums if rows else ())


def shown(column: Column, value: Any, show: Display) -> float | str | None:
    """A value as a cell shows it: a number in the column's unit, a text, or nothing."""
    if isinstance(value, (bool, np.bool_)):
        return "yes" if value else "no"
    if is_absent(value):
        return None
    if column.measure:
        return show.number(column.measure, value)
    if column.name in ("start_day", "end_day"):
        return show.day(value)
    if isinstance(value, (int, float, np.number)):
        return float(value)
    return show.prose(value) if column.name in PROSE else str(value)


PROSE = ("binds", "why_not", "why", "resolution", "options", "affects")
"""Columns of sentences of ours, whose figures are shown in the project's units."""


def quantities_of(plan: Plan, show: Display) -> Table:
    """What is dug, bored and laid, added up."""
    legs, pits, houses = plan.legs, plan.pits, plan.connections
    dug = pits[pits["kind"] == "pit"]
    rows: list[tuple[str, str, Any]] = [
        ("Launch pits", "count", (dug["launches"].astype(float) > 0).sum()),
        ("Exit pits", "count", (dug["launches"].astype(float) == 0).sum()),
        ("Excavation of pits", "volume", plan.pit_footprints["volume_m3"].astype(float).sum()),
        ("Deepest pit", "depth", dug["depth_m"].astype(float).max() if len(dug) else None),
        ("Manholes", "count", dug["manhole"].astype(bool).sum()),
        ("Tie-ins cored, bypassed and entered", "count", _tie_ins_used(plan)),
    ]
    for (method, size), some in legs.groupby(["method", "diameter_mm"], sort=True):
        name = f"Sewer {show.text('nominal', size)}, {method}"
        rows.append((f"{name}: point to point", "length", some["length_m"].astype(float).sum()))
        rows.append((f"{name}: bored", "length", some["bored_length_m"].astype(float).sum()))
    served = houses[houses["served"].astype(bool)]
    for method, some in served.groupby("method", sort=True):
        rows.append((f"Connections, {method}", "count", len(some)))
        rows.append(
            (f"Connections, {method}: length", "length", some["length_m"].astype(float).sum())
        )
    if "opening_m2" in served:
        rows.append(("Openings for connections", "area", served["opening_m2"].astype(float).sum()))
    rows.append(("Test holes", "count", len(plan.test_holes)))
    cells = tuple(
        (item, None if value is None else show.number(measure, value), show.unit(measure) or "–")
        for item, measure, value in rows
    )
    places = {(r, 1): show.scale(measure).places for r, (_, measure, _) in enumerate(rows)}
    columns = (Column("item", "Quantity", ""), Column("value", "Amount", "number"),
               Column("unit", "Unit", ""))  # fmt: skip
    return Table("Quantities", "Dug, bored and laid, added up", columns, cells, places)


def _tie_ins_used(plan: Plan) -> int:
    ids = set(plan.pits[plan.pits["kind"] == "tie-in"]["pit_id"])
    return len(ids & set(plan.legs["down_pit"]))


def cost_of(plan: Plan, show: Display) -> Table:
    """What the plan costs, by its heads."""
    heads = plan.summary.get("cost_breakdown") or {}
    columns = (
        Column("head", "Cost", ""),
        column_of("cost", show)._replace(head=f"Sum [{show.currency}]"),
    )
    rows = tuple(
        (str(name).replace("_", " ").capitalize(), show.number("money", value))
        for name, value in heads.items()
    )
    says = (
        "Cost by head, at the prices the project states. An estimate for comparing plans, no offer"
    )
    return Table("Cost", says, columns, rows, {}, (1,) if rows else ())
