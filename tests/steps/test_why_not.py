"""Sets of rules and things that cannot hold together: as worked out by hand, and irreducible."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

import planner
from planner.search.serving import Wish, lay_out_streets
from planner.steps.routing import Given, explain
from planner.steps.routing.items import Item
from planner.steps.routing.why_not import hold_together
from planner.steps.streets import build_graph
from tests.builders import build_site, line, plane, point, polygon

NOBODY = np.empty(0, np.int64)


def given_of(folder: Path, **layers: Any) -> Given:
    """What the route of a street of 100 m, rising 1 % to the east, is chosen from."""
    project = build_site(folder, **({
        "project": {"display_units": "metric"}, "ground": plane(100.0, fall_x=-0.01),
        "streets": [line((0, 0), (100, 0), street="Main Street")],
        "properties": [point(90, 12, property_id="H")],
        "tie_ins": [point(0, 0, tie_in_id="T", invert_elev_m=96.0)],
    } | layers))  # fmt: skip
    site = planner.read_site(project)
    return lay_out_streets(site, build_graph(site, 45.0), Wish()).given


def test_where_a_sewer_can_be_built_there_is_no_such_set(tmp_path: Path) -> None:
    assert explain(given_of(tmp_path), 0, np.array([0])) is None


def test_a_basement_below_the_tie_in_cannot_hold_together_with_it(tmp_path: Path) -> None:
    """The drain lies at 96.5 - 0.6 = 95.9, below the tie-in's 96.0: no cover or slope matters."""
    house = point(90, 12, property_id="H", floor_elev_m=96.5)
    found = explain(given_of(tmp_path, properties=[house]), 0, np.array([0]))
    assert found is not None
    assert found.members == (("property", 0), ("tie-in", 0))


def test_a_large_drain_between_cover_and_tie_in_names_all_three(tmp_path: Path) -> None:
    """A drain of 1.6 m from 99.6 down to 98.0 at 50 m; the tie-in stands at 97.8.

    Below it the bore's top may reach 98.0 - 0.313, its invert about 97.4: under the tie-in.
    Above it there are 100.5 - 99.6 = 0.9 m for a bore of 0.3 m, a clearance and 1.2 m of cover.
    Each of drain, cover and tie-in is needed for that.
    """
    drain = line((50, -20), (50, 20), kind="storm", utility_id="S", quality="A", top_elev_m=99.6,
                 diameter_m=1.5, wall_m=0.05)  # fmt: skip
    tie_in = point(0, 0, tie_in_id="T", invert_elev_m=97.8)
    given = given_of(tmp_path, utilities=[drain], tie_ins=[tie_in])
    found = explain(given, 0, NOBODY)
    assert found is not None
    assert found.members == (("cover", -1), ("service", 0), ("tie-in", 0))
    by = {relaxed.kind: relaxed.by for relaxed in found.relaxations}
    # the sewer must come about 0.4 m and the fall of 50 m at 0.5 % = 0.25 m further down
    assert by["tie-in"] == pytest.approx(0.75, abs=0.15)
    assert by["cover"] is not None
    assert by["service"] == pytest.approx(by["tie-in"], abs=0.15)


@pytest.mark.parametrize("case", ["basement", "drain"])
def test_the_set_fails_and_without_any_one_of_its_members_it_holds(
    tmp_path: Path, case: str
) -> None:
    drain = line((50, -20), (50, 20), kind="storm", utility_id="S", quality="A", top_elev_m=99.6,
                 diameter_m=1.5, wall_m=0.05)  # fmt: skip
    layers: dict[str, Any] = {
        "basement": {"properties": [point(90, 12, property_id="H", floor_elev_m=96.5)]},
        "drain": {"utilities": [drain],
                  "tie_ins": [point(0, 0, tie_in_id="T", invert_elev_m=97.8)]},
    }[case]  # fmt: skip
    given, asked = given_of(tmp_path, **layers), np.array([0])
    found = explain(given, 0, asked)
    assert found is not None
    assert found.members
    items = [Item(*member) for member in found.members]
    assert not hold_together(given, 0, asked, items)
    for left_out in items:
        assert hold_together(given, 0, asked, [item for item in items if item != left_out])


def test_places_that_leave_no_line_of_legs_are_no_member_of_any_set(tmp_path: Path) -> None:
    """No pit can stand for 92 m and no leg may be longer than 90: no rule left out cures that."""
    works = [(3, -20), (3, 20), (97, 20), (97, -20)]
    given = given_of(
        tmp_path,
        streets=[line((0, 0), (140, 0), street="Main Street")],
        properties=[point(130, 12, property_id="H")],
        keep_out=[polygon(*works, reason="works", applies_to="pits")],
    )
    found = explain(given, 0, NOBODY)
    assert found is not None
    assert found.members == ()
