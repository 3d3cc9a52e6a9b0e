"""The workbook as a reviewer opens and prints it, and its first sheet."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from planner.model import Plan
from planner.outputs.workbook_pen import HEAD_ROW
from tests.outputs.plan_fixture import FOOT, make_fixture_plan
from tests.outputs.workbook_reading import (
    COMPUTED,
    SHEETS,
    cells_below,
    find_row,
    heads,
    read_back,
)

LETTER, TABLOID, A3, A4 = "1", "3", "8", "9"  # papers, as ECMA-376 numbers them in pageSetup


@pytest.fixture(scope="module")
def plan() -> Plan:
    return make_fixture_plan()


@pytest.fixture(scope="module")
def book(plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> openpyxl.Workbook:
    return read_back(plan, tmp_path_factory.mktemp("book"))


@pytest.mark.parametrize("sheet", [*SHEETS, *COMPUTED])
def test_heads_are_frozen_filtered_and_repeated_in_print(
    sheet: str, book: openpyxl.Workbook
) -> None:
    found = book[sheet]
    assert found.freeze_panes == f"B{HEAD_ROW + 2}"
    assert str(found.auto_filter.ref).startswith(f"A{HEAD_ROW + 1}:")
    assert found.print_title_rows == f"${HEAD_ROW + 1}:${HEAD_ROW + 1}"


@pytest.mark.parametrize("sheet", ["Summary", *SHEETS, *COMPUTED])
def test_every_sheet_prints_across_one_page_with_project_datum_and_number(
    sheet: str, plan: Plan, book: openpyxl.Workbook
) -> None:
    found = book[sheet]
    assert found.page_setup.orientation == "landscape"
    assert (found.page_setup.fitToWidth, found.page_setup.fitToHeight) == (None, 0)  # None is 1
    assert found.sheet_properties.pageSetUpPr.fitToPage
    assert found.oddHeader.left.text == plan.site.project.name
    assert found.oddHeader.right.text == "Levels: NAVD88"
    assert "&P / &N" in found.oddFooter.right.text
    assert f"${found.max_row}" in found.print_area


def test_every_sheet_cautions_on_screen_and_on_paper(book: openpyxl.Workbook) -> None:
    for sheet in book:
        assert "not permission to dig" in str(sheet["A3"].value)
        assert "not permission to dig" in str(sheet.oddFooter.left.text)


@pytest.mark.parametrize(("units", "small", "large"), [("us", LETTER, TABLOID), ("metric", A4, A3)])
def test_wide_sheets_take_the_larger_paper(
    units: str, small: str, large: str, tmp_path: Path
) -> None:
    found = read_back(make_fixture_plan(units), tmp_path)
    assert str(found["Drives"].page_setup.paperSize) == small
    assert str(found["Conflicts"].page_setup.paperSize) == large


@pytest.mark.parametrize("sheet", [*SHEETS, *COMPUTED])
def test_every_number_fits_its_column(sheet: str, book: openpyxl.Workbook) -> None:
    found = book[sheet]
    widths = {
        c: one.width
        for one in found.column_dimensions.values()
        for c in range(one.min, one.max + 1)
    }
    for row in found.iter_rows(min_row=HEAD_ROW + 2):
        for cell in row:
            if isinstance(cell.value, (int, float)):
                places = cell.number_format.partition(".")[2].count("0")
                assert len(f"{cell.value:,.{places}f}") < widths[cell.column]


def test_the_columns_to_fill_in_are_shaded_and_offer_the_usual_statuses(
    book: openpyxl.Workbook,
) -> None:
    found = book["Conflicts"]
    assert heads(found)[:5] == ["Conflict", "Severity", "Status", "Responsible", "Note"]
    fills = [cell.fill.fgColor.rgb for cell in found[HEAD_ROW + 2]]
    assert len({*fills[2:5]}) == 1
    assert fills[2] not in {*fills[:2], *fills[5:]}
    offered = found.data_validations.dataValidation[0]
    assert offered.formula1 == '"potential,open,in hand,resolved,accepted"'
    assert (str(offered.sqref), offered.errorStyle) == ("C5:C7", "warning")


def test_what_is_wrong_is_told_apart_without_colour(book: openpyxl.Workbook) -> None:
    cells = {cell.value: cell for cell in cells_below(book["Conflicts"], "Severity")}
    assert cells["clash"].fill.fill_type == "solid"
    assert cells["tight"].border.left.style == "thick"
    assert cells["unproven"].border.left.style == "dashed"
    assert [cells[name].font.b for name in ("clash", "tight", "unproven")] == [True, True, False]


def with_summary(plan: Plan, **changes: Any) -> Plan:
    """A plan whose summary says something else."""
    return replace(plan, summary={**plan.summary, **changes})


def facts(book: openpyxl.Workbook) -> dict[str, Any]:
    """Words and figures at the top of the first sheet."""
    return {row[0]: row[2] for row in book["Summary"].iter_rows(values_only=True) if row[0]}


def test_the_first_sheet_says_what_this_is(plan: Plan, book: openpyxl.Workbook) -> None:
    found = facts(book)
    assert found["Agency"] == "Alder Bluff"
    assert found["Levels"] == "over NAVD88"
    assert found["Units"].startswith("international feet (0.3048 m)")
    assert found["Coordinates"].startswith("NAD83 / UTM zone 15N (EPSG:26915), in m;")
    assert found["Result"] == plan.summary["status"]
    assert found["Cost [USD]"] == plan.summary["totals"]["cost"]
    assert found["Length [ft]"] == round(plan.summary["totals"]["length_m"] / FOOT, 1)
    assert (found["Breaches of rules"], found["Conflicts, clash"]) == (1, 1)


def test_findings_stand_in_the_units_of_the_project_breaches_first(
    plan: Plan, tmp_path: Path
) -> None:
    breaches = list(reversed(plan.summary["breaches"]))
    found = read_back(with_summary(plan, breaches=breaches), tmp_path)
    rows = list(found["Summary"].iter_rows(values_only=True))
    first = next(r for r, row in enumerate(rows) if row[0] == "Finding") + 1
    # -0.04 m is -0.1312 ft, 0.9 m is 2.9528 ft
    assert rows[first][:8] == ("breach", "clearance_m", "L2", None, None, -0.131, 2.953, "ft")
    assert rows[first + 1][:8] == (
        "advice", "bored_slope_margin_pct", "L3", None, None, 0.05, 0.1, "%",
    )  # fmt: skip


def test_a_value_just_beyond_its_limit_does_not_look_like_it(plan: Plan, tmp_path: Path) -> None:
    near = plan.summary["breaches"][0] | {"value": 0.8999, "limit": 0.9}
    found = read_back(with_summary(plan, breaches=[near]), tmp_path)
    row = find_row(found["Summary"], "breach")
    assert row[5] < row[6]


@pytest.mark.parametrize("value", [None, True, "Mill Lane", float("nan"), [1, 2], {"200": 0.4}])
def test_a_finding_of_any_kind_of_value_is_written(plan: Plan, value: Any, tmp_path: Path) -> None:
    odd = plan.summary["breaches"][0] | {"value": value, "limit": value, "unit": None}
    found = read_back(with_summary(plan, breaches=[odd]), tmp_path)
    assert find_row(found["Summary"], "breach")[1] == "clearance_m"


def test_assumptions_are_listed_with_their_rows(book: openpyxl.Workbook) -> None:
    row = find_row(book["Summary"], "utilities")
    assert row[2:4] == [3, "no level given: the default depth of the kind is taken"]


def test_a_proof_is_told_where_there_is_one(plan: Plan, tmp_path: Path) -> None:
    known = {"cost": 100.0, "lower_bound": 99.0, "gap_pct": 1.0, "scope": "all places",
             "not_bounded": ["traffic"]}  # fmt: skip
    for sheet in ("Summary", "Cost"):
        found = read_back(with_summary(plan, optimality=known), tmp_path)
        said = {value for row in found[sheet].iter_rows(values_only=True) for value in row}
        assert {"Gap between the two [%]", 99, "Not in it: traffic."} <= said


def test_where_nothing_is_proven_that_is_said(book: openpyxl.Workbook) -> None:
    said = {value for row in book["Cost"].iter_rows(values_only=True) for value in row}
    assert "How much cheaper a plan could be is not known." in said
