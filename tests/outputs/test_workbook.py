"""The workbook, read back: every figure is the plan's, in the units that the heads state."""

from __future__ import annotations

import datetime as dt
import re
import zipfile
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import openpyxl
import pandas as pd
import pytest

from planner.model import PLAN_COLUMNS, US_SURVEY_FOOT, Plan
from planner.outputs import workbook_tables
from planner.outputs.display import Display
from planner.outputs.workbook import write_workbook
from planner.outputs.workbook_columns import PROSE, column_of
from planner.outputs.workbook_pen import HEAD_ROW
from tests.outputs.plan_fixture import FOOT, make_fixture_plan
from tests.outputs.workbook_reading import SHEETS, cells_below, column, heads, read_back

UNIT = re.compile(r" \[(.+)\]$")


def of_project(plan: Plan, **changes: object) -> Plan:
    """A plan whose project says something else."""
    return replace(plan, site=replace(plan.site, project=replace(plan.site.project, **changes)))


@pytest.fixture(scope="module")
def plan() -> Plan:
    return make_fixture_plan()


@pytest.fixture(scope="module")
def book(plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> openpyxl.Workbook:
    return read_back(plan, tmp_path_factory.mktemp("book"))


def test_there_is_one_sheet_a_schedule(book: openpyxl.Workbook) -> None:
    assert book.sheetnames == [
        "Summary", "Pits", "Legs", "Drives", "Connections", "Conflicts", "Superseded",
        "Test holes", "Closures", "Quantities", "Cost",
    ]  # fmt: skip


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize(("sheet", "layer"), SHEETS.items())
def test_every_number_is_the_plans_to_the_printed_place(
    sheet: str, layer: str, units: str, tmp_path: Path
) -> None:
    plan = make_fixture_plan(units)
    show, found = Display.of(plan.site.project, "USD"), read_back(plan, tmp_path)[sheet]
    for name in PLAN_COLUMNS[layer]:
        one = column_of(name, show)
        if one.measure and name != "slope_pct":
            size, unit, places = show.scale(one.measure)
            assert one.head.endswith(f"[{unit}]") or not unit
            for value, exact in zip(
                column(found, one.head), getattr(plan, layer)[name], strict=True
            ):
                known = value if value is not None else float("nan")
                assert known == pytest.approx(exact / size, abs=0.5001 * 10**-places, nan_ok=True)


@pytest.mark.parametrize(("sheet", "layer"), SHEETS.items())
def test_every_text_is_the_plans(
    sheet: str, layer: str, plan: Plan, book: openpyxl.Workbook
) -> None:
    show, frame = Display.of(plan.site.project), getattr(plan, layer)
    for name in PLAN_COLUMNS[layer]:
        wanted = list(frame[name])
        if all(isinstance(text, str) for text in wanted):
            words = [show.prose(text) if name in PROSE else text for text in wanted]
            assert [t or "" for t in column(book[sheet], column_of(name, show).head)] == words


@pytest.mark.parametrize(("sheet", "layer"), SHEETS.items())
@pytest.mark.parametrize("units", ["us", "metric"])
def test_a_figure_with_a_unit_has_it_in_its_head(
    sheet: str, layer: str, units: str, tmp_path: Path
) -> None:
    found = heads(read_back(make_fixture_plan(units), tmp_path)[sheet])
    lengths = [name for name in PLAN_COLUMNS[layer] if re.search(r"_(m|mm|m2|m3|pct)$", name)]
    assert sum(bool(UNIT.search(head)) for head in found) >= len(lengths)
    alien = {"m", "mm", "m²", "m³"} if units == "us" else {"ft", "in", "sq ft", "cu yd", "gpm"}
    stated = {UNIT.search(h)[1] for h in found if UNIT.search(h) and h[:4] not in ("East", "Nort")}  # type: ignore[index]
    assert not stated & alien


def test_levels_stand_in_feet_where_the_project_is_in_feet(
    plan: Plan, book: openpyxl.Workbook
) -> None:
    shown = column(book["Legs"], "Invert up [ft]")
    assert shown == [round(z / FOOT, 2) for z in plan.legs["invert_up_m"]]


def test_levels_stand_in_survey_feet_where_the_ground_is_in_those(
    plan: Plan, tmp_path: Path
) -> None:
    found = read_back(of_project(plan, foot=US_SURVEY_FOOT), tmp_path)
    shown = column(found["Legs"], "Invert up [ft]")
    assert shown == [round(z * 3937 / 1200, 2) for z in plan.legs["invert_up_m"]]
    assert any(
        "US survey feet" in str(row[2]) for row in found["Summary"].iter_rows(values_only=True)
    )


def test_levels_are_shown_to_the_hundredth(book: openpyxl.Workbook) -> None:
    formats = {cell.number_format for cell in cells_below(book["Legs"], "Invert up [ft]")}
    assert formats == {"#,##0.00"}


@pytest.mark.parametrize("sheet", ["Legs", "Drives"])
def test_slopes_close_on_the_falls_beside_them(sheet: str, plan: Plan, tmp_path: Path) -> None:
    legs = read_back(plan, tmp_path)[sheet]
    rows = zip(column(legs, "Slope [%]"), plan.legs["length_m"], plan.legs["fall_m"], strict=True)
    step = plan.site.project.level_step
    assert all(abs(slope / 100 * run - fall) < step / 2 for slope, run, fall in rows)


def test_a_slope_is_shown_with_the_places_that_it_has(plan: Plan, tmp_path: Path) -> None:
    # 0.40 m on 100 m is 0.40 %; 1.21 m on 300 m is 0.4033 %, of which 0.40 would give 1.20 m back
    falls, lengths = [0.4, 1.21], [100.0, 300.0]
    legs = plan.legs.iloc[:2].assign(length_m=lengths, fall_m=falls, slope_pct=[0.4, 121 / 300])
    metric = make_fixture_plan("metric")
    found = read_back(replace(metric, legs=legs), tmp_path)["Legs"]
    shown = [(c.value, c.number_format) for c in cells_below(found, "Slope [%]")]
    assert shown == [(0.4, "#,##0.00"), (0.403, "#,##0.000")]


def test_places_are_given_as_coordinates_of_the_projects_system(
    plan: Plan, book: openpyxl.Workbook
) -> None:
    pits = book["Pits"]
    assert column(pits, "East [m]") == [round(x, 3) for x in plan.pits.geometry.x]
    assert column(pits, "North [m]") == [round(y, 3) for y in plan.pits.geometry.y]


def test_true_and_false_are_words(plan: Plan, book: openpyxl.Workbook) -> None:
    words = ["yes" if served else "no" for served in plan.connections["served"]]
    assert column(book["Connections"], "Served") == words


def test_names_that_are_numbers_are_texts(plan: Plan, tmp_path: Path) -> None:
    conflicts = plan.conflicts.assign(utility_id=[12, 7.0, "007"])
    found = read_back(replace(plan, conflicts=conflicts), tmp_path)["Conflicts"]
    assert column(found, "Service") == ["12", "7", "007"]


def test_days_are_dates_where_the_project_has_a_start(plan: Plan, tmp_path: Path) -> None:
    # 1 June 2026 is a Monday: working day 4 is Thursday the 4th, day 9 Thursday the 11th
    found = read_back(of_project(plan, start_date="2026-06-01"), tmp_path)["Closures"]
    assert set(column(found, "From")) == {dt.datetime(2026, 6, 4)}  # noqa: DTZ001
    assert set(column(found, "To")) == {dt.datetime(2026, 6, 11)}  # noqa: DTZ001


def test_days_are_numbers_where_it_has_none(book: openpyxl.Workbook) -> None:
    assert set(column(book["Closures"], "From [working day]")) == {4}


def test_columns_that_no_plan_has_of_itself_follow_under_their_names(
    plan: Plan, tmp_path: Path
) -> None:
    more = plan.conflicts.assign(permit_no="TF-7", share=0.372, wait_m=FOOT)
    found = read_back(replace(plan, conflicts=more), tmp_path)["Conflicts"]
    assert heads(found)[-3:] == ["Permit no", "Share", "Wait [ft]"]
    assert [cell.value for cell in found[HEAD_ROW + 2]][-3:] == ["TF-7", 0.372, 1.0]


def test_columns_for_people_are_there_though_the_plan_lacks_them(
    plan: Plan, tmp_path: Path
) -> None:
    fewer = plan.conflicts.drop(columns=["responsible", "note", "options", "test_hole"])
    found = heads(read_back(replace(plan, conflicts=fewer), tmp_path)["Conflicts"])
    assert found[:5] == ["Conflict", "Severity", "Status", "Responsible", "Note"]


def test_a_figure_on_an_assumed_level_carries_a_dagger_and_says_why(
    plan: Plan, book: openpyxl.Workbook
) -> None:
    services = plan.site.utilities
    assumed = set(services["utility_id"][services["level_assumed"]])
    wanted = [name in assumed for name in plan.conflicts["utility_id"]]
    cells = cells_below(book["Conflicts"], "Clearance [ft]")
    assert ["†" in cell.number_format for cell in cells] == wanted
    assert any(wanted)
    assert "† the level of the service is assumed" in str(book["Conflicts"]["A2"].value)


def test_drives_name_the_pit_they_come_out_in(plan: Plan, book: openpyxl.Workbook) -> None:
    drives = book["Drives"]
    for leg, start, end in zip(
        plan.legs.to_dict("records"), column(drives, "Launched from"), column(drives, "Exit pit"),
        strict=True,
    ):  # fmt: skip
        assert {start, end} == {leg["up_pit"], leg["down_pit"]}
        assert start == leg["launch_pit"]


def test_sums_are_formulas_with_the_value_that_they_give(plan: Plan, tmp_path: Path) -> None:
    formula = read_back(plan, tmp_path, formulas=True)["Legs"]
    legs = read_back(plan, tmp_path)["Legs"]
    c = heads(legs).index("Cost [USD]") + 1
    letter = legs.cell(1, c).column_letter
    assert formula.cell(legs.max_row, c).value == f"=SUM({letter}5:{letter}8)"
    assert legs.cell(legs.max_row, c).value == plan.legs["cost"].sum()


def test_cents_are_kept_so_that_sums_are_the_plans(plan: Plan, tmp_path: Path) -> None:
    legs = plan.legs.assign(cost=[100.4, 100.4, 100.4, 100.4])
    found = read_back(replace(plan, legs=legs), tmp_path)["Legs"]
    assert found.cell(found.max_row, found.max_column).value == 401.6
    assert found.cell(found.max_row, found.max_column).number_format == "#,##0"


def test_the_costs_by_head_add_up_to_the_cost(plan: Plan, book: openpyxl.Workbook) -> None:
    costs = book["Cost"]
    amounts = column(costs, "Sum [USD]")
    assert amounts == list(plan.summary["cost_breakdown"].values())
    assert costs.cell(HEAD_ROW + 2 + len(amounts), 2).value == plan.summary["totals"]["cost"]


def test_quantities_are_the_layers_added_up(plan: Plan, book: openpyxl.Workbook) -> None:
    rows = {row[0]: row[1:3] for row in book["Quantities"].iter_rows(values_only=True)}
    assert rows["Sewer 8 in, jacked: bored"] == (
        round(plan.legs["bored_length_m"].sum() / FOOT, 1), "ft",
    )  # fmt: skip
    # a cubic yard is 27 cubic feet
    assert rows["Excavation of pits"] == (
        round(plan.pit_footprints["volume_m3"].sum() / (27 * FOOT**3), 1), "cu yd",
    )  # fmt: skip
    assert rows["Properties not served"] == (4, "each")


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


def test_a_layer_longer_than_a_sheet_goes_on_in_another(
    plan: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(workbook_tables, "MOST_ROWS", 2)
    found = read_back(plan, tmp_path)
    assert column(found["Legs"], "Leg") + column(found["Legs 2"], "Leg") == list(
        plan.legs["leg_id"]
    )
    slopes = cells_below(found["Legs 2"], "Slope [%]")
    whole = cells_below(read_back_whole(plan, tmp_path, monkeypatch)["Legs"], "Slope [%]")[2:]
    assert [c.number_format for c in slopes] == [c.number_format for c in whole]


def read_back_whole(plan: Plan, folder: Path, monkeypatch: pytest.MonkeyPatch) -> openpyxl.Workbook:
    """The workbook where nothing is too long."""
    monkeypatch.undo()
    return read_back(plan, folder)


def test_the_same_plan_gives_the_same_bytes(plan: Plan, tmp_path: Path) -> None:
    for name in ("a.xlsx", "b.xlsx"):
        write_workbook(plan, tmp_path / name)
    assert (tmp_path / "a.xlsx").read_bytes() == (tmp_path / "b.xlsx").read_bytes()


def test_no_clock_is_in_the_file(plan: Plan, tmp_path: Path) -> None:
    write_workbook(plan, tmp_path / "s.xlsx")
    with zipfile.ZipFile(tmp_path / "s.xlsx") as parts:
        assert parts.testzip() is None
        assert {part.date_time[:3] for part in parts.infolist()} == {(1980, 1, 31)}
        assert b"2000-01-01T00:00:00Z" in parts.read("docProps/core.xml")


def test_a_cell_takes_twenty_bytes_at_most(plan: Plan, tmp_path: Path) -> None:
    many = pd.concat([plan.conflicts] * 500, ignore_index=True)
    write_workbook(replace(plan, conflicts=many), tmp_path / "s.xlsx")
    found = openpyxl.load_workbook(tmp_path / "s.xlsx")["Conflicts"]
    assert (tmp_path / "s.xlsx").stat().st_size < 20 * found.max_row * found.max_column
