"""The workbook, read back by another library: figures, units, heads, and nothing that acts."""

from __future__ import annotations

import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import openpyxl
import pytest
from openpyxl.worksheet.worksheet import Worksheet

from planner.model import PLAN_COLUMNS, Plan
from planner.outputs.display import Display
from planner.outputs.workbook import HEAD_ROW, LONGEST, write_workbook
from planner.outputs.workbook_columns import columns_of
from tests.outputs.payloads import PAYLOADS
from tests.outputs.plan_fixture import make_fixture_plan, with_text

SHEETS = {
    "Pits": "pits", "Legs": "legs", "Connections": "connections", "Conflicts": "conflicts",
    "Test holes": "test_holes", "Closures": "lane_closures",
}  # fmt: skip
COMMANDS = ("=1+1", "+1", "-1+2", "@SUM(A1)", "\t=1", "\r=1", "=cmd|' /c calc'!A0", "=HYPERLINK(1)")
FOOT = 0.3048  # [m] international foot, by definition


def read_back(plan: Plan, folder: Path) -> openpyxl.Workbook:
    """The workbook of a plan, with the values that its formulas were saved with."""
    write_workbook(plan, folder / "s.xlsx")
    return openpyxl.load_workbook(folder / "s.xlsx", data_only=True)


def heads(sheet: Worksheet) -> list[str]:
    """Heads of a sheet's columns."""
    return [str(cell.value) for cell in sheet[HEAD_ROW + 1]]


def column(sheet: Worksheet, head: str) -> list[Any]:
    """Values below a head, down to the last row that has an identifier."""
    c = heads(sheet).index(head) + 1
    rows = sheet.iter_rows(min_row=HEAD_ROW + 2, values_only=True)
    return [row[c - 1] for row in rows if row[0] not in (None, "Sum")]


@pytest.fixture(scope="module")
def plan() -> Plan:
    return make_fixture_plan()


