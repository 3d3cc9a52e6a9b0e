"""What house connections take of the street, and which of two methods is the cheaper."""

from __future__ import annotations

import pytest

from planner.records import Route
from planner.steps.connections import advise_depths
from tests.steps.house_site import connect, one, place_of, route_of

# The street runs due east along y = 0 with two lanes of 3.5 m: lanes from -3.5 to 0 and 0 to 3.5.


def moved(y: float) -> Route:
    """The usual leg, aside of the centreline."""
    return route_of([(50.0, 20.0)], pits=((90, y), (0, y)))


def test_a_shaft_opens_a_square_of_its_side() -> None:
    assert connect([(50, 12)]).opening.tolist() == pytest.approx([1.2 * 1.2])


@pytest.mark.parametrize(
    ("y", "lanes"),
    [(0.0, 2), (0.6, 1), (0.59, 2), (1.75, 1), (4.0, 1), (4.1, 0), (6.0, 0), (-1.75, 1)],
)
def test_a_shaft_closes_the_lanes_that_it_touches(y: float, lanes: int) -> None:
    # from y - 0.6 to y + 0.6: at 4.0 it reaches 0.1 into the lane that ends at 3.5
    assert connect([(50.0, 20.0)], route=moved(y)).lanes.tolist() == [lanes]


def test_pavement_and_lanes_have_their_price() -> None:
    # one lane: 1.44 m2 x 150 + 1 lane x 1 d x 1500; in the verge: 1.44 m2 x 90
    cost = [connect([(50.0, 20.0)], route=moved(y)).surface_cost[0] for y in (1.75, 6.0)]
    assert cost == pytest.approx([1.44 * 150 + 1500, 1.44 * 90])


def test_a_connection_from_a_pit_opens_nothing_more() -> None:
    found = connect([(96, 8)])
    assert [found.opening[0], found.lanes[0], found.surface_cost[0]] == [0, 0, 0]


def test_a_trench_opens_a_strip_and_the_lanes_across_it() -> None:
    # from y = -1.75 to the house at 3.25: both lanes, 0.9 m x 5 m
    houses = [(50.0, 3.25)]
    route = route_of(houses, pits=((90, -1.75), (0, -1.75)), levels=(9870, 9870))
    found = connect(houses, route=route, floor=99.6)
    assert found.frame["method"].tolist() == ["short trench"]
    assert (found.opening[0], found.lanes[0]) == (pytest.approx(0.9 * 5), 2)


def test_a_trench_that_costs_more_than_a_shaft_is_not_dug() -> None:
    # 6 m of trench at 1000: 2000 + 6000; a shaft: 4500 + 250 x 6
    houses = [(50.0, 6.0)]
    route = route_of(houses, levels=(9870, 9870))
    dear = {"connection_per_m": {"short trench": 1000.0}}
    assert one(houses, route=route, floor=99.6).method == "short trench"
    assert one(houses, route=route, floor=99.6, costs=dear).method == "shaft and saddle"


def test_a_riser_is_what_lies_between_sewer_and_connection() -> None:
    # main 93.00: entry 93.10; the connection joins at 100.00 - 4.50 = 95.50
    houses = [(50.0, 12.0)]
    found = connect(houses, route=route_of(houses, levels=(9300, 9300)))
    assert found.riser.tolist() == pytest.approx([2.40])


def test_one_that_has_no_room_for_its_riser_is_told_with_its_depth() -> None:
    # floor 95.00 - 0.60 = 94.40, fall 0.25: joins at 94.15 at most, 5.85 deep
    houses = [(50.0, 12.0)]
    site = place_of(houses, floor=95.0)
    found = connect(houses, route=route_of(houses, levels=(9300, 9300)), floor=95.0)
    (advice,) = advise_depths(site.book, found.frame)
    assert (advice["subject"], advice["severity"]) == ("H1", "advice")
    assert (advice["value"], advice["limit"]) == (pytest.approx(5.85), 4.5)
    assert advice["remedy"].startswith("join it 1.35 m deeper than is usual")


def test_one_of_the_usual_depth_is_not_told() -> None:
    assert advise_depths(place_of([(50, 12)]).book, connect([(50, 12)]).frame) == []
