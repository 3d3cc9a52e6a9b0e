"""Puts cells and pages of the workbook in one look; a text stays a text, whatever it looks like."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from functools import cache
from typing import Any

import xlsxwriter
from xlsxwriter.format import Format
from xlsxwriter.worksheet import Worksheet

from planner.model import Project
from planner.outputs.display import DAGGER, Display
from planner.outputs.map_look import INK, WRONG
from planner.outputs.workbook_tables import Cell
from planner.outputs.workbook_text import is_command, is_markup, margin_text, plain_text

CAUTION = (
    "A proposal, not permission to dig: have every service located and exposed, follow the local "
    "codes, and have a licensed engineer decide."
)
HEAD_ROW = 3  # the title, what the sheet is and the caution stand above it
HEAD_FILL, FILL_IN, RULED = "#E7E5DF", "#FFF6DD", "#C9C6BE"
LETTER, TABLOID, A3, A4 = 1, 3, 8, 9  # papers, as the format numbers them
MOST_ON_SMALL = 190.0  # characters across that can still be read on the small paper
DEFAULT_WIDTH = 9.14  # of a column that nothing was said about [characters]
BASE = {"font_name": "Calibri", "font_size": 10, "font_color": INK, "valign": "top"}
SOLID, THICK, DASHED, DOTTED = 1, 5, 3, 4  # borders, as the format numbers them
FLAWS: dict[str, dict[str, Any]] = {
    "clash": {"bold": True, "bg_color": WRONG, "font_color": "#FFFFFF"},
    "tight": {"bold": True, "font_color": WRONG, "border": THICK, "border_color": WRONG},
    "unproven": {"font_color": WRONG, "border": DASHED, "border_color": WRONG},
    "breach": {"bold": True, "font_color": WRONG},
}
"""How what is wrong is told apart, in colour and without: filled, ringed, ringed with dashes."""


class Pen:
    """Writes into a workbook in one look."""

    def __init__(self, book: xlsxwriter.Workbook, project: Project, show: Display) -> None:
        self.book, self.project, self.show = book, project, show
        self._formats: dict[tuple[tuple[str, Any], ...], Format] = {}

    def look(self, **properties: Any) -> Format:
        """A cell's format, each made once."""
        key = tuple(properties.items())
        known = self._formats.get(key)
        if known is None:
            known = self._formats[key] = self.book.add_format(BASE | properties)
        return known

    def put(self, sheet: Worksheet, at: tuple[int, int], cell: Cell, **properties: Any) -> None:
        """Write a cell as what it is: a number, a date, a text or nothing."""
        if isinstance(cell, str):
            self.put_text(sheet, at, cell, **properties)
        elif cell is None:
            sheet.write_blank(*at, None, self.look(**properties))
        elif isinstance(cell, dt.date):
            look = self.look(num_format="d mmm yyyy", align="left", **properties)
            sheet.write_datetime(*at, dt.datetime.combine(cell, dt.time()), look)
        else:
            sheet.write_number(*at, cell, self.look(**properties))

    def put_text(self, sheet: Worksheet, at: tuple[int, int], text: str, **properties: Any) -> None:
        """Write a text as a text."""
        clean = plain_text(text)
        if is_command(clean):
            properties["quote_prefix"] = True
        look = self.look(**properties)
        if not clean:
            sheet.write_blank(*at, None, look)
        elif is_markup(clean):
            sheet.write_rich_string(*at, self.look(), clean[:1], clean[1:], look)
        else:
            sheet.write_string(*at, clean, look)

    def open(self, name: str, says: str, widths: Sequence[float]) -> Worksheet:
        """A sheet with its title, what it is and the caution above its table, ready for print.

        Parameters
        ----------
        name
            Its name.
        says
            What it is.
        widths
            Of its columns. [characters]
        """
        sheet: Worksheet = self.book.add_worksheet(name)
        sheet.hide_gridlines(2)
        for c, width in enumerate(widths):
            sheet.set_column(c, c, width, self.look())
        self.put_text(sheet, (0, 0), f"{name} · {self.project.name}", bold=True, font_size=14)
        self.put_text(sheet, (1, 0), f"{says}.")
        self.put_text(sheet, (2, 0), CAUTION, italic=True)
        self._lay_out(sheet, max(sum(widths), len(CAUTION)))
        return sheet

    def _lay_out(self, sheet: Worksheet, across: float) -> None:
        """Paper, margins and what stands above and below every page."""
        small, large = (LETTER, TABLOID) if self.show.units == "us" else (A4, A3)
        sheet.set_landscape()
        sheet.set_paper(small if across <= MOST_ON_SMALL else large)
        sheet.fit_to_pages(1, 0)
        sheet.set_margins(left=0.4, right=0.4, top=0.7, bottom=0.7)
        datum = self.show.datum or "no datum stated"
        sheet.set_header(f"&L{margin_text(self.project.name)}&RLevels: {margin_text(datum)}")
        sheet.set_footer(f"&L{CAUTION}&R&A  &P / &N")


@cache
def pattern_of(places: int | None, *, dagger: bool = False) -> str:
    """How a number is shown: grouped by thousands, with so many places.

    Examples
    --------
    >>> pattern_of(2), pattern_of(0), pattern_of(None)
    ('#,##0.00', '#,##0', 'General')
    """
    if places is None:
        return "General"
    digits = "#,##0" + ("." + "0" * places if places else "")
    return f'{digits}" {DAGGER}"' if dagger else digits


def columns_across(widths: Sequence[float], text: str) -> int:
    """Columns that a line of text above the table reaches over, if it is wider than the table."""
    count, reach = len(widths), sum(widths)
    while reach < 0.95 * len(text):  # letters are narrower than figures
        count, reach = count + 1, reach + DEFAULT_WIDTH
    return count
