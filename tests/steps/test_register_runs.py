"""The register from run to run of the command: what changes in the place, and what people write."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pytest
from shapely.affinity import translate
from typer.testing import CliRunner

from planner.cli import app
from tests.builders import houses, line, main_street, point
from tests.register_folder import CABLE, GAS, MAIN, contents, layer, place, plan_into, write_beside

TURNED = "\u202e"  # turns the way of writing: a sheet shows that something was there
HOSTILE = (
    "=1+1", "+1", "-1", "@SUM(A1)", "_x0041_", "<b>&amp;</b>", "'quoted\"", "two\nlines", "a\tb",
    "NaN", "None", "TRUE", "1e5", "#N/A", "🚧 ограда", f"{TURNED}reversed",
    "C1; DROP TABLE conflicts",
    "x" * 31_000,
)  # fmt: skip


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a site past three services, and its plan."""
    folder = tmp_path_factory.mktemp("planned")
    assert plan_into(place(folder / "site", GAS, MAIN, CABLE), folder / "out") in (0, 1)
    return folder


@pytest.fixture
def first(planned: Path, tmp_path: Path) -> Path:
    """The plan, in a folder of the test's own with the site beside it."""
    shutil.copytree(planned, tmp_path, dirs_exist_ok=True)
    return tmp_path / "out"


def moved(east: float, north: float, row: dict[str, Any]) -> dict[str, Any]:
    """A row of a layer somewhere else."""
    return {**row, "geometry": translate(row["geometry"], east, north)}


def test_what_is_superseded_stays_the_same_to_the_byte(first: Path, tmp_path: Path) -> None:
    later = place(tmp_path / "later", MAIN, moved(35, 0, GAS))
    plan_into(later, first)
    assert len(layer(first, "superseded"))
    before = contents(first)
    plan_into(later, first)
    assert contents(first) == before


def test_the_same_earlier_register_gives_the_same_bytes(first: Path, tmp_path: Path) -> None:
    later = place(tmp_path / "later", MAIN, moved(35, 0, GAS))
    for name in ("one", "other"):
        plan_into(later, tmp_path / name, "--register", str(first))
    assert contents(tmp_path / "one") == contents(tmp_path / "other")


def test_a_service_two_metres_away_keeps_its_numbers_and_statuses(
    first: Path, tmp_path: Path
) -> None:
    gas = layer(first).query("utility_id == 'G1'")
    for number in gas.index:
        write_beside(first, number, Status="in hand", Note="called")
    plan_into(place(tmp_path / "later", moved(2, 0, GAS), MAIN, CABLE), first)
    now = layer(first).query("utility_id == 'G1' and rule == 'clearance_m'")
    assert set(now.index) == set(gas.query("rule == 'clearance_m'").index)
    assert set(now["status"]) == {"in hand"}


def test_a_street_somewhere_else_supersedes_and_says_by_what(first: Path, tmp_path: Path) -> None:
    north = {
        "streets": [moved(0, 12, row) for row in main_street()],
        "properties": [moved(0, 12, row) for row in houses()],
        "tie_ins": [point(0, 12, tie_in_id="T1", invert_elev_m=96.0)],
    }
    long_gas = line((80, -20), (80, 40), **{k: v for k, v in GAS.items() if k != "geometry"})
    before = set(layer(first).index)
    plan_into(place(tmp_path / "later", long_gas, MAIN, CABLE, **north), first)
    gone, now = layer(first, "superseded"), layer(first)
    assert before <= set(gone.index) | set(now.index)
    crossing = gone.query("utility_id == 'G1' and rule == 'clearance_m'").iloc[0]
    assert crossing["superseded_by"] in set(now.query("utility_id == 'G1'").index)
    assert "m from here" in crossing["why"]
    assert (gone["why"] != "").all()


def test_legs_between_other_pits_keep_the_numbers(first: Path, tmp_path: Path) -> None:
    shorter = {"rules": {"max_leg_length_m": 60.0}}
    before = layer(first).query("rule == 'clearance_m' and utility_id != 'W1'")
    plan_into(place(tmp_path / "later", GAS, MAIN, CABLE, tables=shorter), first)
    now = layer(first).query("rule == 'clearance_m' and utility_id != 'W1'")
    assert set(before.index) <= set(now.index)


