"""The register of conflicts from run to run: numbers, statuses, and what is superseded."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import openpyxl
import pandas as pd
import pytest
from shapely import Point
from typer.testing import CliRunner

import planner
from planner.cli import app
from planner.inputs.register import read_register
from planner.model import PLAN_COLUMNS, Register
from planner.steps.register import keep_register
from tests.builders import line
from tests.register_folder import (
    CABLE,
    GAS,
    MAIN,
    Beside,
    layer,
    place,
    plan_into,
    write_beside,
)


@pytest.fixture
def first(tmp_path: Path) -> Path:
    """A folder with a plan past three services."""
    assert plan_into(place(tmp_path / "site", GAS, MAIN, CABLE), tmp_path / "out") in (0, 1)
    return tmp_path / "out"


def test_there_is_something_to_register(first: Path) -> None:
    found = layer(first)
    assert set(found["utility_id"]) == {"G1", "W1", "E1"}
    assert (found["status"] == "potential").all()
    assert (found["knowledge"] != "").all()
    assert (found["options"] != "").all()


def test_a_second_run_changes_nothing(first: Path, tmp_path: Path) -> None:
    before = {p.name: p.read_bytes() for p in first.iterdir() if p.name != "plan.json"}
    assert plan_into(tmp_path / "site" / "project.toml", first) in (0, 1)
    assert before == {p.name: p.read_bytes() for p in first.iterdir() if p.name != "plan.json"}


def test_what_people_write_into_the_workbook_survives(first: Path, tmp_path: Path) -> None:
    write_beside(first, "C1", Status="in hand", Responsible="J. Reyes", Note="called 2 June")
    plan_into(tmp_path / "site" / "project.toml", first)
    row = layer(first).loc["C1"]
    assert (row["status"], row["responsible"]) == ("in hand", "J. Reyes")
    assert row["note"] == "called 2 June"


def test_a_service_that_is_gone_leaves_a_superseded_row(first: Path, tmp_path: Path) -> None:
    gone = layer(first)
    gone = gone[gone["utility_id"] == "G1"]
    plan_into(place(tmp_path / "later", MAIN, CABLE), first)
    left = layer(first, "superseded")
    assert list(left.index) == list(gone.index)
    assert (left["why"] == "G1 is no longer in the records").all()
    assert not set(left.index) & set(layer(first).index)


def test_a_service_that_comes_back_has_its_number_and_status_again(
    first: Path, tmp_path: Path
) -> None:
    number = layer(first).query("utility_id == 'G1'").index[0]
    write_beside(first, number, Status="accepted")
    plan_into(place(tmp_path / "later", MAIN, CABLE), first)
    plan_into(tmp_path / "site" / "project.toml", first)
    assert layer(first).loc[number, "status"] == "accepted"
    assert layer(first, "superseded").empty


def test_a_number_is_never_used_twice(first: Path, tmp_path: Path) -> None:
    before = set(layer(first).index)
    other = line((45, -20), (45, 20), kind="gas", utility_id="G9", depth_m=0.9, quality="C")
    plan_into(place(tmp_path / "later", other), first)
    assert not set(layer(first).query("utility_id == 'G9'").index) & before
    assert set(layer(first, "superseded").index) == before


def test_nothing_ever_drops_out(first: Path, tmp_path: Path) -> None:
    ever = set(layer(first).index)
    for k, services in enumerate(([GAS], [MAIN], [], [CABLE, GAS])):
        plan_into(place(tmp_path / f"run{k}", *services), first)
        ever |= set(layer(first).index)
        assert ever == set(layer(first).index) | set(layer(first, "superseded").index)


def test_another_folder_s_register_is_gone_on_with(first: Path, tmp_path: Path) -> None:
    write_beside(first, "C1", Status="accepted")
    project = str(tmp_path / "site" / "project.toml")
    plan_into(Path(project), tmp_path / "new", "--register", str(first))
    assert layer(tmp_path / "new").loc["C1", "status"] == "accepted"
    plan_into(Path(project), tmp_path / "fresh", "--register", "none")
    assert layer(tmp_path / "fresh").loc["C1", "status"] == "potential"


@pytest.mark.parametrize("name", ["plan.gpkg", "schedules.xlsx"])
def test_a_register_that_cannot_be_read_is_refused_and_left(
    first: Path, tmp_path: Path, name: str
) -> None:
    (first / name).write_bytes(b"PK\x03\x04 broken")
    before = (first / "plan.json").read_bytes()
    found = CliRunner().invoke(
        app, ["plan", str(tmp_path / "site" / "project.toml"), "--out", str(first)]
    )
    assert found.exit_code == 2
    assert "--register none" in found.stderr.replace("\n", " ")
    assert (first / "plan.json").read_bytes() == before


def test_a_folder_without_a_plan_is_refused_by_name(tmp_path: Path) -> None:
    project = place(tmp_path / "site", GAS)
    (tmp_path / "empty").mkdir()
    assert plan_into(project, tmp_path / "out", "--register", str(tmp_path / "empty")) == 2


def row_of(number: str, x: float, **more: Any) -> dict[str, Any]:
    """A conflict at x metres east."""
    texts = dict.fromkeys((*PLAN_COLUMNS["superseded"],), "")
    numbers = {"clearance_m": 0.5, "required_m": 0.6, "cost": float("nan")}
    own = {"conflict_id": number, "utility_id": "G1", "rule": "clearance_m", "severity": "tight",
           "subject": "L1", "status": "potential"}  # fmt: skip
    return texts | numbers | own | more | {"geometry": Point(x, 0.0)}


def frame_of(*rows: dict[str, Any]) -> gpd.GeoDataFrame:
    names = [*PLAN_COLUMNS["superseded"], "geometry"]
    return gpd.GeoDataFrame(pd.DataFrame(list(rows), columns=names), geometry="geometry")


def kept(new: gpd.GeoDataFrame, old: gpd.GeoDataFrame, folder: Path) -> tuple[Any, Any]:
    site = planner.read_site(place(folder, GAS))
    return keep_register(site, new, Register(old, frame_of()), Beside())


def test_a_leg_with_another_name_keeps_its_conflict(tmp_path: Path) -> None:
    now, _ = kept(frame_of(row_of("C1", 2.0, subject="A7")), frame_of(row_of("C40", 0.0)), tmp_path)
    assert now["conflict_id"].tolist() == ["C40"]


def test_of_two_near_ones_each_keeps_its_own(tmp_path: Path) -> None:
    old = frame_of(row_of("C8", 0.0), row_of("C9", 3.0))
    now, gone = kept(frame_of(row_of("C1", 2.9), row_of("C2", 0.2)), old, tmp_path)
    assert now["conflict_id"].tolist() == ["C9", "C8"]
    assert gone.empty


def test_farther_than_a_few_metres_is_another_conflict(tmp_path: Path) -> None:
    now, gone = kept(frame_of(row_of("C1", 6.0)), frame_of(row_of("C5", 0.0)), tmp_path)
    assert now["conflict_id"].tolist() == ["C6"]
    assert gone["superseded_by"].tolist() == ["C6"]
    why = (
        "no leg passes within 0.60 m of G1 here any more; L9 is nearest now, 5.00 m away; "
        "L1 meets it 6.0 m from here (C6, clearance 0.50 m)"
    )
    assert gone["why"].tolist() == [why]


@pytest.mark.parametrize(
    ("change", "status"),
    [({"clearance_m": 0.3}, "open"), ({"clearance_m": 0.495}, "accepted"),
     ({"severity": "clash"}, "open"), ({"clearance_m": 0.58}, "accepted")],
)  # fmt: skip
def test_a_settled_conflict_that_gets_worse_is_opened_again(
    change: dict[str, Any], status: str, tmp_path: Path
) -> None:
    old = frame_of(row_of("C5", 0.0, status="accepted", note="agreed"))
    now, _ = kept(frame_of(row_of("C1", 0.0, **change)), old, tmp_path)
    assert now["status"].tolist() == [status]
    assert now["note"].iloc[0].startswith("agreed")
    assert ("opened again" in now["note"].iloc[0]) == (status == "open")


def test_an_older_file_without_the_new_columns_is_read(first: Path) -> None:
    old = gpd.read_file(first / "plan.gpkg", layer="conflicts")
    old = old.drop(columns=["note", "responsible", "offset_m"])
    (first / "plan.gpkg").unlink()
    old.to_file(first / "plan.gpkg", layer="conflicts")
    found = read_register(first)
    assert found is not None
    assert len(found.conflicts) == len(old)
    assert found.superseded.empty


def test_a_workbook_whose_plan_is_gone_is_not_written_over(first: Path, tmp_path: Path) -> None:
    (first / "plan.gpkg").unlink()
    assert plan_into(tmp_path / "site" / "project.toml", first) == 2


@pytest.mark.parametrize("spoil", ["sheet", "head"])
def test_a_workbook_without_its_register_is_refused(
    first: Path, tmp_path: Path, spoil: str
) -> None:
    book = openpyxl.load_workbook(first / "schedules.xlsx")
    sheet = book["Conflicts"]
    if spoil == "sheet":
        sheet.title = "Mine"
    else:
        next(row for row in sheet.iter_rows() if row[0].value == "Conflict")[0].value = "No"
    book.save(first / "schedules.xlsx")
    assert plan_into(tmp_path / "site" / "project.toml", first) == 2


def test_a_note_that_is_a_formula_is_kept_as_its_text(first: Path, tmp_path: Path) -> None:
    write_beside(first, "C1", Note="=1+1")
    plan_into(tmp_path / "site" / "project.toml", first)
    assert layer(first).loc["C1", "note"] == "=1+1"
