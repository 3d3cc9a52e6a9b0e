"""The search as a whole: what it promises, fixed choices, and alternatives."""

from __future__ import annotations

import numpy as np
import pytest

from planner.kernels.layout_alternatives import LEAST_SHARE, difference, find_alternatives
from planner.kernels.layout_choices import (
    price_choice,
    with_carrying,
    with_direction,
    with_pit,
    with_tie_ins,
    without_carrying,
    without_link,
    without_tie_in,
)
from planner.kernels.layout_instance import TO_A, TO_B, FlowClasses
from planner.kernels.layout_plan import Effort, find_layout
from tests.kernels.layouts import instance_of
from tests.layout.cases import Place, town

QUICK = Effort(changes=20_000, rounds=1, nodes=0)
SQUARE = ([100.0] * 4, [(0, 1), (1, 2), (2, 3), (0, 3)])
TWO_ENDS = ([100.0] * 4, [(0, 1), (1, 2), (2, 3)])


def test_the_same_seed_gives_the_same_layout() -> None:
    case = town(80, 1)
    one, other = find_layout(case, QUICK, seed=4), find_layout(case, QUICK, seed=4)
    assert np.array_equal(one.use, other.use)
    assert one.bound == other.bound


@pytest.mark.parametrize("seed", range(6))
def test_a_plan_never_claims_more_than_was_proven(seed: int) -> None:
    case = town(40, seed, Place(tie_ins=1 + seed % 2))
    quick, proven = find_layout(case, QUICK), find_layout(case)
    assert quick.bound <= proven.cost * (1 + 1e-9)
    assert proven.gap < 1e-5


def test_branch_and_bound_says_that_it_proved() -> None:
    found = find_layout(town(50, 3, Place(required=0.5)), Effort(changes=2_000))
    assert found.proven_by == "branch and bound"


def test_progress_is_told_and_only_improves() -> None:
    told: list[tuple[int, float, float]] = []
    find_layout(town(80, 1), Effort(changes=200_000), progress=lambda *row: told.append(row))
    costs = [cost for _, cost, _ in told]
    assert len(told) > 2
    assert costs == sorted(costs, reverse=True)


def test_a_search_that_is_stopped_keeps_its_best() -> None:
    found = find_layout(town(80, 1), stop=lambda: True)
    assert (found.changes, found.walked.faults) == (0, ())


def test_nothing_to_serve_costs_nothing() -> None:
    found = find_layout(instance_of([100.0, 99.0], [(0, 1)], required=[False]))
    assert (found.cost, found.bound, found.use.tolist()) == (0.0, 0.0, [-1])


def test_without_a_tie_in_nothing_is_served_and_that_is_told() -> None:
    found = find_layout(with_tie_ins(town(30, 1), []), QUICK)
    assert (found.use == -1).all()
    assert len(found.unserved.link) == town(30, 1).links.required.sum()


def test_the_rest_is_planned_around_what_gravity_cannot_serve() -> None:
    case = instance_of([100.0, 100, 100, 92], [(0, 1), (1, 2), (2, 3)], tie_ins=[(0, 95.0)])
    case.ends.into_a[2, 1] = 91.0  # the last street lies in a hollow
    found = find_layout(case, QUICK)
    assert found.unserved.link.tolist() == [2]
    assert found.walked.faults == ()


def test_the_way_with_room_is_taken_though_it_is_dearer() -> None:
    case = instance_of(*SQUARE, required=[False, True, False, False], tie_ins=[(0, 97.0)])
    assert find_layout(case, QUICK).use.tolist() == [1, 3, -1, -1]
    case.links.cap[0, TO_A] = 96.5  # from 1 to 0 the ground dips: too deep for the tie-in
    assert find_layout(case, QUICK).use.tolist() == [-1, 2, 0, 1]