def test_shuffled_records_keep_the_numbers(first: Path, tmp_path: Path) -> None:
    before = layer(first)["utility_id"].to_dict()
    plan_into(place(tmp_path / "later", CABLE, GAS, MAIN), first)
    assert layer(first)["utility_id"].to_dict() == before
    assert layer(first, "superseded").empty


def test_any_text_goes_through_two_runs_as_it_was_written(first: Path, tmp_path: Path) -> None:
    columns = ("Note", "Responsible")
    cells = [(number, column) for number in layer(first).index for column in columns]
    texts = dict(zip(cells, HOSTILE, strict=False))
    assert len(texts) == len(HOSTILE)
    for (number, column), text in texts.items():
        write_beside(first, number, **{column: text})
    for _ in range(2):
        plan_into(tmp_path / "site" / "project.toml", first)
    now = layer(first)
    kept = {cell: text.replace(TURNED, "\ufffd") for cell, text in texts.items()}
    assert {cell: now.loc[cell[0], cell[1].lower()] for cell in texts} == kept


def test_what_people_write_beside_a_superseded_one_is_kept(first: Path, tmp_path: Path) -> None:
    later = place(tmp_path / "later", MAIN, CABLE)
    plan_into(later, first)
    number = layer(first, "superseded").index[0]
    write_beside(first, number, "Superseded", Note="told the owner")
    plan_into(later, first)
    assert layer(first, "superseded").loc[number, "note"] == "told the owner"
    plan_into(tmp_path / "site" / "project.toml", first)
    assert layer(first).loc[number, "note"] == "told the owner"


def test_the_workbook_stands_above_the_layer(first: Path, tmp_path: Path) -> None:
    frame = gpd.read_file(first / "plan.gpkg", layer="conflicts")
    frame["status"] = "from the layer"
    frame.to_file(first / "plan.gpkg", layer="conflicts")
    write_beside(first, "C1", Status="from the workbook")
    (tmp_path / "layers").mkdir()
    (tmp_path / "layers" / "plan.gpkg").write_bytes((first / "plan.gpkg").read_bytes())
    project = tmp_path / "site" / "project.toml"
    plan_into(project, tmp_path / "a", "--register", str(first))
    plan_into(project, tmp_path / "b", "--register", str(tmp_path / "layers"))
    assert layer(tmp_path / "a").loc["C1", "status"] == "from the workbook"
    assert layer(tmp_path / "b").loc["C1", "status"] == "from the layer"


def test_an_emptied_note_is_gone_and_an_emptied_status_is_not(first: Path, tmp_path: Path) -> None:
    project = tmp_path / "site" / "project.toml"
    write_beside(first, "C1", Status="in hand", Note="wrong")
    plan_into(project, first)
    write_beside(first, "C1", Status=None, Note=None)
    plan_into(project, first)
    row = layer(first).loc["C1"]
    assert row["status"] == "in hand"
    assert not row["note"]


def test_a_design_that_is_checked_keeps_the_register_too(first: Path, tmp_path: Path) -> None:
    write_beside(first, "C1", Status="accepted")
    was, number = layer(first).loc["C1"], len(layer(first))
    (tmp_path / "drawn.gpkg").write_bytes((first / "plan.gpkg").read_bytes())
    project, design = str(tmp_path / "site" / "project.toml"), str(tmp_path / "drawn.gpkg")
    CliRunner().invoke(app, ["check", project, "--design", design, "--out", str(first)])
    now = layer(first)
    assert (now.loc["C1", "status"], now.loc["C1", "utility_id"]) == ("accepted", was["utility_id"])
    assert len(now) == number


def test_every_number_is_in_one_layer_only(first: Path, tmp_path: Path) -> None:
    other = moved(20, 0, GAS | {"utility_id": "G2"})
    for k, services in enumerate(([MAIN], [GAS, other], [CABLE])):
        plan_into(place(tmp_path / f"run{k}", *services), first)
        every = pd.Index([*layer(first).index, *layer(first, "superseded").index])
        assert every.is_unique
