"""Draws one schedule as a sheet: heads, rows, sums, and columns for people to fill in."""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

from xlsxwriter.utility import xl_rowcol_to_cell
from xlsxwriter.worksheet import Worksheet

from planner.outputs.workbook_columns import GRID, PROSE, Column
from planner.outputs.workbook_pen import (
    CAUTION,
    DOTTED,
    FILL_IN,
    FLAWS,
    HEAD_FILL,
    HEAD_ROW,
    RULED,
    SOLID,
    Pen,
    columns_across,
    pattern_of,
)
from planner.outputs.workbook_tables import Cell, Table

STATUSES = ("potential", "open", "in hand", "resolved", "accepted")
NARROWEST, WIDEST, WIDEST_PROSE, WIDEST_WRITTEN = 7.0, 22.0, 32.0, 16.0  # [characters]
ROOM = 2.5  # beside what a cell holds [characters]
BUTTON = 4.0  # room for the filter's button beside a head [characters]
FIRST = HEAD_ROW + 1
TEXT: dict[str, Any] = {"text_wrap": True, "indent": 1}  # a gap after the figure to the left


def write_schedule(pen: Pen, table: Table) -> None:
    """One schedule.

    Parameters
    ----------
    pen
        What writes.
    table
        Its heads and rows.
    """
    widths = [width_of(table, c) for c in range(len(table.columns))]
    sheet = pen.open(table.sheet, table.says, widths)
    write_heads(pen, sheet, table)
    write_rows(pen, sheet, table)
    if not table.rows:
        pen.put_text(sheet, (FIRST, 0), "None in this plan.", italic=True)
    last = HEAD_ROW + max(len(table.rows), 1)
    sheet.autofilter(HEAD_ROW, 0, last, len(table.columns) - 1)
    sheet.freeze_panes(FIRST, 1)
    sheet.repeat_rows(HEAD_ROW)
    write_sums(pen, sheet, table, last)
    end = write_below(pen, sheet, table, last + bool(table.sums))
    across = max(columns_across(widths, text) for text in (CAUTION, table.says))
    sheet.print_area(0, 0, end, across - 1)
    if table.rows and "status" in table.to_fill:
        offer_statuses(sheet, table, last)


def write_heads(pen: Pen, sheet: Worksheet, table: Table) -> None:
    """The row of heads; those of columns to be filled in are shaded."""
    for c, column in enumerate(table.columns):
        fill = FILL_IN if column.name in table.to_fill else HEAD_FILL
        pen.put_text(
            sheet, (HEAD_ROW, c), column.head, bold=True, bottom=SOLID, bg_color=fill, **TEXT,
        )  # fmt: skip


def write_rows(pen: Pen, sheet: Worksheet, table: Table) -> None:
    """Every row, ruled with dots."""
    ruled: dict[str, Any] = {"bottom": DOTTED, "bottom_color": RULED}
    looks = [
        ruled | ({"bg_color": FILL_IN} if column.name in table.to_fill else {})
        for column in table.columns
    ]
    for r, row in enumerate(table.rows):
        for c, cell in enumerate(row):
            look = looks[c]
            if isinstance(cell, float):
                look = look | {"num_format": pattern_at(table, r, c)}
            elif isinstance(cell, str):
                look = look | TEXT | flaw_of(table.columns[c], cell)
            pen.put(sheet, (FIRST + r, c), cell, **look)


def pattern_at(table: Table, r: int, c: int) -> str:
    """How the number of a cell is shown."""
    places = table.places.get((r, c), table.columns[c].places)
    pattern = pattern_of(places, dagger=(r, c) in table.daggers)
    return pattern.removeprefix("#,##") if table.columns[c].name in GRID else pattern


def flaw_of(column: Column, text: str) -> dict[str, Any]:
    """Look of a word that says that something is wrong."""
    if column.name == "severity":
        return FLAWS.get(text, {})
    return FLAWS["breach"] if column.name == "served" and text == "no" else {}


def write_sums(pen: Pen, sheet: Worksheet, table: Table, last: int) -> None:
    """Add up columns of money below them; the sum is a formula with its value."""
    if not table.sums:
        return
    pen.put_text(sheet, (last + 1, 0), "Sum", bold=True, top=SOLID)
    look = pen.look(bold=True, top=SOLID, num_format=pattern_of(0))
    for c in table.sums:
        known = [row[c] for row in table.rows]
        total = round(math.fsum(cell for cell in known if isinstance(cell, float)), 2)
        span = f"{xl_rowcol_to_cell(FIRST, c)}:{xl_rowcol_to_cell(last, c)}"
        sheet.write_formula(last + 1, c, f"=SUM({span})", look, total)


def write_below(pen: Pen, sheet: Worksheet, table: Table, last: int) -> int:
    """Further lines below a table, an empty row between; the last row comes back."""
    start = last + 2
    for r, (words, figure, places) in enumerate(table.below, start):
        pen.put_text(sheet, (r, 0), words)
        if figure is not None:
            pen.put(sheet, (r, 1), figure, num_format=pattern_of(places))
    return start + len(table.below) - 1 if table.below else last


def offer_statuses(sheet: Worksheet, table: Table, last: int) -> None:
    """Offer the usual words for a status; others are taken after a warning."""
    c = [column.name for column in table.columns].index("status")
    sheet.data_validation(FIRST, c, last, c, {
        "validate": "list", "source": list(STATUSES), "error_type": "warning",
        "error_title": "Another status", "error_message": "Not one of the usual ones. Keep it?",
    })  # fmt: skip


def width_of(table: Table, c: int) -> float:
    """Width of a column, from the longest word of its head and its longest cell. [characters]"""
    column = table.columns[c]
    head = max((len(word) for word in column.head.split()), default=0) + BUTTON
    cells = (length_of(row[c], pattern_at(table, r, c)) for r, row in enumerate(table.rows))
    summed = [f"{sum(row[c] or 0.0 for row in table.rows):,.0f}"] if c in table.sums else []  # type: ignore[misc]
    longest = max((*cells, *map(len, summed)), default=0) + ROOM
    lines = [len(words) for words, figure, _ in table.below if figure is not None and c == 0]
    longest = max(longest, *lines, 0)
    if column.name in table.to_fill:
        return WIDEST_WRITTEN
    most = WIDEST_PROSE if column.name in PROSE or len(table.columns) <= 3 else WIDEST
    return min(max(NARROWEST, head, longest), most)


def length_of(cell: Cell, pattern: str) -> int:
    """Characters that a cell is shown in, on its longest line."""
    if isinstance(cell, float):
        if pattern == "General":
            return len(f"{cell:g}")
        places = pattern.partition(".")[2].count("0")
        return len(f"{cell:,.{places}f}") + (2 if '"' in pattern else 0)
    if isinstance(cell, dt.date):
        return len("30 Nov 2026")
    return max(map(len, (cell or "").split("\n")))
