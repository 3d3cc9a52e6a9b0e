"""Invariant: a plan that is sent through the check comes out as it was planned."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

import planner
from planner.inputs.design import read_design
from planner.outputs.geopackage import write_geopackage
from tests.builders import build_site, line, plane, point
from tests.check.drawn import broken, without_bound

FALL = plane(100.0, fall_x=-0.01)
CROSS = [
    line((0, 0), (100, 0), (200, 0), street="Main Street"),
    line((100, -100), (100, 0), (100, 100), street="Cross Street"),
]
ROW = [point(20 + 20 * i, 12 if i % 2 else -12, property_id=f"H{i}") for i in range(8)]
LONG_ROW = [point(20 + 20 * i, 12 if i % 2 else -12, property_id=f"H{i}") for i in range(18)]
SIDE = [point(112, -60, property_id="C1"), point(88, 70, property_id="C2")]
SERVICES = [
    line((80, -20), (80, 20), kind="gas", depth_m=1.6, quality="B"),
    line((0, -3.3), (200, -3.3), kind="water", depth_m=1.3),
]
TIE_IN = point(0, 0, tie_in_id="T", invert_elev_m=96.0, outlet_bearing_deg=270.0)
CELLAR = point(150, 12, property_id="K", floor_elev_m=95.0)  # lower than any sewer
SITES: dict[str, dict[str, Any]] = {
    "a crossing": {"streets": CROSS, "properties": ROW + SIDE, "utilities": SERVICES},
    "a crossing in feet": {
        "streets": CROSS, "properties": ROW + SIDE, "project": {"display_units": "us"},
    },
    "a corner and a floor too low": {
        "streets": [line((0, 0), (100, 0), (100, 100), street="Main Street")],
        "properties": [*ROW[:3], point(112, 60, property_id="C"), CELLAR],
    },
    "two tie-ins": {
        "ground": plane(), "streets": [line((0, 0), (400, 0), street="M")],
        "properties": LONG_ROW,
        "tie_ins": [point(0, 0, tie_in_id="T", invert_elev_m=96.0),
                    point(400, 0, tie_in_id="U", invert_elev_m=96.0)],
    },
}  # fmt: skip
LAYERS = ("pits", "legs", "connections", "conflicts", "pit_footprints")
NOT_KNOWN = {"binds"}  # what fixes a level is known of a plan's own search only
SOLVED = {"options", "cost"}  # of a conflict: likewise what other pits and levels would cost


@pytest.fixture(scope="module", params=SITES)
def pair(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[planner.Plan, planner.Plan]:
    """A plan, and what its file comes to when it is checked."""
    folder = tmp_path_factory.mktemp("site")
    given = {"ground": FALL, "tie_ins": [TIE_IN]} | SITES[request.param]
    site = planner.read_site(build_site(folder, **given))
    plan = planner.make_plan(site)
    write_geopackage(plan, folder / "plan.gpkg")
    design = read_design(folder / "plan.gpkg")
    return plan, planner.check_design(site, design.pits, design.legs, design.connections)


def test_every_figure_of_every_layer_is_the_same(pair: tuple[planner.Plan, planner.Plan]) -> None:
    for layer in LAYERS:
        planned, checked = (getattr(one, layer) for one in pair)
        assert len(planned) == len(checked)
        names = [c for c in planned.columns if layer != "conflicts" or c not in SOLVED]
        assert [c for c in names if differ(planned, checked, c)] == [], layer


def differ(planned: pd.DataFrame, checked: pd.DataFrame, column: str) -> bool:
    if column in NOT_KNOWN:
        return False
    if column == "geometry":
        return bool((planned.geometry.hausdorff_distance(checked.geometry) > 1e-6).any())
    one, other = planned[column], checked[column]
    if pd.api.types.is_float_dtype(one):
        return not np.allclose(one, other, atol=1e-6, equal_nan=True)
    return one.astype(str).tolist() != other.astype(str).tolist()


def test_it_costs_the_same_and_breaks_the_same(pair: tuple[planner.Plan, planner.Plan]) -> None:
    planned, checked = pair
    for key in ("totals", "cost_breakdown", "status"):
        assert checked.summary[key] == planned.summary[key]
    assert broken(checked) == broken(planned)


def test_its_bound_is_the_site_s(pair: tuple[planner.Plan, planner.Plan]) -> None:
    planned, checked = (one.summary["optimality"] for one in pair)
    assert checked["cost"] == pytest.approx(planned["cost"], abs=0.01)
    assert checked["lower_bound"] == pytest.approx(planned["lower_bound"], abs=0.01)


def test_without_its_connections_houses_join_the_same_legs(
    pair: tuple[planner.Plan, planner.Plan],
) -> None:
    plan = pair[0]
    with without_bound():
        checked = planner.check_design(plan.site, plan.pits, plan.legs)
    joined = [
        one.connections[one.connections["served"].astype(bool)]["joins"].tolist()
        for one in (plan, checked)
    ]
    assert joined[0] == joined[1]


def test_a_bare_design_is_the_same_but_for_what_it_does_not_say(
    pair: tuple[planner.Plan, planner.Plan],
) -> None:
    plan = pair[0]
    needed = ["leg_id", "up_pit", "down_pit", "invert_up_m", "invert_down_m", "diameter_mm"]
    with without_bound():
        bare = planner.check_design(
            plan.site, plan.pits[["pit_id", "geometry"]], plan.legs[[*needed, "geometry"]]
        )
    for column in ("length_m", "slope_pct", "min_cover_m", "bore_diameter_mm", "run_id"):
        assert not differ(plan.legs, bare.legs, column), column
    assert any(row["layer"] == "design" for row in bare.summary["assumptions"])
