"""Cautions where bores pass the services of houses, on record and not."""

from __future__ import annotations

from typing import Any

import pytest
from shapely.geometry import LineString

from planner.steps.clearances import prepare_services
from planner.steps.connections import connect_houses
from planner.steps.cross_bores import find_cautions, find_house_services
from tests.steps.clearance_site import service
from tests.steps.house_site import along_street, place_of, route_of

# The leg runs along y = 0 from x = 0 to 90; houses stand at (50, 12) and (60, 12).
HOUSES = [(50.0, 12.0), (60.0, 12.0)]
BEYOND = along_street(-4, 99.0, kind="water", utility_id="W")  # the leg lies before it
BEFORE = along_street(4, 99.0, kind="water", utility_id="W")  # it lies before the leg


def lead_in(x: float, to: float, **given: Any) -> dict[str, Any]:
    """A slim water pipe due north from y = to up to the house at x."""
    line = LineString([(x, to, 99.0), (x, 11.0, 99.0)])
    return service(line, kind="water", outside_diameter_m=0.05, utility_id=f"L{x}", **given)


def cautions(*services: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Cautions by their subject."""
    site, route = place_of(HOUSES, list(services)), route_of(HOUSES)
    houses = connect_houses(site, route, prepare_services(site))
    return {row["subject"]: row for row in find_cautions(site, route, houses)}


def test_a_leg_between_houses_and_a_main_passes_the_services_of_each() -> None:
    found = cautions(BEYOND)
    assert list(found) == ["L1"]
    assert (found["L1"]["value"], found["L1"]["mapped"]) == (2, 0)
    assert found["L1"]["properties"] == ["1", "2"]


def test_a_main_before_the_leg_has_no_services_across_it() -> None:
    assert cautions(BEFORE) == {}


def test_every_kind_of_main_counts_once_a_house() -> None:
    gas = along_street(-5, 99.0, kind="gas", utility_id="G")
    assert cautions(BEYOND, gas)["L1"]["value"] == 4


def test_a_service_on_record_stands_in_place_of_the_one_that_is_not() -> None:
    found = cautions(BEYOND, lead_in(52, -4))
    assert (found["L1"]["value"], found["L1"]["mapped"]) == (2, 1)


def test_a_connection_is_warned_of_its_neighbours_service_and_not_of_its_own() -> None:
    # the service of the house at (60, 12) crosses to (46, 6) before the connection at x = 50
    line = LineString([(46, 6, 99.0), (60, 11, 99.0)])
    crooked = service(line, kind="gas", outside_diameter_m=0.05)
    found = cautions(crooked)
    assert list(found) == ["H1"]
    assert found["H1"]["properties"] == ["2"]


@pytest.mark.parametrize(("away", "passed"), [(0.9, True), (1.1, False)])
def test_one_on_record_counts_as_passed_within_a_metre(away: float, passed: bool) -> None:
    assert bool(cautions(lead_in(52, away))) == passed


def test_a_main_is_no_house_service_though_it_ends_at_a_house() -> None:
    site = place_of(HOUSES, [service(LineString([(50, -4, 99), (50, 11, 99)]), kind="sewer",
                                     outside_diameter_m=0.3)])  # fmt: skip
    assert not find_house_services(site).mapped.any()


def test_a_main_out_of_reach_serves_no_house() -> None:
    assert cautions(along_street(-34, 99.0, kind="water")) == {}


def test_it_is_advice_with_a_source_and_a_remedy() -> None:
    row = cautions(BEYOND)["L1"]
    assert (row["rule"], row["severity"]) == ("cross_bore", "advice")
    assert row["source"].startswith("common practice, no source")
    assert "camera" in row["remedy"]


def test_without_services_or_houses_there_is_nothing_to_say() -> None:
    assert cautions() == {}
    site, route = place_of([], [BEYOND]), route_of([])
    houses = connect_houses(site, route, prepare_services(site))
    assert find_cautions(site, route, houses) == []
