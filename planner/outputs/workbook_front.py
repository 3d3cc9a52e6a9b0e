"""First sheet of the workbook: what this is, its figures, what is wrong, and what was assumed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from textwrap import wrap
from typing import Any, TypeGuard

from pyproj import CRS
from xlsxwriter.worksheet import Worksheet

from planner.model import US_SURVEY_FOOT, Plan
from planner.outputs.display import NOMINAL_INCH, PROSE_MEASURES, Display, is_absent
from planner.outputs.workbook_columns import grid_unit
from planner.outputs.workbook_pen import FLAWS, HEAD_FILL, HEAD_ROW, SOLID, Pen, pattern_of
from planner.outputs.workbook_quantities import proof_of
from planner.outputs.workbook_tables import Cell

WIDTHS = (14.0, 24.0, 13.0, 18.0, 12.0, 11.0, 11.0, 9.0, 46.0, 40.0)  # [characters]
SAYS = "What this workbook is about, what is wrong, and what was assumed"
VALUE = 2  # column of the figures
LINE = 132  # characters of what was assumed
MOST_PLACES = 6
NEAR = 0.005  # of a figure, by which its rounding may be off
LEAST_NOMINAL = 100.0  # [mm] smallest pipe size
CAUTIONS = (
    "Records of services are incomplete and often wrong: what no sheet lists may still be there.",
    "Pits, shoring, groundwater and lane closures need designs by those who answer for them.",
    "Prices are for comparing plans. All figures rest on the inputs and on what is assumed below.",
)
Fact = tuple[str, Cell, int | None]  # words, figure or text, places


def write_front(pen: Pen, plan: Plan) -> None:
    """The first sheet.

    Parameters
    ----------
    pen
        What writes.
    plan
        The plan.
    """
    sheet = pen.open("Summary", SAYS, WIDTHS)
    row = write_facts(pen, sheet, facts_of(plan, pen.show), HEAD_ROW)
    row = write_findings(pen, sheet, plan, row + 1)
    row = write_assumptions(pen, sheet, plan, row + 1)
    sheet.freeze_panes(HEAD_ROW, 0)
    sheet.print_area(0, 0, row - 1, len(WIDTHS) - 1)


def write_facts(pen: Pen, sheet: Worksheet, facts: Iterator[Fact], row: int) -> int:
    """Words and figures, one a row; the next free row comes back."""
    for words, cell, places in facts:
        pen.put_text(sheet, (row, 0), words, bold=True)
        look = {"num_format": pattern_of(places), "align": "left"}
        pen.put(sheet, (row, VALUE), cell, **(look if isinstance(cell, float) else {}))
        row += 1
    return row


def facts_of(plan: Plan, show: Display) -> Iterator[Fact]:
    """What the project is, how figures are to be read, and what the plan comes to."""
    project = plan.site.project
    for name in ("agency", "number", "designer", "date", "start_date"):
        text = getattr(project, name)
        if text:
            yield name.capitalize().replace("_", " "), day_of(text), None
    yield "Levels", f"over {show.datum}" if show.datum else "no datum stated", None
    yield "Units", units_words(show), None
    yield "Coordinates", grid_words(plan), None
    yield "Rules", plan.site.book.rule_set, None
    yield from totals_of(plan, show)
    for words, figure, places in proof_of(plan, show):
        yield ("", words, None) if figure is None else (words, figure, places)
    for words in CAUTIONS:
        yield "Caution", words, None


def totals_of(plan: Plan, show: Display) -> Iterator[Fact]:
    """What the plan comes to, and how much of it is wrong."""
    totals, found = plan.summary.get("totals", {}), plan.summary.get("breaches") or ()
    yield "Result", str(plan.summary.get("status", "")), None
    yield "Breaches of rules", float(sum(is_breach(one) for one in found)), 0
    yield "Pieces of advice", float(sum(not is_breach(one) for one in found)), 0
    counts = plan.conflicts["severity"].value_counts()
    for severity in ("clash", "tight", "unproven"):
        yield f"Conflicts, {severity}", float(counts.get(severity, 0)), 0
    yield f"Cost [{show.currency}]", round(float(totals.get("cost", 0.0)), 2), 0
    unit, places = show.unit("length"), show.scale("length").places
    yield f"Length [{unit}]", show.number("length", totals.get("length_m")), places
    for name in ("legs", "pits", "properties", "served"):
        yield name.capitalize(), float(totals.get(name, 0)), 0
    if totals.get("working_days"):
        yield "Working days", float(totals["working_days"]), 0


def day_of(text: str) -> Cell:
    """A day of the calendar; a text that is none stays one."""
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        return text


def units_words(show: Display) -> str:
    """Units in words, and which foot is meant."""
    if show.units != "us":
        return "metres, sizes in millimetres; lengths are on the ground"
    survey = abs(show.foot - US_SURVEY_FOOT) < 1e-9
    foot = "US survey feet (1200/3937 m)" if survey else "international feet (0.3048 m)"
    return f"{foot}, sizes in inches; lengths are on the ground"


def grid_words(plan: Plan) -> str:
    """The system that coordinates are in, and what a ground length is of a grid length."""
    crs, (unit, _) = CRS.from_user_input(plan.site.frame.crs), grid_unit(plan.site.frame.unit)
    code = crs.to_authority()
    name = f"{crs.name} ({':'.join(code)})" if code else crs.name
    return f"{name}, in {unit}; length on the grid = {plan.site.frame.k:.9f} × length on the ground"


def is_breach(one: Mapping[str, Any]) -> bool:
    """Whether a finding breaks a rule; the others are advice."""
    return one.get("severity") == "breach"


def write_findings(pen: Pen, sheet: Worksheet, plan: Plan, row: int) -> int:
    """Findings as a table, breaches first; the next free row comes back."""
    station = f"Station [{pen.show.unit('exact')}]"
    heads = ("Finding", "Rule", "Subject", "With", station, "Value", "Limit", "Unit", "What to do",
             "Source")  # fmt: skip
    write_row_of_heads(pen, sheet, row, heads)
    found = sorted(plan.summary.get("breaches") or (), key=lambda one: not is_breach(one))
    if not found:
        pen.put_text(sheet, (row + 1, 0), "Nothing was found.", italic=True)
    else:
        sheet.autofilter(row, 0, row + len(found), len(heads) - 1)
    for r, one in enumerate(found, row + 1):
        for c, (cell, places) in enumerate(finding_cells(one, pen.show)):
            look: dict[str, Any] = {"text_wrap": True} if isinstance(cell, str) else {}
            look |= {"num_format": pattern_of(places)} if isinstance(cell, float) else {}
            look |= FLAWS["breach"] if c == 0 and is_breach(one) else {}
            pen.put(sheet, (r, c), cell, **look)
    return row + max(len(found), 1) + 1


def write_row_of_heads(pen: Pen, sheet: Worksheet, row: int, heads: tuple[str, ...]) -> None:
    """Heads of a table of the first sheet."""
    for c, head in enumerate(heads):
        pen.put_text(sheet, (row, c), head, bold=True, bottom=SOLID, bg_color=HEAD_FILL)


def finding_cells(one: Mapping[str, Any], show: Display) -> Iterator[tuple[Cell, int | None]]:
    """Cells of a finding, each with the places of its number."""
    for name in ("severity", "rule", "subject", "with"):
        yield str(one.get(name) or "") or None, None
    yield show.number("exact", one.get("station_m")), show.scale("exact").places
    pair = one.get("value"), one.get("limit")
    unit = str(one.get("unit") or "")
    measure = measure_of_unit(unit, pair)
    size, unit, least = show.scale(measure) if measure else (1.0, unit, 0)
    places = places_apart([value / size for value in pair if is_number(value)], least)
    for value in pair:
        yield round(value / size, places) if is_number(value) else words_of(value, show), places
    yield unit or None, None
    yield show.prose(one.get("remedy") or "") or None, None
    yield str(one.get("source") or "") or None, None


def is_number(value: Any) -> TypeGuard[float]:
    """Whether a value is a figure that is known."""
    return isinstance(value, (int, float)) and not isinstance(value, bool) and not is_absent(value)


def words_of(value: Any, show: Display) -> str | None:
    """A value that is no number, in words."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return None if is_absent(value) else show.prose(value)


