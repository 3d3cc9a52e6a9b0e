"""A person's own pits and legs: the same figures follow from them, and their faults are named."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import pytest

import planner
import planner.pipeline
from tests.builders import build_site, line, plane, point


@pytest.fixture(autouse=True)
def no_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave out the search for the least cost of the site, which nothing here rests on."""
    monkeypatch.setattr(planner.pipeline, "_bound_site", lambda *_: None)


NEEDED = ["leg_id", "up_pit", "down_pit", "invert_up_m", "invert_down_m", "diameter_mm"]


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> tuple[planner.Site, planner.Plan]:
    project = build_site(
        tmp_path_factory.mktemp("site"),
        ground=plane(100.0, fall_x=-0.01),
        streets=[line((0, 0), (100, 0), (200, 0), street="M"),
                 line((100, 0), (100, 90), street="C")],
        properties=[point(180, 12, property_id="A"), point(112, 80, property_id="B")],
        tie_ins=[point(0, 0, tie_in_id="T", invert_elev_m=96.0)],
    )  # fmt: skip
    site = planner.read_site(project)
    return site, planner.make_plan(site)


def broken(plan: planner.Plan) -> set[tuple[str, str]]:
    found = plan.summary["breaches"]
    return {(row["rule"], row["subject"]) for row in found if row["severity"] == "breach"}


def legs_of(plan: planner.Plan, **changes: Any) -> gpd.GeoDataFrame:
    legs = plan.legs[[*NEEDED, "geometry"]].copy()
    for column, value in changes.items():
        legs.loc[legs.index[-1], column] = value
    return legs


def pits_of(plan: planner.Plan) -> gpd.GeoDataFrame:
    return plan.pits[["pit_id", "geometry"]].copy()


def test_a_plan_checked_as_a_design_breaks_nothing(
    planned: tuple[planner.Site, planner.Plan],
) -> None:
    site, plan = planned
    assert broken(planner.check_design(site, plan.pits, plan.legs)) == set()


def test_what_follows_from_the_inverts_is_computed_again(
    planned: tuple[planner.Site, planner.Plan],
) -> None:
    site, plan = planned
    checked = planner.check_design(site, plan.pits, plan.legs)
    for column in ("length_m", "fall_m", "slope_pct", "min_cover_m", "bored_length_m"):
        assert checked.legs[column].to_numpy() == pytest.approx(
            plan.legs[column].to_numpy(), abs=1e-6
        )


def test_a_design_in_another_crs_is_reprojected(
    planned: tuple[planner.Site, planner.Plan],
) -> None:
    site, plan = planned
    checked = planner.check_design(
        site, pits_of(plan).to_crs("EPSG:4326"), legs_of(plan).to_crs("EPSG:4326")
    )
    assert checked.legs["length_m"].to_numpy() == pytest.approx(
        plan.legs["length_m"].to_numpy(), abs=1e-3
    )


@pytest.mark.parametrize(
    ("changes", "rule"),
    [
        ({"up_pit": "nowhere"}, "pit_exists"),
        ({"leg_id": "A1"}, "unique_id"),
        ({"invert_up_m": 90.0}, "min_slope_pct"),
        ({"invert_up_m": 101.5}, "min_cover_m"),
    ],
)
def test_a_planted_mistake_is_named(
    planned: tuple[planner.Site, planner.Plan], changes: dict[str, Any], rule: str
) -> None:
    site, plan = planned
    checked = planner.check_design(site, pits_of(plan), legs_of(plan, **changes))
    assert rule in {name for name, _ in broken(checked)}


def test_a_pit_that_was_moved_is_not_met_by_its_leg(
    planned: tuple[planner.Site, planner.Plan],
) -> None:
    site, plan = planned
    pits = pits_of(plan)
    last = pits.index[-1]
    pits.loc[last, "geometry"] = plan.pits.geometry.iloc[-1].buffer(2.0).boundary.interpolate(0.0)
    checked = planner.check_design(site, pits, legs_of(plan))
    assert "leg_meets_pit" in {name for name, _ in broken(checked)}


def test_a_missing_column_is_refused(planned: tuple[planner.Site, planner.Plan]) -> None:
    site, plan = planned
    with pytest.raises(planner.InputError, match="no column 'invert_up_m'"):
        planner.check_design(site, pits_of(plan), legs_of(plan).drop(columns="invert_up_m"))
