"""A leg flatter than the least slope and its margin counts more, and costs no more."""

from __future__ import annotations

from pathlib import Path

import pytest

import planner
from tests.builders import build_site, line, plane, point

LEAST, MARGIN = 0.50, 0.10  # [%] of DN 200 by 100/DN, and of a bore


def planned(folder: Path, price: float) -> planner.Plan:
    """A level street: one leg of 50 m, to a tie-in that it may reach at any of 57 levels."""
    return planner.make_plan(planner.read_site(build_site(
        folder, ground=plane(100.0), project={"display_units": "metric"},
        tables={"costs": {"slope_margin_per_m": price}},
        streets=[line((0, 0), (90, 0), street="Main", lanes=1, row_width_m=6.0)],
        properties=[point(70, 12, property_id="H")],
        tie_ins=[point(0, 0, tie_in_id="T", invert_elev_m=98.0)],
    )))  # fmt: skip


def test_a_leg_is_steeper_where_that_costs_less_than_the_preference(tmp_path: Path) -> None:
    """By hand: 0.10 % of 50 m are 0.05 m, so the mean depth of 44.55 m bored grows by 0.025 m.

    At 40 a metre and metre of depth that costs 44.55, which is 0.891 a metre of the leg.
    """
    flat, steep = planned(tmp_path / "flat", 0.88), planned(tmp_path / "steep", 0.90)
    assert flat.legs["length_m"].tolist() == steep.legs["length_m"].tolist() == [50.0]
    assert flat.legs["slope_pct"].tolist() == pytest.approx([LEAST])
    assert steep.legs["slope_pct"].tolist() == pytest.approx([LEAST + MARGIN])
    costs = [plan.legs["cost"].sum() for plan in (flat, steep)]
    assert costs[1] - costs[0] == pytest.approx(44.55, abs=0.01)


def test_what_is_preferred_counts_in_the_search_alone(tmp_path: Path) -> None:
    free, flat = planned(tmp_path / "free", 0.0), planned(tmp_path / "flat", 0.88)
    search = [plan.summary["optimality"]["cost"] for plan in (free, flat)]
    assert search[1] - search[0] == pytest.approx(0.88 * 50.0, abs=0.01)
    assert flat.summary["totals"]["cost"] == free.summary["totals"]["cost"]


def test_a_plan_is_counted_alike_when_it_is_checked(tmp_path: Path) -> None:
    plan = planned(tmp_path, 0.88)
    checked = planner.check_design(plan.site, plan.pits, plan.legs, plan.connections)
    assert checked.summary["optimality"]["cost"] == plan.summary["optimality"]["cost"]


def test_flat_legs_are_told_as_advice(tmp_path: Path) -> None:
    told = [
        {one["rule"] for one in planned(tmp_path / name, price).summary["breaches"]}
        for name, price in (("flat", 0.88), ("steep", 0.90))
    ]
    assert "bored_slope_margin_pct" in told[0]
    assert "bored_slope_margin_pct" not in told[1]