def measure_of_unit(unit: str, pair: tuple[Any, Any]) -> str:
    """Measure of `Display` that a unit is shown by; empty where it is shown as it is."""
    sizes = [value for value in pair if is_number(value)]
    if unit == "mm" and all(v >= LEAST_NOMINAL and v % NOMINAL_INCH == 0 for v in sizes):
        return "nominal"
    return PROSE_MEASURES.get(unit, "")


def places_apart(figures: list[float], least: int) -> int:
    """Places that tell a value from its limit and keep small ones to half a per cent.

    Examples
    --------
    >>> places_apart([3.0, 3.0481], 2), places_apart([0.025549, 0.1], 0), places_apart([12, 0], 0)
    (2, 4, 0)
    """
    for places in range(least, MOST_PLACES):
        near = [round(figure, places) for figure in figures]
        off = [abs(a - b) / max(abs(b), 0.01) for a, b in zip(near, figures, strict=True)]
        if len(set(near)) == len(set(figures)) and max(off, default=0.0) <= NEAR:
            return places
    return MOST_PLACES


def write_assumptions(pen: Pen, sheet: Worksheet, plan: Plan, row: int) -> int:
    """What was not given and is taken as usual; the next free row comes back."""
    heads = ("Assumed", "", "Rows", "What", "", "", "", "", "", "")
    write_row_of_heads(pen, sheet, row, heads)
    row += 1
    assumed = plan.summary.get("assumptions") or ()
    if not assumed:
        pen.put_text(sheet, (row, 0), "Nothing was assumed.", italic=True)
        return row + 1
    for one in assumed:
        pen.put_text(sheet, (row, 0), str(one.get("layer", "")))
        rows = float(one["rows"]) if is_number(one.get("rows")) else None
        pen.put(sheet, (row, VALUE), rows, num_format=pattern_of(0), align="left")
        for line in wrap(pen.show.prose(one.get("what", "")), LINE) or [""]:
            pen.put_text(sheet, (row, VALUE + 1), line)
            row += 1
    return row
