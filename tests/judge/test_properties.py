"""What must hold between the plans of two sites that differ in one thing.

Raising the datum, drawing streets the other way, services far away and growing cover of a street
stand in `tests/test_pipeline.py`; here the same with services and floors, and what more is free.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import shapely

import planner
from tests.builders import build_site, line, main_street, plane, point

METRIC = {"display_units": "metric"}
STEP = 0.01  # [m] of the printed grid
SLOPES = {"rules": {"min_slope_pct": 0.517}}  # off the grid's edges: lengths grow with height
CLOSE = 0.01  # of a sum of money
RAISED = 3.77  # [m]


def row_of_houses(raised: float = 0.0) -> list[dict[str, Any]]:
    """Houses on both sides of a street of 120 m, one of them with a cellar."""
    some = [point(x, 12 if x % 40 else -12, property_id=f"H{x}") for x in (20, 40, 80)]
    return [*some, point(110, -12, property_id="C", floor_elev_m=99.31 + raised)]


def services(raised: float = 0.0) -> list[dict[str, Any]]:
    """A storm drain and a gas main across the street, by their levels."""
    return [
        line((50, -20), (53, 20), kind="storm", quality="A", top_elev_m=98.93 + raised,
             diameter_m=0.4),
        line((90, -20), (88, 20), kind="gas", quality="B", top_elev_m=99.24 + raised),
    ]  # fmt: skip


def planned(folder: Path, raised: float = 0.0, **layers: Any) -> planner.Plan:
    given: dict[str, Any] = {
        "project": METRIC, "ground": plane(100.0 + raised, fall_x=-0.00837),
        "streets": main_street(120.0), "properties": row_of_houses(raised),
        "utilities": services(raised),
        "tie_ins": [point(0, 0, tie_in_id="T", invert_elev_m=96.5 + raised)],
    }  # fmt: skip
    return planner.make_plan(planner.read_site(build_site(folder, **(given | layers))))


def cost(plan: planner.Plan) -> float:
    return float(plan.summary["totals"]["cost"])


def served(plan: planner.Plan) -> int:
    return int(plan.summary["totals"]["served"])


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> planner.Plan:
    return planned(tmp_path_factory.mktemp("base"))


def test_raising_ground_services_floors_and_tie_in_raises_inverts_alone(tmp_path: Path) -> None:
    """Invariant: 377 levels higher, the same pits, legs and prices.

    Lengths on the ground grow by 0.6 parts in a million of the height, less than any digit shown.
    """
    low = planned(tmp_path / "low", tables=SLOPES)
    high = planned(tmp_path / "high", RAISED, tables=SLOPES)
    assert served(low) == served(high) == 4
    for name in ("invert_up_m", "invert_down_m"):
        raised = high.legs[name].to_numpy() - low.legs[name].to_numpy()
        assert raised == pytest.approx(RAISED, abs=1e-6)
    for name in ("length_m", "min_cover_m", "slope_pct"):
        assert high.legs[name].to_numpy() == pytest.approx(low.legs[name].to_numpy(), abs=2e-3)
    assert high.legs["launch_pit"].tolist() == low.legs["launch_pit"].tolist()
    assert cost(high) == pytest.approx(cost(low), rel=1e-5)


def test_drawing_the_street_the_other_way_changes_nothing(
    tmp_path: Path, base: planner.Plan
) -> None:
    backwards = [row | {"geometry": shapely.reverse(row["geometry"])} for row in main_street(120.0)]
    plan = planned(tmp_path, streets=backwards)
    assert cost(plan) == pytest.approx(cost(base), abs=CLOSE)
    for name in ("invert_up_m", "invert_down_m", "length_m"):
        assert plan.legs[name].tolist() == pytest.approx(base.legs[name].tolist(), abs=1e-9)


@pytest.mark.parametrize(
    "far",
    [
        line((30, 45), (100, 45), kind="gas", depth_m=1.0),
        line((50, -20), (53, 20), kind="gas", depth_m=9.0),
        line((150, -20), (150, 20), kind="electric", depth_m=1.5),
    ],
    ids=["beside", "far below", "beyond the last house"],
)
def test_a_service_out_of_reach_changes_no_figure(
    tmp_path: Path, base: planner.Plan, far: dict[str, Any]
) -> None:
    plan = planned(tmp_path, utilities=[*services(), far])
    assert cost(plan) == pytest.approx(cost(base), abs=CLOSE)
    assert plan.legs["invert_down_m"].tolist() == base.legs["invert_down_m"].tolist()


def test_more_cover_is_never_cheaper_among_services(tmp_path: Path) -> None:
    """All serve the same houses; the search is over the same places."""
    plans = [
        planned(tmp_path / str(cover), tables={"rules": {"min_cover_m": cover}})
        for cover in (0.9, 1.2, 1.5)
    ]
    assert {served(plan) for plan in plans} == {4}
    costs = [cost(plan) for plan in plans]
    assert costs == sorted(costs)


def test_steeper_least_slopes_are_never_cheaper(tmp_path: Path) -> None:
    plans = [
        planned(tmp_path / str(slope), tables={"rules": {"min_slope_pct": slope}})
        for slope in (0.5, 0.7, 0.9)
    ]
    assert {served(plan) for plan in plans} == {4}
    costs = [cost(plan) for plan in plans]
    assert costs == sorted(costs)


def test_a_parking_lane_to_stand_in_is_never_dearer(tmp_path: Path) -> None:
    """A parking lane on land that is the street's already adds places and takes none.

    The verges are too narrow to take pits, with the lane and without it; carriageway, right of
    way and all else stay as they are.
    """
    costs = []
    for parking in (0.0, 2.5):
        street = main_street(120.0, row_width_m=12.0, lanes=2, lane_width_m=3.25,
                             parking_left_m=parking, parking_right_m=0.0)  # fmt: skip
        plan = planned(tmp_path / str(parking), streets=street)
        assert served(plan) == 4
        costs.append(cost(plan))
    assert costs[1] <= costs[0] + CLOSE


def test_taking_a_service_away_is_never_dearer(tmp_path: Path, base: planner.Plan) -> None:
    for k in range(2):
        fewer = planned(tmp_path / str(k), utilities=services()[k : k + 1])
        assert served(fewer) == served(base)
        assert cost(fewer) <= cost(base) + CLOSE
