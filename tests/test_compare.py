"""Plans side by side: differences that were planted are told, and nothing else."""

from __future__ import annotations

import json
import os
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
from playwright.sync_api import Browser, sync_playwright
from shapely import affinity
from typer.testing import CliRunner, Result

import planner
from planner.cli import app
from tests.builders import GROUND_CRS, build_site
from tests.outputs.payloads import PAYLOADS

COMPARED = ("pits", "legs", "connections", "conflicts")


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
    frames = {name: gpd.read_file(path, layer=name) for name in COMPARED}
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
    told = lines_of(content(written, other), "Legs that stay, otherwise")
    assert told == [f"{name}: invert down 0.25 m lower"]


def shifted(frame: gpd.GeoDataFrame, row: int, east: float) -> gpd.GeoDataFrame:
    """A layer with one shape moved east. [units of its CRS]"""
    shapes = list(frame.geometry)
    shapes[row] = affinity.translate(shapes[row], east)
    return frame.set_geometry(shapes)


@pytest.mark.parametrize(
    ("east", "moved", "added"), [(0.9, [], 0), (4.9, ["by 4.9 m"], 0), (5.1, [], 1)]
)
def test_a_pit_is_moved_from_one_to_five_metres(
    written: Path, other: Path, east: float, moved: list[str], added: int
) -> None:
    change_layer(other, "pits", lambda pits: shifted(pits, 1, east))
    found = content(written, other)
    assert [line.split(": ")[1] for line in lines_of(found, "Pits moved")] == moved
    assert len(lines_of(found, "Pits added")) == len(lines_of(found, "Pits left out")) == added


def test_what_one_plan_adds_the_other_leaves_out(written: Path, other: Path) -> None:
    for layer in ("pits", "legs"):
        change_layer(other, layer, lambda frame: frame.iloc[:-1])
    there, back = content(written, other), content(other, written)
    for what in ("Pits", "Legs"):
        lines = lines_of(there, f"{what} left out")
        assert lines == lines_of(back, f"{what} added")
        assert len(lines) == 1


FEET_CRS = GROUND_CRS.replace("+units=m", "+units=us-ft")


def carry(folder: Path, crs: str) -> None:
    """Rewrite a plan's file in another CRS."""
    path = folder / "plan.gpkg"
    frames = {name: gpd.read_file(path, layer=name) for name in COMPARED}
    path.unlink()
    for name, frame in frames.items():
        frame.to_crs(crs).to_file(path, layer=name)


def test_a_distance_in_feet_is_told_in_metres_on_the_ground(written: Path, other: Path) -> None:
    """2.5 m on the ground are 2.5 x k x 3937 / 1200 US survey feet of the grid, by definition."""
    before = other.parent / "before"
    shutil.copytree(written, before)
    for folder in (before, other):
        carry(folder, FEET_CRS)
        change_summary(folder, lambda s: s.update(grid_to_ground=0.5))
    change_layer(other, "pits", lambda pits: shifted(pits, 1, 2.5 * 0.5 * 3937 / 1200))
    told = lines_of(content(before, other), "Pits moved")
    assert [line.split(": ")[1] for line in told] == ["by 2.5 m"]


def test_a_plan_in_another_crs_of_the_datum_is_carried_over(written: Path, other: Path) -> None:
    carry(other, FEET_CRS)
    found = content(written, other)
    assert found["changes"] == []
    assert "was carried to" in found["cautions"][0]


def test_a_plan_on_another_datum_is_compared_by_figures_only(written: Path, other: Path) -> None:
    carry(other, "EPSG:32615")
    found = content(written, other)
    assert found["changes"] == []
    assert "places, pits, legs and directions of flow are not compared" in found["cautions"][0]


