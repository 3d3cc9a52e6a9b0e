"""Plans side by side: differences that were planted are told, and nothing else."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
import shapely
from shapely import affinity
from typer.testing import CliRunner, Result

import planner
from planner.cli import app
from planner.inputs.earlier_plans import _layer
from tests.builders import build_site
from tests.outputs.payloads import PAYLOADS


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a plan."""
    folder = tmp_path_factory.mktemp("compare")
    site = planner.read_site(build_site(folder / "site"))
    planner.write_plan(planner.make_plan(site), folder / "plan")
    return folder / "plan"


@pytest.fixture
def other(written: Path, tmp_path: Path) -> Path:
    """The same plan in another folder, to be changed."""
    shutil.copytree(written, tmp_path / "other")
    return tmp_path / "other"


def ran(*arguments: object) -> Result:
    return CliRunner().invoke(app, ["compare", *map(str, arguments)])


def content(*arguments: object) -> dict[str, Any]:
    found = ran(*arguments, "--json")
    assert found.exit_code == 0, found.stderr
    return dict(json.loads(found.stdout))


def change_layer(folder: Path, layer: str, change: Any) -> None:
    """Rewrite one layer of a plan's file."""
    path = folder / "plan.gpkg"
    names = ("pits", "legs", "connections", "conflicts")
    frames = {name: gpd.read_file(path, layer=name) for name in names}
    frames[layer] = change(frames[layer])
    path.unlink()
    for name, frame in frames.items():
        frame.to_file(path, layer=name)


def change_summary(folder: Path, change: Any) -> None:
    path = folder / "plan.json"
    summary = json.loads(path.read_text())
    change(summary)
    path.write_text(json.dumps(summary))


def lines_of(found: dict[str, Any], what: str) -> list[str]:
    return [line for one in found["changes"] if one["what"] == what for line in one["lines"]]


def test_a_plan_against_itself_differs_in_nothing(written: Path, other: Path) -> None:
    found = content(written, other)
    assert found["changes"] == []
    assert found["cautions"] == []
    assert all(len(set(row["values"])) == 1 for row in found["figures"])


def test_every_total_stands_there_as_the_plans_say(written: Path, other: Path) -> None:
    change_summary(other, lambda s: s["totals"].update(cost=s["totals"]["cost"] + 1234.0))
    figures = {row["name"]: row["values"] for row in content(written, other)["figures"]}
    before, after = figures["Cost"]
    assert before == json.loads((written / "plan.json").read_text())["totals"]["cost"]
    assert after - before == pytest.approx(1234.0)


