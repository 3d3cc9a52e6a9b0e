"""House connections on a flat place: joints, pipes and reasons worked out by hand."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from shapely.geometry import Polygon, box

from planner.model import PLAN_COLUMNS
from tests.steps.clearance_site import plane
from tests.steps.house_site import connect, one, route_of

# --- joints


def test_the_joint_is_the_nearest_point_of_the_leg() -> None:
    row = one([(50, 12)])
    assert list(row.geometry.coords) == [(50, 12), (50, 0)]
    assert (row.joins, row.method, row.length_m) == ("L1", "shaft and saddle", 12.0)


def test_the_levels_are_those_of_a_hand_calculation() -> None:
    # floor 99.00 - 0.60 = 98.40; main 96.00 + 50 x 0.005 = 96.25, + 0.10 = 96.35; fall 2.05 in 12
    row = one([(50, 12)])
    found = [row.invert_property_m, row.invert_sewer_m, row.slope_pct, row.depth_at_sewer_m]
    assert found == pytest.approx([98.40, 96.35, 100 * 2.05 / 12, 3.65], abs=1e-9)


def test_the_price_is_fixed_and_by_the_metre() -> None:
    # shaft and saddle: 4500 + 250 x 12
    assert one([(50, 12)]).cost == pytest.approx(7500.0)


def test_a_joint_keeps_off_the_lower_pit() -> None:
    row = one([(-4, 10)])
    assert row.geometry.coords[-1] == pytest.approx((1.5, 0.0))


def test_a_house_beyond_the_head_is_bored_from_its_pit() -> None:
    row = one([(96, 8)])
    assert (row.joins, row.method) == ("P1", "bored from pit")
    assert row.length_m == pytest.approx(10.0)  # 6, 8, 10
    assert row.cost == pytest.approx(2500 + 250 * 10)


@pytest.mark.parametrize(
    ("word", "joins"), [("end only", "L2"), ("allowed", "P2"), ("never", "L2")]
)
def test_a_pit_that_a_leg_arrives_at_is_entered_only_where_it_may_be(word: str, joins: str) -> None:
    houses = [(96.0, 8.0)]
    route = route_of(houses, pits=((180, 0), (90, 0), (0, 0)), levels=(9690, 9645, 9600), legs=(1,))
    row = one(houses, route=route, rules={"connection_into_manhole": word})
    assert row.joins == joins


def test_a_joint_on_the_leg_keeps_off_an_upper_pit_it_may_not_enter() -> None:
    # nearest is the pit at (90, 0); the joint stands 1.5 m down the leg
    houses = [(96.0, 8.0)]
    route = route_of(houses, pits=((180, 0), (90, 0), (0, 0)), levels=(9690, 9645, 9600), legs=(1,))
    row = one(houses, route=route)
    assert row.geometry.coords[-1] == pytest.approx((88.5, 0.0))


def test_of_leg_and_head_pit_the_cheaper_is_joined() -> None:
    # to the leg 4500 + 250 x 15; to the pit at (90, 0), d m beyond, 2500 + 250 sqrt(15^2 + d^2):
    # equal at sqrt(15^2 + d^2) = 23, d = 17.436
    frame = connect([(90 - 17.4, 15), (90 - 17.5, 15)]).frame
    assert frame["joins"].tolist() == ["P1", "L1"]


def test_a_pit_that_two_legs_leave_is_not_joined() -> None:
    # flows of what joins a pit are those of the one leg that leaves it: here there are two
    houses = [(2.0, 8.0)]
    route = route_of(houses, pits=((0, 0), (90, 0), (90, 50)), levels=(9645, 9600, 9550))
    both = dataclasses.replace(route, leg_up=np.array([0, 0]), leg_down=np.array([1, 2]))
    assert one(houses, route=route).joins == "P1"
    assert one(houses, route=both).joins == "L1"


def test_a_keep_out_before_the_leg_is_gone_round_to_the_pit() -> None:
    # nothing passes y = 2 west of x = 89.5: only the head pit at (90, 0) is left
    row = one([(89.5, 12)], keep_out=[box(-20, 2, 89.4, 3)])
    assert (row.served, row.joins) == (True, "P1")


def test_a_shallow_and_short_one_is_a_trench() -> None:
    # main at 98.70, entered at 98.80: 1.20 deep; a fall of 2.08 % in 5 m is 0.11
    houses = [(50.0, 5.0)]
    route = route_of(houses, levels=(9870, 9870))
    assert one(houses, route=route, floor=99.6).method == "short trench"
    assert one(houses, route=route, floor=99.6).cost == pytest.approx(2000 + 450 * 5)


def test_a_house_on_the_sewers_own_line_has_a_line_still() -> None:
    row = one([(50, 0)])
    assert row.geometry.is_valid
    assert row.length_m == pytest.approx(0.1)


# --- pipes


def test_many_people_take_the_larger_pipe() -> None:
    frame = connect([(50, 12), (60, 12)], people=[20.0, 20.5]).frame
    assert frame["diameter_mm"].tolist() == [100, 150]


def test_a_given_flow_counts_as_people() -> None:
    # 378.5 L/d a person: 20 people are 20 x 378.5 / 86400 = 0.0876 L/s
    frame = connect([(50, 12), (60, 12)], flow=[0.087, 0.088], people=np.nan).frame
    assert frame["diameter_mm"].tolist() == [100, 150]


@pytest.mark.parametrize(("flow", "size"), [(3.0, 150), (6.0, 200), (20.0, 300)])
def test_a_large_flow_takes_the_smallest_pipe_that_carries_its_peak(flow: float, size: int) -> None:
    # 3, 6, 20 L/s are 685, 1370, 4565 people, factors 3.90, 3.71, 3.28: 11.7, 22.2, 65.6 L/s.
    # What 6, 8, 10, 12 in carry at 1.04 % and y/D 0.75, n 0.013, by V = (D/4)^(2/3) S^(1/2) / n:
    # 0.1471 m: 0.867 m/s x 0.01700 m2 x 0.912 = 13.4; 0.1970: 29.3; 0.2462: 53.0; 0.2931: 84.4
    assert one([(50, 12)], flow=flow, people=np.nan).diameter_mm == size


def test_growth_makes_a_connection_larger() -> None:
    rules = {"future_people_factor": 2.0}
    assert one([(50, 12)], people=11.0).diameter_mm == 100
    assert one([(50, 12)], people=11.0, rules=rules).diameter_mm == 150


def test_a_flow_that_no_connection_carries_says_how_much_is_too_much() -> None:
    # 100 L/s are 22,827 people: peak factor (18 + 4.778) / (4 + 4.778) = 2.595, 259.5 L/s; 15 in,
    # 14.124 in inside, at 1.04 %: 1.572 m/s x 0.10108 m2 x 0.912 = 144.9 L/s
    row = one([(50, 12)], flow=100.0, people=np.nan)
    assert row.why_not == (
        "capacity: a peak of 259.5 L/s, the largest connection, 375 mm, carries 144.9 L/s; "
        "divide 114.6 L/s among more connections"
    )


def test_the_axis_lies_half_the_inside_above_the_invert() -> None:
    # ASTM D3034 SDR 26, 4 in: outside 4.215 in, inside 4.215 - 2 x 4.215 / 26 = 3.891 in
    found = connect([(50, 12)])
    assert found.outside_diameter.tolist() == pytest.approx([4.215 * 0.0254])
    lift = 3.891 * 0.0254 / 2
    assert found.sewer[0].tolist() == pytest.approx([50, 0, 96.35 + lift], abs=1e-5)
    assert found.property[0].tolist() == pytest.approx([50, 12, 98.40 + lift], abs=1e-5)


# --- not served


def test_a_floor_that_is_too_low_says_by_how_much() -> None:
    # entry 96.35 + fall 2.08 % x 12 = 0.2496, up to 0.25: 96.60; + 0.60 = 97.20 is the lowest floor
    assert one([(50, 12)], floor=97.20).served
    row = one([(50, 12)], floor=97.00)
    assert row.why_not.startswith("floor too low: the sewer would have to be 0.20 m deeper")
    assert not row.served


def test_a_floor_that_is_too_low_may_have_a_pump_at_the_price_of_the_book() -> None:
    row = one([(50, 12)], floor=97.00)
    assert row.why_not.endswith("0.20 m deeper, or a pump (12000 USD)")


def test_a_pump_is_named_once_whatever_the_route_said() -> None:
    houses = [(50.0, 12.0)]
    route = dataclasses.replace(
        route_of(houses, legs=(-1,)), why_not=("floor too low: 0.5 m too low, or a pump",)
    )
    row = one(houses, route=route)
    assert row.why_not == "floor too low: 0.5 m too low, or a pump (12000 USD)"


def test_one_that_no_leg_serves_is_a_row_with_its_reason() -> None:
    houses = [(50.0, 60.0)]
    row = one(houses, route=route_of(houses, legs=(-1,)))
    assert (row.served, row.why_not, row.cost) == (False, "no street: 60.0 m away", 0.0)
    assert np.isnan([row.invert_property_m, row.invert_sewer_m, row.slope_pct]).all()
    assert list(row.geometry.coords) == [(50, 60), (50, 0)]


def test_one_that_is_longer_than_allowed_is_not_served() -> None:
    assert one([(50, 45.5)]).why_not.endswith(
        "45.5 m to the sewer, a connection may have 45 m; a sewer 0.5 m nearer"
    )


def test_a_keep_out_is_gone_round_along_the_leg() -> None:
    row = one([(50, 12)], keep_out=[box(48, 4, 53, 6)])
    assert row.served
    assert not row.geometry.intersects(box(48, 4, 53, 6).buffer(-0.02))
    assert row.geometry.coords[-1][1] == pytest.approx(0.0)


def test_a_house_inside_a_keep_out_is_blocked() -> None:
    row = one([(50, 12)], keep_out=[box(40, 2, 60, 20)])
    assert row.why_not.startswith("blocked: 10.0 m of the way to the sewer lie in a keep-out")


def test_no_ground_at_the_joint_is_a_reason() -> None:
    ground = plane()
    ground.values[195:206, 245:256] = np.nan  # noqa: PD011  (cells of a Ground)
    row = one([(50, 12)], ground=ground, rules={"connection_into_manhole": "never"})
    assert row.why_not.startswith("ground: no elevation at the sewer")


# --- invariants


def test_names_follow_the_order_of_the_properties_whatever_the_rows() -> None:
    houses = [(50.0, 12.0), (60.0, 12.0), (70.0, 12.0)]
    frame = connect(houses, names=["B10", "A", "B2"]).frame
    assert frame["property_id"].tolist() == ["A", "B2", "B10"]
    assert frame["connection_id"].tolist() == ["H1", "H2", "H3"]
    turned = connect(houses[::-1], names=["B2", "A", "B10"]).frame
    pd.testing.assert_series_equal(frame["property_id"], turned["property_id"])


def test_the_columns_are_the_plans() -> None:
    frame = connect([(50, 12)]).frame
    assert list(frame.columns) == [*PLAN_COLUMNS["connections"], "geometry"]


def test_a_place_without_houses_has_no_rows() -> None:
    found = connect([])
    assert (len(found.frame), len(found.sewer)) == (0, 0)


def test_a_polygon_keep_out_with_a_hole_lets_a_way_through_the_hole() -> None:
    ring = Polygon(box(40, 1, 60, 20).exterior.coords, [box(41, -1 + 2.5, 59, 19).exterior.coords])
    row = one([(50, 12)], keep_out=[ring])
    assert row.why_not.startswith("blocked: 0.5 m")
