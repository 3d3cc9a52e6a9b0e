"""Writes a plan's schedules as a workbook: numbers as numbers, every text inert."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import xlsxwriter
from xlsxwriter.format import Format
from xlsxwriter.utility import xl_rowcol_to_cell
from xlsxwriter.worksheet import Worksheet

from planner.model import Plan
from planner.outputs.display import ABSENT, Display
from planner.outputs.workbook_columns import TO_FILL, Column
from planner.outputs.workbook_tables import Table, tables_of

CAUTION = (
    "A proposal, not permission to dig: have every service located and exposed, follow the local "
    "codes, and have a licensed engineer decide."
)
CREATED = dt.datetime(2000, 1, 1)  # a stamp of the format: same plan, same bytes  # noqa: DTZ001
HEAD_ROW = 3  # title, what the sheet is, and an empty row stand above it
NARROWEST, WIDEST = 7.0, 48.0  # [characters]
LONGEST = 32_000  # characters of a cell; the format takes 32,767
CUT = " … (shortened)"
UNPRINTABLE = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff]")
COMMANDS = ("=", "+", "-", "@", "\t")  # a text that begins so is kept from being one
STATUSES = ("potential", "open", "in hand", "resolved", "accepted")
INK, PAPER, HEAD_FILL, FILL_IN = "#1B1F1D", "#FFFFFF", "#E7E5DF", "#FFF6DD"
LETTER, A4 = 1, 9
MOST_HEADER = 255
MOST_IN_HEADER = 90  # characters of one text; the format takes 255 in all


def write_workbook(plan: Plan, path: Path) -> None:
    """Write `schedules.xlsx`.

    Parameters
    ----------
    plan
        The plan.
    path
        The file.

    Raises
    ------
    OSError
        Where it cannot be written.
    """
    currency = str(plan.summary.get("totals", {}).get("currency", ""))
    show = Display.of(plan.site.project, currency)
    try:
        with xlsxwriter.Workbook(str(path), OPTIONS) as book:
            book.set_properties({"created": CREATED, "title": plain_text(plan.site.project.name)})
            pen = _Pen(book, plan, show)
            pen.front(plan)
            for table in tables_of(plan, show):
                pen.sheet(table)
    except xlsxwriter.exceptions.FileCreateError as error:
        raise OSError(
            *(error.args[0].args if isinstance(error.args[0], OSError) else error.args)
        ) from error


OPTIONS = {
    "strings_to_numbers": False, "strings_to_formulas": False, "strings_to_urls": False,
    "in_memory": False,
}  # fmt: skip


def plain_text(value: object) -> str:
    r"""A text that a cell can hold: nothing that is not a character, and not too long.

    Examples
    --------
    >>> plain_text("a\x07b")
    'a�b'
    """
    text = UNPRINTABLE.sub("\ufffd", str(value))
    return text if len(text) <= LONGEST else text[: LONGEST - len(CUT)] + CUT


class _Pen:
    """Writes sheets in one look."""

    def __init__(self, book: xlsxwriter.Workbook, plan: Plan, show: Display) -> None:
        self.book, self.show = book, show
        self.project = plan.site.project
        self.formats: dict[tuple[tuple[str, Any], ...], Format] = {}

    def look(self, **properties: Any) -> Format:
        """A cell's format, each made once."""
        base = {"font_name": "Calibri", "font_size": 10, "font_color": INK, "valign": "top"}
        wanted = {**base, **properties}
        key = tuple(sorted(wanted.items()))
        if key not in self.formats:
            self.formats[key] = self.book.add_format(wanted)
        return self.formats[key]

    def text(self, sheet: Worksheet, at: tuple[int, int], value: object, **properties: Any) -> None:
        """Write a text as a text, whatever it looks like."""
        clean = plain_text(value)
        if clean.startswith(COMMANDS):
            properties["quote_prefix"] = True
        if clean:
            sheet.write_string(*at, clean, self.look(**properties))
        else:
            sheet.write_blank(*at, None, self.look(**properties))

    def opened(self, name: str, says: str) -> Worksheet:
        """A sheet with its title, what it is, and how it is printed."""
        sheet: Worksheet = self.book.add_worksheet(name)
        sheet.hide_gridlines(2)
        self.text(sheet, (0, 0), f"{name} · {self.project.name}", bold=True, font_size=14)
        self.text(sheet, (1, 0), f"{says}. {CAUTION}", italic=True)
        sheet.set_landscape()
        sheet.set_paper(LETTER if self.show.units == "us" else A4)
        sheet.fit_to_pages(1, 0)
        sheet.set_margins(left=0.4, right=0.4, top=0.6, bottom=0.6)
        datum = self.show.datum or "no datum stated"
        sheet.set_header(
            f"&L{_escaped(self.project.name)}&RLevels: {_escaped(datum)}"[:MOST_HEADER]
        )
        sheet.set_footer(f"&L{CAUTION}&R&P / &N")
        return sheet

    def front(self, plan: Plan) -> None:
        """The first sheet: what this is, figures, what is wrong, what was assumed, cautions."""
        sheet = self.opened("Summary", "What this workbook is about")
        sheet.set_column(0, 0, 30, self.look())
        sheet.set_column(1, 1, 110, self.look())
        row = HEAD_ROW
        for name, value in self._lines(plan):
            self.text(sheet, (row, 0), name, bold=True)
            if isinstance(value, float):
                sheet.write_number(row, 1, value, self.look(num_format="#,##0.##", align="left"))
            else:
                self.text(sheet, (row, 1), value, text_wrap=True)
            row += 1

    def _lines(self, plan: Plan) -> Iterator[tuple[str, object]]:
        summary, show, project = plan.summary, self.show, self.project
        totals = summary.get("totals", {})
        for name in ("agency", "number", "designer", "date"):
            if getattr(project, name, ""):
                yield name.capitalize(), getattr(project, name)
        yield "Levels", show.datum or "no datum stated"
        yield "Units", "feet and inches" if show.units == "us" else "metres and millimetres"
        yield "Result", summary.get("status", "")
        yield f"Cost [{show.currency}]", float(round(totals.get("cost", 0.0)))
        yield (
            f"Length [{show.unit('length')}]",
            show.number("length", totals.get("length_m")) or 0.0,
        )
        for name in ("legs", "pits", "properties", "served"):
            yield name.capitalize(), float(totals.get(name, 0))
        yield from self._proof(summary.get("optimality") or {})
        for one in summary.get("breaches", ()):
            kind = "Breach" if one.get("severity") == "breach" else "Advice"
            yield f"{kind}: {one.get('rule', '')}", show.prose(_finding(one))
        for one in summary.get("assumptions", ()):
            rows = one.get("rows")
            yield f"Assumed: {one.get('layer', '')}", f"{one.get('what', '')} ({rows} rows)"
        yield "Caution", CAUTION

    def _proof(self, known: dict[str, Any]) -> Iterator[tuple[str, object]]:
        if known.get("gap_pct") is None:
            yield "Proven", "nothing: how much cheaper a plan could be is not known"
            return
        most = f"{known['gap_pct']:.2f} % of what the search decides"
        left = ", ".join(known["not_bounded"])
        says = f"no other plan saves more than {most}, over {known['scope']}. Not in it: {left}"
        yield "Proven", says

    def sheet(self, table: Table) -> None:
        """One schedule."""
        sheet = self.opened(table.sheet, table.says)
        fills = table.sheet == "Conflicts"
        for c, column in enumerate(table.columns):
            self.text(
                sheet, (HEAD_ROW, c), column.head, bold=True, text_wrap=True, bottom=1,
                bg_color=FILL_IN if fills and column.name in TO_FILL else HEAD_FILL,
            )  # fmt: skip
            sheet.set_column(c, c, self._width(table, c), self.look())
        first, last = HEAD_ROW + 1, HEAD_ROW + len(table.rows)
        for r, row in enumerate(table.rows):
            for c, value in enumerate(row):
                self._cell(sheet, (first + r, c), value, table)
        if not table.rows:
            self.text(sheet, (first, 0), "None in this plan.", italic=True)
            last = first
        self._sums(sheet, table, first, last)
        across = max(len(table.columns) - 1, 0)
        sheet.autofilter(HEAD_ROW, 0, last, across)
        sheet.freeze_panes(HEAD_ROW + 1, 1)
        sheet.repeat_rows(HEAD_ROW)
        sheet.print_area(0, 0, last + (1 if table.sums else 0), across)
        if fills and table.rows:
            self._offer_statuses(sheet, table, first, last)

    def _cell(
        self, sheet: Worksheet, at: tuple[int, int], value: float | str | None, table: Table
    ) -> None:
        column = table.columns[at[1]]
        looks: dict[str, Any] = {"bottom": 4, "bottom_color": "#C9C6BE"}
        if table.sheet == "Conflicts" and column.name in TO_FILL:
            looks["bg_color"] = FILL_IN
        if value is None:
            sheet.write_blank(*at, None, self.look(**looks))
        elif isinstance(value, str):
            wrong = column.name == "severity" and value in ("clash", "tight")
            self.text(sheet, at, value, text_wrap=True, bold=wrong, **looks)
        else:
            spot = at[0] - HEAD_ROW - 1, at[1]
            places = table.places.get(spot, self._places(column))
            sheet.write_number(*at, value, self.look(num_format=_pattern(places), **looks))

    def _places(self, column: Column) -> int:
        return self.show.scale(column.measure).places if column.measure else 0

    def _sums(self, sheet: Worksheet, table: Table, first: int, last: int) -> None:
        """Add up columns of money below them; the sum is a formula with its value."""
        if not table.sums:
            return
        self.text(sheet, (last + 1, 0), "Sum", bold=True, top=1)
        for c in table.sums:
            values = [row[c] for row in table.rows]
            total = sum(v for v in values if isinstance(v, float))
            span = f"{xl_rowcol_to_cell(first, c)}:{xl_rowcol_to_cell(last, c)}"
            look = self.look(bold=True, top=1, num_format=_pattern(0))
            sheet.write_formula(last + 1, c, f"=SUM({span})", look, total)

    def _width(self, table: Table, c: int) -> float:
        words = max((len(word) for word in table.columns[c].head.split()), default=0)
        longest = max((len(_as_text(row[c])) for row in table.rows), default=0)
        return min(max(NARROWEST, words + 3.0, longest + 1.5), WIDEST)

    def _offer_statuses(self, sheet: Worksheet, table: Table, first: int, last: int) -> None:
        names = [column.name for column in table.columns]
        c = names.index("status")
        sheet.data_validation(first, c, last, c, {
            "validate": "list", "source": list(STATUSES), "error_type": "warning",
            "error_title": "Another status", "error_message": "Not one of the usual ones. Keep it?",
        })  # fmt: skip


def _pattern(places: int) -> str:
    return "#,##0" + ("." + "0" * places if places else "")


def _as_text(value: float | str | None) -> str:
    return ABSENT if value is None else str(value)


def _escaped(text: str) -> str:
    return plain_text(text)[:MOST_IN_HEADER].replace("&", "&&").replace("\n", " ")


def _finding(one: dict[str, Any]) -> str:
    """A finding in a sentence: where, what it is and what it should be."""
    unit = f" {one['unit']}" if one.get("unit") else ""
    figures = f"{one.get('value')}{unit}, limit {one.get('limit')}{unit}"
    parts = [
        f"{one.get('subject', '')}: {figures}",
        str(one.get("with") or ""),
        str(one.get("remedy") or ""),
    ]
    return ". ".join(part for part in parts if part)
