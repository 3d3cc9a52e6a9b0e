"""What is nearest to a service around a place now, worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import LineString

from planner.steps.clearances import AROUND, Nearby, prepare_services
from tests.steps.clearance_site import (
    connections_of,
    crossing,
    legs_of,
    one_pit,
    service,
    site_of,
)

# Bores of 0.3 m at 97.00; the service of 0.2 m at x = 30 has its top at 98.00: its axis at 97.90.
HERE = np.array([30.0, 0.0])


def nearby() -> Nearby:
    site = site_of([crossing(30, 98.0), service(LineString([(300, 0, 98), (300, 9, 98)]),
                                                utility_id="far")])  # fmt: skip
    legs = legs_of([("L1", (0, 0, 97.0), (90, 0, 97.0)), ("L2", (0, 5, 96.0), (90, 5, 96.0)),
                    ("L3", (150, 0, 97.9), (190, 0, 97.9))])  # fmt: skip
    houses = connections_of([("H1", (30, 2, 97), (30, 2, 97.5))])
    return Nearby(prepare_services(site), legs, one_pit(), houses)


@pytest.mark.parametrize(
    ("element", "name", "gap"),
    [
        ("leg", "L1", 0.90 - 0.15 - 0.10),
        ("connection", "H1", 0.40 - 0.075 - 0.10),
        ("pit", "P1", 28.5 - 0.10),  # its wall at 1.5, the axis at 30
    ],
)
def test_the_nearest_of_its_kind_and_how_near(element: str, name: str, gap: float) -> None:
    found = nearby().find(element, "W1", HERE)
    assert found is not None
    assert found[0] == name
    assert found[1] == pytest.approx(gap, abs=1e-6)


def test_what_is_elsewhere_does_not_count() -> None:
    assert nearby().find("leg", "far", HERE) is None
    assert nearby().find("connection", "W1", HERE + np.array([AROUND + 1, 0])) is None
    assert nearby().find("pit", "W1", HERE + np.array([0, 2 * AROUND])) is None


def test_places_beside_a_leg_are_as_far_from_it_as_they_lie() -> None:
    places = np.array([[40.0, 3.0], [-3.0, -4.0], [200.0, 0.0]])
    assert nearby().apart("leg", "L1", places).tolist() == pytest.approx([3.0, 5.0, 110.0])
    assert np.isinf(nearby().apart("leg", "none of ours", places)).all()
    assert np.isinf(nearby().apart("pit", "P1", places)).all()


def test_a_service_that_is_not_known_has_nothing_near() -> None:
    assert nearby().find("leg", "nobody's", HERE) is None