def test_larger_pipes_save_depth() -> None:
    flat = FlowClasses(np.array([0.0, 25.0]), np.array([0.0, 0.005]), np.zeros(2))
    chain = [(k, k + 1) for k in range(4)]
    plain = find_layout(instance_of([100.0] * 5, chain, price_depth=50.0, room=9.0), QUICK)
    large = find_layout(
        instance_of([100.0] * 5, chain, price_depth=50.0, room=9.0, classes=flat), QUICK
    )
    # people 20, 30, 40 in the carried streets, from above: falls 1, 0.5, 0.5 instead of 1, 1, 1 m
    assert plain.cost - large.cost == pytest.approx(50 * (0.25 + 0.75))


def test_a_full_tie_in_sends_people_to_the_other() -> None:
    case = instance_of(*TWO_ENDS, tie_ins=[(0, 95.0), (3, 95.0)], spare=20.0)
    found = find_layout(case, QUICK)
    assert found.over.tolist() == [0.0, 0.0]
    assert found.walked.people[[0, 3]].max() <= 20.0


def test_people_beyond_all_tie_ins_are_counted() -> None:
    found = find_layout(instance_of(*TWO_ENDS, spare=20.0), QUICK)
    assert found.over.tolist() == [10.0]


def test_a_street_may_be_left_without_a_sewer() -> None:
    found = find_layout(without_link(instance_of(*SQUARE), 1), QUICK)
    assert found.use[1] == -1


def test_a_street_may_be_kept_from_carrying() -> None:
    case = instance_of(*SQUARE, required=[True, False, False, False])
    assert find_layout(without_carrying(case, 0), QUICK).use[0] == 3  # an end into the tie-in


def test_a_direction_may_be_fixed() -> None:
    case = instance_of(*SQUARE)
    for column in (TO_B, TO_A):
        found = find_layout(with_direction(case, 1, column), QUICK)
        assert found.use[1] in {column, 2 + column}


def test_a_street_may_have_to_carry() -> None:
    case = instance_of(*SQUARE, required=[True, False, False, False])
    found = find_layout(with_carrying(case, 2), QUICK)
    assert found.use[2] in {0, 1}
    assert found.walked.faults == ()


def test_a_tie_in_may_be_left_out() -> None:
    case = instance_of(*TWO_ENDS, tie_ins=[(0, 95.0), (3, 95.0)])
    found = find_layout(without_tie_in(case, 0), QUICK)
    assert np.isfinite(found.walked.invert[3])
    assert set(found.walked.tie[np.isfinite(found.walked.invert)].tolist()) == {0}


def test_a_pit_may_be_asked_for_and_its_price_is_shown() -> None:
    case = instance_of(*SQUARE, required=[True, False, False, False])
    free, chosen = find_layout(case), find_layout(with_pit(case, 3))
    price = price_choice(free, chosen)
    assert price.found == pytest.approx(110.0)  # a street carried and a pit
    assert price.least == pytest.approx(110.0, abs=0.01)


def test_forcing_never_makes_a_plan_cheaper() -> None:
    case = town(40, 2)
    free = find_layout(case, QUICK)
    for link in range(0, 40, 7):
        chosen = find_layout(without_carrying(case, link), QUICK)
        same = chosen.unserved.link.tolist() == free.unserved.link.tolist()
        assert not same or chosen.cost >= free.bound


def test_difference_counts_streets_that_flow_another_way() -> None:
    case = instance_of(*SQUARE)
    # link 0 alike (carried, or an end the same way), link 1 turned, link 2 only in the first
    one, other = np.array([1, 2, 1, 1]), np.array([3, 3, -1, 1])
    assert difference(case, one, other) == pytest.approx(0.5)


@pytest.mark.parametrize("tie_ins", [1, 3])
def test_alternatives_differ_in_substance(tie_ins: int) -> None:
    case = town(60, 5, Place(tie_ins=tie_ins))
    best = find_layout(case, QUICK)
    others = find_alternatives(case, best, 2, QUICK)
    assert len(others) == 2
    for other in others:
        assert other.share >= LEAST_SHARE or other.other_tie_ins
        assert other.found.walked.faults == ()
        assert other.found.cost >= best.bound
