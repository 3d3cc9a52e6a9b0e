"""What can be done about a conflict, and what it costs: solved again, and by hand."""

from __future__ import annotations

import re
from pathlib import Path
from statistics import NormalDist

import geopandas as gpd
import pytest

import planner
import planner.pipeline
from planner.search.again import PlanAgain
from tests.builders import build_site, line, plane, point

SIGMA_B = 0.20  # [m] of level and plan of a service of quality B
NEEDED = ["leg_id", "up_pit", "down_pit", "invert_up_m", "invert_down_m", "diameter_mm"]


@pytest.fixture(autouse=True)
def no_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave out the search for the least cost of the site, which nothing here rests on."""
    monkeypatch.setattr(planner.pipeline, "_bound_site", lambda *_: None)


def site_of(folder: Path, top: float, **rules: object) -> planner.Site:
    """A level street with one house, and a storm drain across it 30 m from the tie-in."""
    drain = line((30, -20), (30, 20), utility_id="S1", kind="storm", quality="B", top_elev_m=top,
                 outside_diameter_m=0.3)  # fmt: skip
    return planner.read_site(build_site(
        folder, ground=plane(100.0), project={"display_units": "metric"}, tables={"rules": rules},
        streets=[line((0, 0), (90, 0), street="Main", lanes=1, row_width_m=6.0)],
        properties=[point(70, 12, property_id="H")], utilities=[drain],
        tie_ins=[point(0, 0, tie_in_id="T", invert_elev_m=96.5)],
    ))  # fmt: skip


def prices(options: str) -> dict[str, float]:
    """Options that have a price, in their order."""
    found = re.findall(r"([^;:]+): ([+-]?[\d,]+) EUR", options)
    return {way.strip(): float(price.replace(",", "")) for way, price in found}


def raised(plan: planner.Plan, by: float) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """The pits and legs of a plan as a designer draws them, the leg so much higher."""
    legs = plan.legs.assign(
        invert_up_m=plan.legs["invert_up_m"] + by, invert_down_m=plan.legs["invert_down_m"] + by
    )
    return plan.pits[["pit_id", "geometry"]], legs[[*NEEDED, "geometry"]]


def test_a_leg_of_a_design_is_lowered_for_what_its_depth_costs(tmp_path: Path) -> None:
    """By hand: the plan passes 0.616 m below the drain, 0.613 m are asked for.

    Drawn 0.10 m higher, the leg must come down by 0.10 m: at 0.09 m it is 0.61 m away less the
    lean of its axis. It costs as much more as its bored length and its own pit cost so much deeper;
    the tie-in and the pit before it stay.
    """
    plan = planner.make_plan(site_of(tmp_path, top=98.6))
    design = planner.check_design(plan.site, *raised(plan, 0.10))
    row = design.conflicts[design.conflicts["rule"] == "clearance_m"].iloc[0]
    assert row["severity"] == "tight"
    costs, leg = plan.site.book.costs, design.legs.iloc[0]
    role = "launch" if design.pits.set_index("pit_id").loc["P1", "launches"] else "exit"
    deeper = leg["bored_length_m"] * costs.entry("jacked_per_m_depth", "200")
    deeper += costs.number(f"{role}_pit_per_m") + costs.number("manhole_per_m")
    assert leg["method"] == "jacked"
    assert prices(row["options"])["lower L1 by 0.10 m"] == pytest.approx(0.10 * deeper, abs=0.51)


def test_what_is_proposed_removes_the_conflict(tmp_path: Path) -> None:
    plan = planner.make_plan(site_of(tmp_path, top=98.6))
    drawn = planner.check_design(plan.site, *raised(plan, 0.10))
    option = next(iter(prices(drawn.conflicts["options"].iloc[0])))
    by = float(re.findall(r"by ([\d.]+) m", option)[0])
    again = planner.check_design(plan.site, *raised(plan, 0.10 - by))
    assert not again.conflicts["severity"].isin(["clash", "tight"]).any()


def test_other_pits_cost_what_a_plan_with_a_stricter_rule_costs_more(tmp_path: Path) -> None:
    """A plan of the whole site, made apart, that keeps as far away as makes it sure."""
    plan = planner.make_plan(site_of(tmp_path / "as_is", top=97.3))
    row = plan.conflicts.iloc[0]
    assert row["severity"] == "unproven"
    sure = 0.60 + NormalDist().inv_cdf(0.95) * SIGMA_B
    strict = planner.make_plan(site_of(tmp_path / "strict", top=97.3, clearance_m={"storm": sure}))
    more = strict.summary["optimality"]["cost"] - plan.summary["optimality"]["cost"]
    found = prices(row["options"])
    assert found["other pits and lanes in this street"] == pytest.approx(more, abs=1.0)
    assert found["other levels of the same pits"] >= more - 1.0


def test_options_stand_in_the_order_of_their_prices_and_none_pays(tmp_path: Path) -> None:
    for top in (97.3, 98.6):
        plan = planner.make_plan(site_of(tmp_path / f"{top}", top=top))
        for _, row in plan.conflicts.iterrows():
            found = list(prices(row["options"]).values())
            assert found == sorted(found)
            assert found[0] >= 0.0
            assert row["cost"] == pytest.approx(found[0], abs=0.5)


def test_each_leg_that_is_near_a_service_has_its_own_way_out(tmp_path: Path) -> None:
    """Two legs of a design over two drains of one name: each option names its own leg."""
    drains = [line((x, -20), (x, 20), utility_id="S1", kind="storm", quality="B", top_elev_m=98.6,
                   outside_diameter_m=0.3) for x in (30, 130)]  # fmt: skip
    site = planner.read_site(build_site(
        tmp_path, ground=plane(100.0), project={"display_units": "metric"}, utilities=drains,
        streets=[line((0, 0), (190, 0), street="Main", lanes=1, row_width_m=6.0)],
        properties=[point(170, 12, property_id="H")],
        tie_ins=[point(0, 0, tie_in_id="T", invert_elev_m=95.5)],
    ))  # fmt: skip
    design = planner.check_design(site, *raised(planner.make_plan(site), 1.0))
    rows = design.conflicts[design.conflicts["rule"] == "clearance_m"]
    moved = [re.findall(r"lower (\w+) by", text) for text in rows["options"]]
    assert sorted(rows["subject"]) == ["L1", "L2"]
    assert moved == [[subject] for subject in rows["subject"]]


def test_where_no_levels_keep_every_rule_that_is_said(tmp_path: Path) -> None:
    """The drain's top at 98.3: above it there is no room, and below it the tie-in is too high."""
    plan = planner.make_plan(site_of(tmp_path, top=98.3))
    text = plan.conflicts["options"].iloc[0]
    assert "other levels of the same pits (nothing found that keeps every rule)" in text