@pytest.fixture(scope="module")
def book(plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> openpyxl.Workbook:
    return read_back(plan, tmp_path_factory.mktemp("book"))


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize(("sheet", "layer"), SHEETS.items())
def test_every_number_is_the_plans_to_the_printed_place(
    sheet: str, layer: str, units: str, tmp_path: Path
) -> None:
    plan = make_fixture_plan(units)
    show = Display.of(plan.site.project, "USD")
    frame = getattr(plan, layer)
    found = read_back(plan, tmp_path)[sheet]
    for one in columns_of(layer, PLAN_COLUMNS[layer], show):
        if not one.measure or one.name == "slope_pct":
            continue
        size, _, places = show.scale(one.measure)
        wanted = [float(value) / size for value in frame[one.name].astype(float)]
        for value, exact in zip(column(found, one.head), wanted, strict=True):
            if value is None:
                assert exact != exact  # noqa: PLR0124  # not a number
            else:
                assert abs(value - exact) <= 0.5001 * 10**-places


def test_levels_stand_in_feet_where_the_project_is_in_feet(
    plan: Plan, book: openpyxl.Workbook
) -> None:
    shown = column(book["Legs"], "Invert up [ft]")
    assert shown == [round(z / FOOT, 2) for z in plan.legs["invert_up_m"]]


def test_slopes_close_on_the_falls_beside_them(plan: Plan, tmp_path: Path) -> None:
    legs = read_back(plan, tmp_path)["Legs"]
    rows = zip(column(legs, "Slope [%]"), plan.legs["length_m"], plan.legs["fall_m"], strict=True)
    step = plan.site.project.level_step or 0.01 * FOOT
    assert all(abs(slope / 100 * run - fall) < step / 2 for slope, run, fall in rows)


@pytest.mark.parametrize("sheet", SHEETS)
def test_heads_are_frozen_filtered_and_repeated_in_print(
    sheet: str, book: openpyxl.Workbook
) -> None:
    found = book[sheet]
    assert found.freeze_panes == f"B{HEAD_ROW + 2}"
    assert str(found.auto_filter.ref).startswith(f"A{HEAD_ROW + 1}:")
    assert found.print_title_rows == f"${HEAD_ROW + 1}:${HEAD_ROW + 1}"
    assert found.print_area
    assert found.page_setup.orientation == "landscape"


def test_every_sheet_cautions_on_screen_and_on_paper(book: openpyxl.Workbook) -> None:
    for sheet in book:
        assert "not permission to dig" in str(sheet["A2"].value)
        assert "not permission to dig" in str(sheet.oddFooter.left.text)


@pytest.mark.parametrize("text", [*COMMANDS, *PAYLOADS])
def test_a_text_stays_a_text(plan: Plan, text: str, tmp_path: Path) -> None:
    write_workbook(with_text(plan, text), tmp_path / "s.xlsx")
    found = openpyxl.load_workbook(tmp_path / "s.xlsx")
    sums = {c.coordinate for s in found for c in s[s.max_row] if c.data_type == "f"}
    formulas = {c.coordinate for s in found for row in s for c in row if c.data_type == "f"}
    assert formulas <= sums
    assert not any(c.hyperlink for s in found for row in s for c in row)
    shown = {c.value for row in found["Pits"] for c in row}
    assert text.replace("\r", "\ufffd") in shown or text in shown


def test_a_text_that_begins_like_a_command_is_marked_as_text(plan: Plan, tmp_path: Path) -> None:
    write_workbook(with_text(plan, "=1+1"), tmp_path / "s.xlsx")
    cells = [c for row in openpyxl.load_workbook(tmp_path / "s.xlsx")["Pits"] for c in row]
    assert all(c.quotePrefix for c in cells if c.value == "=1+1")


def test_what_is_no_character_is_replaced_and_what_is_too_long_says_so(
    plan: Plan, tmp_path: Path
) -> None:
    found = read_back(with_text(plan, "a\x00\udc80b"), tmp_path)
    assert "a\ufffd\ufffdb" in {c.value for row in found["Pits"] for c in row}
    found = read_back(with_text(plan, "x" * 40_000), tmp_path)
    longest = max(len(str(c.value)) for row in found["Pits"] for c in row)
    assert longest == LONGEST
    assert any(str(c.value).endswith("(shortened)") for row in found["Pits"] for c in row)


def test_a_plan_of_nothing_has_every_sheet_with_heads_and_says_so(
    plan: Plan, tmp_path: Path
) -> None:
    bare = {
        name: gpd.GeoDataFrame({c: [] for c in names}, geometry=[], crs=plan.pits.crs)
        for name, names in PLAN_COLUMNS.items()
    }
    found = read_back(replace(plan, **bare), tmp_path)
    for sheet, layer in SHEETS.items():
        assert len(heads(found[sheet])) >= len(PLAN_COLUMNS[layer])
        assert found[sheet].cell(HEAD_ROW + 2, 1).value == "None in this plan."


def test_the_same_plan_gives_the_same_bytes(plan: Plan, tmp_path: Path) -> None:
    for name in ("a.xlsx", "b.xlsx"):
        write_workbook(plan, tmp_path / name)
    assert (tmp_path / "a.xlsx").read_bytes() == (tmp_path / "b.xlsx").read_bytes()
    assert zipfile.ZipFile(tmp_path / "a.xlsx").testzip() is None


def test_sums_are_formulas_with_the_value_that_they_give(book: openpyxl.Workbook) -> None:
    costs = book["Legs"]
    c = heads(costs).index("Cost [USD]") + 1
    assert costs.cell(costs.max_row, c).value == sum(column(costs, "Cost [USD]"))


def test_the_columns_to_fill_in_are_there_and_offer_the_usual_statuses(
    book: openpyxl.Workbook,
) -> None:
    found = book["Conflicts"]
    assert heads(found)[:5] == ["Conflict", "Severity", "Status", "Responsible", "Note"]
    offered = found.data_validations.dataValidation[0]
    assert "accepted" in offered.formula1
    assert offered.errorStyle == "warning"


def test_drives_name_the_pit_they_come_out_in(plan: Plan, book: openpyxl.Workbook) -> None:
    drives = book["Drives"]
    for leg, start, end in zip(
        plan.legs.to_dict("records"), column(drives, "Launched from"), column(drives, "Exit pit"),
        strict=True,
    ):  # fmt: skip
        assert {start, end} == {leg["up_pit"], leg["down_pit"]}
        assert start == leg["launch_pit"]
