"""Why no pit can stand: one cause at a time on a street of 200 m, and against the plan's pits."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
import shapely

import planner
from planner.errors import RuleError
from tests.builders import build_site, line, main_street, point, polygon

PARK = polygon((80, -20), (120, -20), (120, 20), (80, 20), reason="Elm Park", applies_to="pits")
LARGE = polygon((60, -7), (100, -7), (100, 7), (60, 7), kind="driveway", name="Mill yard",
                clear_m=1.0)  # fmt: skip


def planned(folder: Path, **layers: Any) -> planner.Plan:
    return planner.make_plan(planner.read_site(build_site(folder, **layers)))


def between(found: gpd.GeoDataFrame, reason: str) -> tuple[float, float]:
    """First and last station of the stretches with a reason."""
    some = found[found["reason"] == reason]
    assert len(some), sorted(set(found["reason"]))
    return float(some["from_station_m"].min()), float(some["to_station_m"].max())


def test_an_open_street_refuses_pits_nowhere_but_at_its_edge(tmp_path: Path) -> None:
    found = planned(tmp_path).no_pits
    assert set(found["reason"]) <= {"no room in the right of way"}


@pytest.mark.parametrize(
    ("layer", "row", "reason", "because"),
    [
        ("keep_out", PARK, "keep-out", "Elm Park"),
        ("street_features", LARGE, "too near to a driveway", "Mill yard"),
        ("street_features", point(90, 1.75, kind="hydrant", name="H7", clear_m=3.0),
         "too near to a hydrant", "H7"),
        ("street_features", point(90, 1.75, kind="bus_stop", name="Stop 4", clear_m=15.0),
         "in the lane beside a bus stop", "Stop 4"),
        ("utilities", line((90, -20), (90, 20), kind="gas", utility_id="G1", depth_m=0.9),
         "too near to a live service (gas)", "G1"),
    ],
)  # fmt: skip
def test_each_cause_is_named_where_it_is(
    layer: str, row: dict[str, Any], reason: str, because: str, tmp_path: Path
) -> None:
    found = planned(tmp_path, **{layer: [row]}).no_pits
    low, high = between(found, reason)
    assert low < 90 < high or low == high == 90
    assert set(found[found["reason"] == reason]["because_of"]) == {because}
    away = found[(found["to_station_m"] < 40) | (found["from_station_m"] > 140)]
    assert reason not in set(away["reason"])


def test_the_stretch_is_as_long_as_the_clearance_asks(tmp_path: Path) -> None:
    """An exit pit is 2.7 m long outside its shoring, the main 0.15 wide, 0.6 m apart is asked for.

    So places nearer than 1.35 + 0.6 + 0.075 = 2.025 m: of every second metre 88, 90 and 92.
    """
    gas = line((90, -20), (90, 20), kind="gas", utility_id="G1", depth_m=0.9, diameter_m=0.15)
    found = planned(tmp_path, utilities=[gas]).no_pits
    assert between(found, "too near to a live service (gas)") == (88.0, 92.0)


def test_no_pit_of_the_plan_stands_where_none_can(tmp_path: Path) -> None:
    gas = line((90, -20), (90, 20), kind="gas", utility_id="G1", depth_m=0.9)
    plan = planned(tmp_path, keep_out=[PARK], utilities=[gas], street_features=[LARGE])
    pits = plan.pits[plan.pits["kind"] == "pit"].geometry
    assert len(plan.no_pits)
    assert all(plan.no_pits.geometry.distance(pit).min() > 0.3 for pit in pits)


def test_no_pit_stands_wholly_inside_a_large_driveway(tmp_path: Path) -> None:
    yard = polygon((20, -7), (180, -7), (180, 7), (20, 7), kind="driveway", name="yard",
                   clear_m=1.0)  # fmt: skip
    plan = planned(tmp_path, street_features=[yard])
    spot = plan.site.street_features.geometry.iloc[0]
    inside = [pit for pit in plan.pits.geometry if spot.buffer(-3).contains(pit)]
    assert not inside


def test_a_finer_step_never_makes_the_best_plan_dearer(tmp_path: Path) -> None:
    costs = {}
    for step in (1.0, 2.0, 4.0):
        tables = {"equipment": {"pit_station_step_m": step}}
        plan = planned(tmp_path / str(step), tables=tables, streets=main_street(330.0))
        costs[step] = plan.summary["optimality"]
    assert costs[1.0]["lower_bound"] <= costs[2.0]["cost"] + 0.01
    assert costs[2.0]["lower_bound"] <= costs[4.0]["cost"] + 0.01


@pytest.mark.parametrize("step", [0.5, 6.0])
def test_a_step_out_of_range_is_refused(step: float, tmp_path: Path) -> None:
    project = build_site(tmp_path, tables={"equipment": {"pit_station_step_m": step}})
    with pytest.raises(RuleError, match="pit_station_step_m"):
        planner.read_site(project)


def test_a_keep_out_that_has_ended_refuses_nothing(tmp_path: Path) -> None:
    over = PARK | {"until": "2026-01-01"}
    found = planned(tmp_path, keep_out=[over]).no_pits
    assert not found["reason"].str.startswith("keep-out").any()


def test_the_pit_of_a_branch_stands_in_no_refused_stretch(tmp_path: Path) -> None:
    streets = [*main_street(), line((100, 0), (100, 120), street="Side Street")]
    homes = [point(x, y) for x, y in ((60, 15), (150, 15), (115, 60), (115, 100))]
    plan = planned(tmp_path, streets=streets, properties=homes)
    pits = plan.pits[plan.pits["kind"] == "pit"].geometry
    assert not any((plan.no_pits.geometry.distance(pit) < 0.3).any() for pit in pits)


def test_a_hydrant_far_away_changes_nothing(tmp_path: Path) -> None:
    far = point(90, 70, kind="hydrant", name="far", clear_m=3.0)
    bare = planned(tmp_path / "bare").no_pits
    with_it = planned(tmp_path / "far", street_features=[far]).no_pits
    assert bare.drop(columns="geometry").equals(with_it.drop(columns="geometry"))


def test_a_place_is_refused_just_where_the_footprint_is_too_near(tmp_path: Path) -> None:
    """By shapely, of a gas main that crosses: a square of 2.7 m, 0.6 m and half of 0.15 m away."""
    gas = line((90, -20), (90, 20), kind="gas", utility_id="G1", depth_m=0.9, diameter_m=0.15)
    found = planned(tmp_path, utilities=[gas]).no_pits
    ours = found[(found["because_of"] == "G1") & (found["offset_m"].abs() == 1.75)]
    main = shapely.LineString([(90, -20), (90, 20)])
    near = [
        float(x) for x in range(0, 200, 2)
        if shapely.box(x - 1.35, 0.4, x + 1.35, 3.1).distance(main) < 0.6 + 0.075
    ]  # fmt: skip
    assert set(ours["from_station_m"]) == {near[0]}
    assert set(ours["to_station_m"]) == {near[-1]}