def test_who_is_not_served_is_named_with_the_reason(written: Path, other: Path) -> None:
    def drop(houses: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        houses["served"] = [False, *houses["served"].iloc[1:]]
        houses.loc[0, "why_not"] = "floor too low: 0.30 m"
        return houses

    change_layer(other, "connections", drop)
    change_summary(other, lambda s: s["totals"].update(served=s["totals"]["served"] - 1))
    found = content(written, other)
    lost = lines_of(found, "Properties no longer served")
    assert [line.split(": ", 1)[1] for line in lost] == ["floor too low: 0.30 m"]
    assert any("does not serve the same properties" in line for line in found["cautions"])


def test_fewer_served_for_less_money_has_no_star(written: Path, other: Path) -> None:
    def drop(houses: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        return houses.assign(served=[False, *houses["served"].iloc[1:]])

    change_layer(other, "connections", drop)
    change_summary(other, lambda s: s["totals"].update(cost=1.0, served=s["totals"]["served"] - 1))
    said = ran(written, other).stderr.splitlines()
    assert "★" not in next(line for line in said if line.startswith("Cost ["))
    left = next(line for line in said if line.startswith("Properties not served"))
    assert left.split() == ["Properties", "not", "served", "0", "★", "1", "(+1)"]


def test_other_money_is_neither_subtracted_nor_starred(written: Path, other: Path) -> None:
    change_summary(other, lambda s: s["totals"].update(cost=1.0, currency="XTS"))
    said = ran(written, other).stderr.splitlines()
    sums = [line for line in said if "[EUR]" in line]
    assert sums
    assert all("(" not in line and "★" not in line for line in sums)
    assert any(line.split()[-2:] == ["1", "XTS"] for line in said)


def test_rules_that_only_one_breaks_are_said_before_its_figures(written: Path, other: Path) -> None:
    """As a design that is cheaper because it breaks rules."""
    row = {"rule": "clearance_m", "subject": "L1", "value": 0.1, "limit": 0.6, "unit": "m",
           "severity": "breach"}  # fmt: skip
    change_summary(other, lambda summary: summary["breaches"].append(row))
    found = content(written, other)["cautions"]
    assert sum("breaks rules" in line and "in neither cost" in line for line in found) == 1


def test_a_street_turned_round_is_told(written: Path, other: Path) -> None:
    change_layer(other, "legs", lambda legs: legs.set_geometry(legs.geometry.reverse()))
    told = lines_of(content(written, other), "Streets that flow the other way")
    assert [line.split(":")[0] for line in told] == ["Main Street"]


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


def test_a_rule_that_changed_is_told_with_both_values(written: Path, other: Path) -> None:
    change_summary(other, lambda s: s["rules"]["min_cover_m"].update(value=9.0))
    before = json.loads((written / "plan.json").read_text())["rules"]["min_cover_m"]["value"]
    told = lines_of(content(written, other), "Rules and machine figures that differ")
    assert told == [f"min_cover_m: {before:g} m → 9 m"]


def test_a_breach_is_told_where_it_is_new(written: Path, other: Path) -> None:
    breach = {"rule": "min_slope_pct", "subject": "P1", "value": 0.31, "limit": 0.4,
              "unit": "%", "severity": "breach"}  # fmt: skip
    change_summary(other, lambda s: s["breaches"].append(breach))
    words = "P1: min_slope_pct is 0.31 %, must be 0.4 %"
    assert lines_of(content(written, other), "Rules broken anew") == [words]
    assert lines_of(content(other, written), "Rules no longer broken") == [words]


def test_files_of_two_runs_in_one_folder_are_told_first(written: Path, other: Path) -> None:
    change_layer(other, "legs", lambda legs: legs.iloc[:-1])
    assert "do not belong together" in content(written, other)["cautions"][0]


def test_the_same_folder_twice_has_two_names(written: Path) -> None:
    assert content(written, written)["plans"] == ["plan", "plan (2)"]


def put(*keys: str | int, value: Any) -> Any:
    """A change of a summary: what stands at its keys."""

    def change(summary: dict[str, Any]) -> None:
        place: Any = summary
        for key in keys[:-1]:
            place = place[key]
        place[keys[-1]] = value

    return change


HUGE = 10**400  # no float holds it


@pytest.mark.parametrize(
    ("place", "change"),
    [
        ("totals is []", put("totals", value=[])),
        ("totals.cost is nan", put("totals", "cost", value=float("nan"))),
        ('totals.cost is "dear"', put("totals", "cost", value="dear")),
        ("totals.cost is 1000", put("totals", "cost", value=HUGE)),
        ("totals.cost is 1e+16", put("totals", "cost", value=1e16)),
        ("cost_breakdown is []", put("cost_breakdown", value=[])),
        ("optimality is [1]", put("optimality", value=[1])),
        ('rules.min_cover_m is "x"', put("rules", "min_cover_m", value="x")),
        ("rules.min_cover_m.value is 1000", put("rules", "min_cover_m", "value", value=HUGE)),
        ('breaches.0 is "x"', put("breaches", value=["x"])),
        ('inputs.0 is "x"', put("inputs", value=["x"])),
        ("grid_to_ground is 0", put("grid_to_ground", value=0)),
    ],
)
def test_a_summary_that_no_plan_has_is_refused(
    written: Path, other: Path, place: str, change: Any
) -> None:
    change_summary(other, change)
    found = ran(written, other)
    assert found.exit_code == 2
    assert f"file {other / 'plan.json'}: the plan cannot be read ({place}" in found.stderr


def without_shape(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    return frame.set_geometry([None, *frame.geometry.iloc[1:]], crs=frame.crs)


@pytest.mark.parametrize(
    ("layer", "place", "change"),
    [
        ("pits", ", row 1", without_shape),
        ("legs", ", row 1", without_shape),
        ("legs", ", row 1", lambda f: f.set_geometry(f.geometry.segmentize(5.0))),
        ("pits", ", column lanes_closed", lambda f: f.drop(columns="lanes_closed")),
        ("connections", ", column served", lambda f: f.drop(columns="served")),
        ("connections", ", row 1, column served", lambda f: f.assign(served="perhaps")),
        ("legs", ", row 1, column invert_up_m", lambda f: f.assign(invert_up_m="x")),
        ("legs", ", row 1, column invert_up_m", lambda f: f.assign(invert_up_m=float("nan"))),
    ],
)
def test_a_layer_that_no_plan_has_is_refused(
    written: Path, other: Path, layer: str, place: str, change: Any
) -> None:
    change_layer(other, layer, change)
    found = ran(written, other)
    assert found.exit_code == 2
    assert f"file {other / 'plan.gpkg'}, layer {layer}{place}: " in found.stderr


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


def test_a_single_plan_without_alternatives_is_refused(written: Path) -> None:
    assert ran(written).exit_code == 2


def test_a_single_plan_is_held_against_its_alternatives(written: Path, other: Path) -> None:
    shutil.copytree(written, other / "alternatives" / "1")
    assert content(other)["plans"] == ["other", "alternative 1"]


def test_an_alternative_that_lacks_a_file_is_not_passed_over(written: Path, other: Path) -> None:
    shutil.copytree(written, other / "alternatives" / "1")
    shutil.copytree(written, other / "alternatives" / "2")
    (other / "alternatives" / "2" / "plan.json").unlink()
    assert ran(other).exit_code == 2


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


@pytest.fixture
def browser() -> Iterator[Browser]:
    chromium = os.environ.get("PITLINE_CHROMIUM") or shutil.which("chromium")
    if chromium is None:
        pytest.skip("no chromium on this machine; where CI is set this is a failure")
    with sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        yield opened
        opened.close()


@pytest.mark.browser
def test_text_from_a_plan_does_nothing_in_a_browser(
    browser: Browser, written: Path, other: Path
) -> None:
    change_layer(other, "legs", lambda legs: legs.assign(street="".join(PAYLOADS)))
    change_layer(other, "pits", lambda pits: pits.assign(street="".join(PAYLOADS)).iloc[:-1])
    ran(written, other, "--html", other / "page.html")
    told: list[str] = []
    page = browser.new_page(viewport={"width": 390, "height": 844})
    page.on("dialog", lambda dialog: told.append(dialog.message))
    page.on("console", lambda message: told.append(message.text))
    page.on("request", lambda request: told.append(request.url))
    page.goto((other / "page.html").as_uri())
    assert told == [(other / "page.html").as_uri()]
    assert page.evaluate("document.documentElement.scrollWidth") == 390


def test_the_same_plans_give_the_same_page(written: Path, other: Path, tmp_path: Path) -> None:
    for name in ("a.html", "b.html"):
        ran(written, other, "--html", tmp_path / name)
    assert (tmp_path / "a.html").read_bytes() == (tmp_path / "b.html").read_bytes()


def length_of(page: Path, words: str) -> float:
    """Length that the legend of the sketch gives to a kind of line. [m]"""
    entry = re.search(rf"</svg>{words}[^<]*: ([\d.]+) m</li>", page.read_text())
    assert entry is not None
    return float(entry[1])


def test_the_sketch_tells_what_both_have_from_what_one_has(written: Path, other: Path) -> None:
    """A leg that is left out is as long as what only the first plan has; the rest is in both."""
    change_layer(other, "legs", lambda legs: legs.iloc[:-1])
    lengths = gpd.read_file(written / "plan.gpkg", layer="legs").length
    page = other / "page.html"
    ran(written, other, "--html", page)
    assert length_of(page, "in both, within") == pytest.approx(lengths[:-1].sum(), abs=0.06)
    assert length_of(page, "only in plan") == pytest.approx(lengths.iloc[-1], abs=0.06)
    assert length_of(page, "only in other") == 0.0


def test_the_sketch_shows_where_the_flow_is_turned_round(written: Path, other: Path) -> None:
    change_layer(other, "legs", lambda legs: legs.set_geometry(legs.geometry.reverse()))
    lengths = gpd.read_file(written / "plan.gpkg", layer="legs").length
    page = other / "page.html"
    ran(written, other, "--html", page)
    assert length_of(page, "in both, but other") == pytest.approx(lengths.sum(), abs=0.06)


def test_a_page_that_cannot_be_written_leaves_the_earlier_one(
    written: Path, other: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = other / "page.html"
    page.write_text("earlier")
    whole = Path.write_bytes
    monkeypatch.setattr(Path, "write_bytes", lambda path, content: whole(path, content[:99]))
    assert ran(written, other, "--html", page).exit_code == 2
    assert page.read_text() == "earlier"
    assert not list(other.glob(".pitline-*"))
