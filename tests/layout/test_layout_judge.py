"""The search against a programme written anew for HiGHS, with depth that accumulates."""

from __future__ import annotations

import numpy as np
import pytest

from planner.kernels.layout_instance import Instance
from planner.kernels.layout_plan import Effort, find_layout
from tests.layout.cases import Place, hamlet, town
from tests.layout.enumeration import cheapest
from tests.layout.judge import judge

PLACES = (
    Place(),
    Place(required=0.3, slope=0.01),
    Place(required=0.5, tie_ins=2, slope=0.008),
)


def case_of(seed: int) -> Instance:
    return town(12 + 2 * seed, 70 + seed, PLACES[seed % 3])


@pytest.mark.parametrize("seed", range(12))
def test_the_search_reaches_the_proven_optimum_within_a_hundredth(seed: int) -> None:
    case = case_of(seed)
    found = find_layout(case, Effort(nodes=0))
    required = case.links.required.copy()
    required[found.unserved.link] = False
    judged = judge(case._replace(links=case.links._replace(required=required)))
    assert judged.proven
    assert judged.cost * (1 - 1e-6) <= found.cost <= judged.cost * 1.01
    assert found.bound <= judged.cost * (1 + 1e-6)


@pytest.mark.parametrize("seed", range(8))
def test_the_judge_agrees_with_enumeration(seed: int) -> None:
    case = hamlet(6, 8, seed)
    found = find_layout(case, Effort(changes=1, nodes=0))
    required = np.array(case.links.required)
    required[found.unserved.link] = False
    case = case._replace(links=case.links._replace(required=required))
    assert judge(case).cost == pytest.approx(cheapest(case), rel=1e-6)
