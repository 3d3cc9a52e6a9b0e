"""Reads a workbook back with another library than the one that wrote it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import openpyxl
from openpyxl.cell.cell import Cell
from openpyxl.worksheet.worksheet import Worksheet

from planner.model import Plan
from planner.outputs.workbook import write_workbook
from planner.outputs.workbook_pen import HEAD_ROW

SHEETS = {
    "Pits": "pits", "Legs": "legs", "Connections": "connections", "Conflicts": "conflicts",
    "Superseded": "superseded", "Test holes": "test_holes", "Closures": "lane_closures",
}  # fmt: skip
COMPUTED = ("Drives", "Quantities", "Cost")
"""Sheets of what the plan's layers come to."""


def read_back(plan: Plan, folder: Path, *, formulas: bool = False) -> openpyxl.Workbook:
    """The workbook of a plan, with its formulas or with the values they were saved with."""
    write_workbook(plan, folder / "s.xlsx")
    return openpyxl.load_workbook(folder / "s.xlsx", data_only=not formulas)


def heads(sheet: Worksheet) -> list[str]:
    """Heads of a sheet's columns."""
    return [str(cell.value) for cell in sheet[HEAD_ROW + 1]]


def cells_below(sheet: Worksheet, head: str) -> list[Cell]:
    """Cells below a head, down to the last row that is filtered."""
    c = heads(sheet).index(head)
    last = int(sheet.auto_filter.ref.split(":")[1].lstrip("ABCDEFGHIJKLMNOPQRSTUVWXYZ"))
    return [row[c] for row in sheet.iter_rows(min_row=HEAD_ROW + 2, max_row=last)]


def column(sheet: Worksheet, head: str) -> list[Any]:
    """Values below a head, down to the last row that is filtered."""
    return [cell.value for cell in cells_below(sheet, head)]


def texts(book: openpyxl.Workbook) -> set[Any]:
    """Every value that stands anywhere."""
    return {cell.value for sheet in book for row in sheet for cell in row}


def find_row(sheet: Worksheet, first: str) -> list[Any]:
    """Values of the first row that begins with a text."""
    return next(list(row) for row in sheet.iter_rows(values_only=True) if row and row[0] == first)
