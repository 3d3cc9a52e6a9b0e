"""The best layout of a small place is listed, and no search finds a cheaper one."""

from __future__ import annotations

import numpy as np
import pytest

from planner.kernels.layout_best import MOST_LISTED, find_best_layout
from planner.kernels.layout_choices import with_tie_ins
from planner.kernels.layout_list import list_layouts
from planner.kernels.layout_plan import Effort, find_layout
from tests.kernels.layouts import instance_of
from tests.layout.cases import hamlet, town

QUICK = Effort(changes=20_000, rounds=1)


@pytest.mark.parametrize("seed", range(24))
def test_no_search_beats_the_list_of_a_small_place(seed: int) -> None:
    instance = hamlet(4 + seed % 3, 6 + seed % 3, seed)
    listed, searched = find_best_layout(instance), find_layout(instance)
    if listed.proven_by == "listing":
        assert (listed.changes, listed.gap, listed.walked.faults) == (0, 0.0, ())
    assert listed.cost == pytest.approx(searched.cost, rel=1e-9)
    assert listed.bound <= searched.cost * (1 + 1e-9)
    assert np.array_equal(listed.unserved.link, searched.unserved.link)


def test_most_small_places_are_listed() -> None:
    told = [find_best_layout(hamlet(4 + k % 3, 6 + k % 3, k), QUICK).proven_by for k in range(24)]
    assert told.count("listing") >= 12


def test_a_place_with_more_layouts_is_searched() -> None:
    instance = town(30, 1)
    assert list_layouts(instance, MOST_LISTED, divided=True) is None
    found = find_best_layout(instance, QUICK)
    assert found.changes > 0
    assert found.cost == find_layout(instance, QUICK).cost


def test_a_tie_in_that_can_take_too_little_is_told_as_by_the_search() -> None:
    """Two streets of 10 people in line, and a tie-in that can take 15."""
    instance = instance_of([100.0, 99.0, 98.0][::-1], [(0, 1), (1, 2)], spare=15.0)
    assert find_best_layout(instance, QUICK).over.tolist() == [5.0]


def test_where_no_tie_in_is_left_nothing_can_be_served() -> None:
    place = town(30, 1)
    found = find_best_layout(with_tie_ins(place, []), QUICK)
    assert found.unserved.link.size == place.links.required.sum()