def test_what_is_not_worked_out_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(PlanAgain, "most", 0)
    plan = planner.make_plan(site_of(tmp_path, top=97.3))
    text = plan.conflicts["options"].iloc[0]
    assert "other levels of the same pits (not worked out)" in text
    assert "dig a test hole: 1,500 EUR" in text


def test_a_pressure_rated_pipe_costs_its_surcharge_along_the_leg(tmp_path: Path) -> None:
    """By hand: 150 a metre of a leg of 50 m, drawn at the level of a main 2.6 m beside it."""
    main = line((5, -2.6), (85, -2.6), utility_id="W1", kind="water", quality="A",
                top_elev_m=97.6, outside_diameter_m=0.2)  # fmt: skip
    plan = planner.make_plan(planner.read_site(build_site(
        tmp_path, ground=plane(100.0), project={"display_units": "metric"},
        tables={"rules": {"water_horizontal_m": 3.0}},
        streets=[line((0, 0), (90, 0), street="Main", lanes=1, row_width_m=8.0)],
        properties=[point(70, 12, property_id="H")], utilities=[main],
        tie_ins=[point(0, 0, tie_in_id="T", invert_elev_m=96.0)],
    )))  # fmt: skip
    rows = planner.check_design(plan.site, *raised(plan, 0.5)).conflicts
    row = rows[(rows["rule"] == "water_horizontal_m") & (rows["subject"] == "L1")].iloc[0]
    assert plan.legs["length_m"].tolist() == pytest.approx([50.0], abs=0.01)
    assert prices(row["options"])["take a pressure-rated pipe"] == pytest.approx(7_500, abs=2)
