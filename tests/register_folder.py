"""Folders with a plan and its register, written and filled in as people do; for its tests."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import openpyxl
import pandas as pd
from shapely import Point
from typer.testing import CliRunner

from planner.cli import app
from planner.model import PLAN_COLUMNS, Floats
from tests.builders import build_site, line

GAS = line((80, -20), (80, 20), kind="gas", utility_id="G1", depth_m=0.9, quality="C")
MAIN = line((20, 4), (180, 4), kind="water", utility_id="W1", depth_m=1.4, quality="C")
CABLE = line((130, -20), (130, 20), kind="electric", utility_id="E1", depth_m=1.0, quality="D")


def place(folder: Path, *services: dict[str, Any], **more: Any) -> Path:
    """A street with services across it."""
    return build_site(folder, utilities=list(services), **more)


def plan_into(project: Path, out: Path, *options: str) -> int:
    """Exit status of the command that plans into a folder."""
    found = CliRunner().invoke(app, ["plan", str(project), "--out", str(out), *options])
    return found.exit_code


def layer(out: Path, name: str = "conflicts") -> pd.DataFrame:
    """A layer of the plan in a folder, by its numbers."""
    return gpd.read_file(out / "plan.gpkg", layer=name).set_index("conflict_id")


def write_beside(out: Path, conflict: str, sheet: str = "Conflicts", **written: object) -> None:
    """Fill in columns of a conflict in the workbook, as a person does."""
    path = out / "schedules.xlsx"
    book = openpyxl.load_workbook(path)
    rows = list(book[sheet].iter_rows())
    head = next(row for row in rows if row[0].value == "Conflict")
    columns = {cell.value: cell.column for cell in head}
    number = next(row[0].row for row in rows if row[0].value == conflict)
    for name, text in written.items():
        cell = book[sheet].cell(number, columns[name])
        cell.value = text
        if isinstance(text, str) and text.startswith("="):
            cell.data_type = "s"  # typed with an apostrophe before it: a text, no formula
    book.save(path)


def contents(out: Path) -> dict[str, bytes]:
    """What a folder holds, but for the summary, which tells the time that was taken."""
    return {p.name: p.read_bytes() for p in sorted(out.iterdir()) if p.name != "plan.json"}


class Beside:
    """Works of which one leg is nearest everywhere; ``along`` is every place's distance from it."""

    def __init__(self, now: tuple[str, float] | None = ("L9", 5.0), along: float = 99.0) -> None:
        self.now, self.along = now, along

    def find(self, *_: object) -> tuple[str, float] | None:
        return self.now

    def apart(self, _element: str, _subject: str, places: Floats) -> Floats:
        return np.full(len(places), self.along)


def row_of(number: str, x: float, **more: Any) -> dict[str, Any]:
    """A conflict of a leg with a gas main, x metres east."""
    texts = dict.fromkeys((*PLAN_COLUMNS["superseded"],), "")
    numbers = {"clearance_m": 0.5, "required_m": 0.6, "cost": float("nan"), "station_m": 1.0,
               "offset_m": 0.0, "strike_probability": 0.0}  # fmt: skip
    own = {"conflict_id": number, "utility_id": "G1", "rule": "clearance_m", "severity": "tight",
           "subject": "L1", "status": "potential", "affects": "leg: bore"}  # fmt: skip
    return texts | numbers | own | more | {"geometry": Point(x, more.get("y", 0.0))}


def frame_of(*rows: dict[str, Any]) -> gpd.GeoDataFrame:
    """Conflicts, also none, with all columns of what is superseded."""
    names = [*PLAN_COLUMNS["superseded"], "geometry"]
    return gpd.GeoDataFrame(pd.DataFrame(list(rows), columns=names), geometry="geometry")
