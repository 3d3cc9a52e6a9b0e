"""The search, its bound and its exact sets against every layout there is."""

from __future__ import annotations

import numpy as np
import pytest

from planner.kernels.layout_choices import with_direction, without_carrying
from planner.kernels.layout_instance import TO_A, Instance
from planner.kernels.layout_plan import Effort, Found, find_layout
from tests.layout.cases import hamlet
from tests.layout.enumeration import cheapest

SEARCH = Effort(changes=20_000, rounds=1, nodes=0)
SIZES = [(4, 6), (5, 8), (6, 9), (7, 10), (8, 10), (9, 11), (10, 12), (11, 13), (12, 14), (12, 13)]


def hamlet_of(seed: int) -> Instance:
    return hamlet(*SIZES[seed % len(SIZES)], seed)


def of_what_is_served(case: Instance, found: Found) -> Instance:
    required = case.links.required.copy()
    required[found.unserved.link] = False
    return case._replace(links=case.links._replace(required=required))


@pytest.mark.parametrize("seed", range(50))
def test_the_search_finds_the_cheapest_of_all_layouts(seed: int) -> None:
    case = hamlet_of(seed)
    found = find_layout(case, SEARCH)
    best = cheapest(of_what_is_served(case, found))
    assert found.cost == pytest.approx(best, rel=1e-9)
    assert found.bound <= best


@pytest.mark.parametrize("seed", range(10))
def test_branch_and_bound_agrees(seed: int) -> None:
    case = hamlet_of(seed)
    found = find_layout(case, Effort(changes=1))
    best = cheapest(of_what_is_served(case, found))
    assert found.cost == pytest.approx(best, rel=1e-6)
    assert found.bound <= best


@pytest.mark.parametrize("seed", range(40))
def test_gravity_serves_a_street_exactly_when_some_layout_does(seed: int) -> None:
    case = hamlet(6, 8, seed)
    case = case._replace(ties=case.ties._replace(invert=case.ties.invert + 3.2))
    unserved = set(find_layout(case, Effort(changes=1, nodes=0)).unserved.link.tolist())
    for link in np.flatnonzero(case.links.required).tolist():
        alone = np.arange(len(case.links.a)) == link
        some = cheapest(case._replace(links=case.links._replace(required=alone)))
        assert np.isinf(some) == (link in unserved)


@pytest.mark.parametrize("seed", range(10))
def test_fixed_choices_lead_to_the_cheapest_that_keeps_them(seed: int) -> None:
    case = hamlet_of(seed)
    for changed in (without_carrying(case, 1), with_direction(case, 2, TO_A)):
        found = find_layout(changed, SEARCH)
        assert found.cost == pytest.approx(cheapest(of_what_is_served(changed, found)), rel=1e-9)