def test_a_leg_that_was_lowered_is_told(written: Path, other: Path) -> None:
    def lower(legs: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        legs.loc[0, "invert_down_m"] -= 0.25
        return legs

    change_layer(other, "legs", lower)
    name = gpd.read_file(written / "plan.gpkg", layer="legs")["leg_id"].iloc[0]
    assert lines_of(content(written, other), "Legs") == [f"{name}: invert down -0.25 m"]


@pytest.mark.parametrize(("east", "words"), [(0.4, ""), (4.0, "moved 4.0 m")])
def test_a_pit_is_moved_from_a_metre_on(
    written: Path, other: Path, east: float, words: str
) -> None:
    def shift(pits: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        moved = affinity.translate(pits.geometry.iloc[1], east)
        return pits.set_geometry([*pits.geometry.iloc[:1], moved, *pits.geometry.iloc[2:]])

    change_layer(other, "pits", shift)
    told = lines_of(content(written, other), "Pits")
    assert len(told) == bool(words)
    assert all(words in line for line in told)


def test_coordinates_in_feet_are_read_as_metres(written: Path, other: Path) -> None:
    """The same plan in a CRS of its own in feet: ten feet apart are 3.05 m."""
    feet = "+proj=tmerc +lat_0=46.5 +lon_0=-93.9 +x_0=0 +y_0=0 +datum=NAD83 +units=ft"
    for folder in (written, other):
        layer = gpd.read_file(folder / "plan.gpkg", layer="pits").to_crs(feet)
        metres = shapely.get_coordinates(layer.geometry) * 0.3048
        path = folder.parent / f"{folder.name}.gpkg"
        layer.to_file(path, layer="pits")
        found = _layer(path, "pits")
        assert shapely.get_coordinates(found.geometry) == pytest.approx(metres)


def test_added_in_one_is_left_out_in_the_other(written: Path, other: Path) -> None:
    change_layer(other, "pits", lambda pits: pits.iloc[:-1])
    there, back = (
        lines_of(content(written, other), "Pits"),
        lines_of(content(other, written), "Pits"),
    )
    assert "left out" in there[0]
    assert "new" in back[0]
    assert there[0].split(":")[0] == back[0].split(":")[0]


def test_who_is_not_served_is_named_with_the_reason(written: Path, other: Path) -> None:
    def drop(houses: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        houses["served"] = [False, *houses["served"].iloc[1:]]
        houses.loc[0, "why_not"] = "floor too low: 0.30 m"
        return houses

    change_layer(other, "connections", drop)
    found = content(written, other)
    assert any("floor too low: 0.30 m" in line for line in lines_of(found, "Properties"))
    assert any("serves other properties" in line for line in found["cautions"])


def test_a_street_turned_round_is_told(written: Path, other: Path) -> None:
    change_layer(other, "legs", lambda legs: legs.set_geometry(legs.geometry.reverse()))
    assert "Main Street: flows the other way" in lines_of(content(written, other), "Streets")


@pytest.mark.parametrize(
    ("key", "words"),
    [("rules", "other rules"), ("costs", "other prices"), ("inputs", "input files")],
)
def test_what_makes_them_hard_to_compare_is_said(
    written: Path, other: Path, key: str, words: str
) -> None:
    def change(summary: dict[str, Any]) -> None:
        if key == "inputs":
            summary[key][0]["sha256"] = "0" * 64
        else:
            summary[key][next(iter(summary[key]))]["value"] = 99.0

    change_summary(other, change)
    assert any(words in line for line in content(written, other)["cautions"])


@pytest.mark.parametrize("name", ["plan.json", "plan.gpkg"])
@pytest.mark.parametrize("text", [None, b"", b"{", b"SQLite format 3\x00 broken", b"[]"])
def test_a_folder_that_is_no_plan_is_refused(
    written: Path, other: Path, name: str, text: bytes | None
) -> None:
    (other / name).unlink()
    if text is not None:
        (other / name).write_bytes(text)
    found = ran(written, other)
    assert found.exit_code == 2
    assert name in found.stderr
    assert "Traceback" not in found.stderr


@pytest.mark.parametrize(
    ("key", "value"),
    [("totals", []), ("cost_breakdown", []), ("optimality", ["text"]), ("rules", {"a": "text"}),
     ("breaches", ["text"]), ("inputs", ["text"]), ("totals", {"cost": "text"}),
     ("totals", {"cost": 10**400}), ("totals", {"cost": float("nan")})],
)  # fmt: skip
def test_a_summary_of_another_form_is_refused(
    written: Path, other: Path, key: str, value: Any
) -> None:
    change_summary(other, lambda s: s.update({key: value}))
    found = ran(written, other)
    assert found.exit_code == 2
    assert "plan.json" in found.stderr


@pytest.mark.parametrize(
    ("layer", "change"),
    [("pits", lambda f: f.drop(columns="lanes_closed")),
     ("connections", lambda f: f.drop(columns="served")),
     ("legs", lambda f: f.assign(invert_up_m="deep")),
     ("pits", lambda f: f.set_geometry([None, *f.geometry.iloc[1:]], crs=f.crs))],
)  # fmt: skip
def test_a_layer_of_another_form_is_refused(
    written: Path, other: Path, layer: str, change: Any
) -> None:
    change_layer(other, layer, change)
    found = ran(written, other)
    assert found.exit_code == 2
    assert layer in found.stderr


def test_a_single_plan_without_alternatives_is_refused(written: Path) -> None:
    assert ran(written).exit_code == 2


def test_a_single_plan_is_held_against_its_alternatives(written: Path, other: Path) -> None:
    shutil.copytree(written, other / "alternatives" / "1")
    assert content(other)["plans"] == ["other", "1"]


def test_the_page_holds_the_table_and_no_way_out(written: Path, other: Path) -> None:
    page = other / "page.html"
    assert ran(written, other, "--html", page).exit_code == 0
    text = page.read_text()
    assert "default-src 'none'" in text
    assert "not permission to dig" in text
    assert "http://" not in text
    assert "https://" not in text
    assert "<script" not in text


@pytest.mark.parametrize("text", [*PAYLOADS, "\x1b[31mred", "<svg onload=alert(1)>"])
def test_text_from_a_plan_stays_text(written: Path, other: Path, text: str) -> None:
    change_layer(other, "legs", lambda legs: legs.assign(street=text))
    page = other / "page.html"
    found = ran(written, other, "--html", page)
    assert found.exit_code == 0
    assert "\x1b" not in found.stderr
    assert "\x1b" not in page.read_text()
    assert text.replace("&", "&amp;") not in page.read_text() or "<" not in text


def test_the_same_plans_give_the_same_page(written: Path, other: Path, tmp_path: Path) -> None:
    for name in ("a.html", "b.html"):
        ran(written, other, "--html", tmp_path / name)
    assert (tmp_path / "a.html").read_bytes() == (tmp_path / "b.html").read_bytes()
