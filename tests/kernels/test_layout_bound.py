"""Lower bounds: never above the best layout, whoever proposes the multipliers."""

from __future__ import annotations

import numpy as np
import pytest

from planner.kernels.layout_ascent import dual_ascent
from planner.kernels.layout_bound import (
    branch_and_bound,
    find_bound,
    weigh,
    without_hopeless,
)
from planner.kernels.layout_instance import net_of
from planner.kernels.layout_program import least_prices, program_of
from planner.kernels.layout_walk import walk_layout
from tests.kernels.layouts import instance_of, narrowed
from tests.layout.cases import hamlet, town
from tests.layout.enumeration import cheapest


def test_dual_ascent_solves_a_chain() -> None:
    case = instance_of([100.0] * 3, [(0, 1), (1, 2)], required=[False, True], end=60.0)
    # the far street ends in the middle node for 60, which is carried down for 100 + a pit of 10
    ascent = dual_ascent(net_of(case), least_prices(net_of(case)), np.zeros(2))
    assert ascent.bound == pytest.approx(170.0)


def test_dual_ascent_charges_a_street_once_for_two() -> None:
    case = instance_of([100.0] * 3, [(0, 1), (1, 2), (1, 2)], required=[False, True, True])
    ascent = dual_ascent(net_of(case), least_prices(net_of(case)), np.zeros(3))
    assert ascent.bound == pytest.approx(2 * 60 + 110)


@pytest.mark.parametrize("seed", range(12))
def test_no_bound_exceeds_the_best_of_all_layouts(seed: int) -> None:
    case, net, _ = narrowed(hamlet(6, 8, seed))
    best = cheapest(case)
    bound = find_bound(net)
    assert max(bound.price, bound.ascent, bound.relaxed) <= best * (1 + 1e-9)


@pytest.mark.parametrize("seed", range(12))
def test_any_multipliers_prove_a_bound(seed: int) -> None:
    case, net, _ = narrowed(hamlet(6, 8, seed))
    program = program_of(net)
    random = np.random.default_rng(seed)
    proposed = random.normal(0, 1e5, len(program.least))
    assert weigh(program, proposed)[0] <= cheapest(case)


@pytest.mark.parametrize("seed", range(12))
def test_leaving_out_the_hopeless_keeps_the_best(seed: int) -> None:
    case, net, _ = narrowed(hamlet(6, 8, seed))
    best = cheapest(case)
    left = without_hopeless(net, find_bound(net), best)
    proof = branch_and_bound(left, program_of(left), 1000)
    assert proof.use is not None
    assert walk_layout(case, proof.use).cost == pytest.approx(best)


@pytest.mark.parametrize("seed", range(6))
def test_branch_and_bound_closes_on_its_own_layout(seed: int) -> None:
    case, net, _ = narrowed(town(40, seed))
    proof = branch_and_bound(net, program_of(net), 2000)
    assert proof.use is not None
    walked = walk_layout(case, proof.use)
    assert walked.faults == ()
    assert proof.bound == pytest.approx(walked.cost, rel=1e-5)
    assert proof.bound <= walked.cost


def test_depth_carried_downstream_enters_the_bound() -> None:
    chain = [(k, k + 1) for k in range(4)]
    deep = instance_of([100.0] * 5, chain, price_depth=50.0, room=9.0)
    flat = instance_of([100.0] * 5, chain, price_depth=0.0, room=9.0)
    # three are carried, the last ends in node 3: mean depths 0.5, 1.5 and 2.5 m
    gain = find_bound(net_of(deep)).price - find_bound(net_of(flat)).price
    assert gain == pytest.approx(50 * 4.5, rel=1e-4)
