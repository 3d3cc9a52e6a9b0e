"""Prices and levels of a layout: by hand, kept up to date, and walked by other code."""

from __future__ import annotations

import numpy as np
import pytest

from planner.kernels.layout_headroom import find_headroom
from planner.kernels.layout_instance import FlowClasses, Instance, net_of
from planner.kernels.layout_moves import NO_WAY
from planner.kernels.layout_paths import new_work
from planner.kernels.layout_search import Best, anneal, try_one
from planner.kernels.layout_start import start_state
from planner.kernels.layout_tree import price_all, take_back
from planner.kernels.layout_walk import over_capacity, walk_layout
from tests.kernels.layouts import instance_of, narrowed
from tests.layout.cases import town

CHAIN = ([100.0, 99.0, 101.0], [(0, 1), (1, 2)])
TWO_CLASSES = FlowClasses(np.array([0.0, 40.0]), np.array([0.0, 0.002]), np.array([0.0, 30.0]))


def busy(seed: int) -> Instance:
    """A town in which flow matters: larger pipes lie flatter, and one tie-in is nearly full."""
    case = town(60, seed)
    ties = case.ties._replace(spare=np.full(len(case.ties.node), 400.0))
    return case._replace(classes=TWO_CLASSES, ties=ties)


def test_a_chain_is_priced_by_its_true_depths() -> None:
    case = instance_of(*CHAIN, price_depth=8.0, pit_depth=3.0, drop=0.1)
    walked = walk_layout(case, np.array([1, 1]))
    # leaves node 2 at 101, arrives at 1 at its top 99; leaves there at 98.9; arrives at 0 at 97.9
    assert walked.invert == pytest.approx([97.8, 98.9, 101.0])
    # carried 2 x 100; mean depths (0 + 0) / 2 and (0.1 + 2.1) / 2; pits 2 x 10 + 3 x 0.1
    assert walked.cost == pytest.approx(200 + 8 * 1.1 + 20 + 0.3)


def test_the_deepest_inflow_fixes_a_node() -> None:
    case = instance_of([100.0, 100, 100, 103], [(0, 1), (1, 2), (1, 3)], tie_ins=[(0, 95.0)])
    walked = walk_layout(case, np.array([1, 1, 1]))
    assert walked.invert[1] == pytest.approx(99.0)  # from node 2; from node 3 it would be its top


def test_people_fix_the_class_of_a_pipe() -> None:
    classes = FlowClasses(np.array([0.0, 20.0]), np.array([0.0, 0.004]), np.array([0.0, 0.5]))
    case = instance_of(*CHAIN, classes=classes)
    walked = walk_layout(case, np.array([1, 1]))
    # 10 people in the upper street, 20 in the lower: it falls 0.6 m and costs 50 more
    assert walked.invert[0] == pytest.approx(99.0 - 0.6)
    assert walked.cost == pytest.approx(200 + 20 + 50)


@pytest.mark.parametrize("use", [[3, 3], [1, 3], [1, 1]])
def test_both_codes_price_a_chain_alike(use: list[int]) -> None:
    case = instance_of(*CHAIN, price_depth=8.0, pit_depth=3.0, drop=0.1, end=60.0)
    net = net_of(case)
    state, _ = start_state(net, find_headroom(net, case.nodes.top))
    state.use[:], state.out[:] = use, [-1, 1 if use[0] == 1 else -1, 3 if use[1] == 1 else -1]
    walked = walk_layout(case, np.array(use))
    assert bool(walked.faults) == (use == [3, 3])  # nothing leaves the middle node
    if not walked.faults:
        assert price_all(net, state) == pytest.approx(walked.cost)


@pytest.mark.parametrize("seed", range(4))
def test_every_change_is_priced_exactly(seed: int) -> None:
    _, net, room = narrowed(busy(seed))
    state, cost = start_state(net, room)
    random, work = np.array([seed], np.uint64), new_work(net)
    for _ in range(400):
        change = try_one(net, state, random, work)
        if change == NO_WAY:
            take_back(state)
            continue
        cost += change
        state.logged[0] = 0
        again = state._replace(depth=state.depth.copy(), people=state.people.copy())
        assert price_all(net, again) == pytest.approx(cost, rel=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_a_change_taken_back_leaves_no_trace(seed: int) -> None:
    _, net, room = narrowed(busy(seed))
    state, _ = start_state(net, room)
    random, work = np.array([seed], np.uint64), new_work(net)
    before = [column.copy() for column in state[:5]]
    for _ in range(400):
        try_one(net, state, random, work)
        take_back(state)
    assert all(np.array_equal(was, now) for was, now in zip(before, state[:5], strict=True))


@pytest.mark.parametrize("seed", range(4))
def test_the_best_of_a_search_walks_to_its_price(seed: int) -> None:
    case, net, room = narrowed(town(60, seed))
    state, cost = start_state(net, room)
    best = Best(state.use.copy(), state.out.copy(), np.array([cost]))
    anneal(net, state, best, np.array([9], np.uint64), new_work(net), 5000, 3e4, 3e2)
    walked = walk_layout(case, best.use)
    assert walked.faults == ()
    assert walked.cost == pytest.approx(best.cost[0], rel=1e-9)


def test_a_tie_in_that_is_given_too_much_is_told() -> None:
    case = instance_of(*CHAIN, spare=15.0)
    assert over_capacity(case, walk_layout(case, np.array([1, 1]))).tolist() == [5.0]


@pytest.mark.parametrize(
    ("use", "fault"),
    [
        ([0, 1, 1], "link 0 may not carry this way"),
        ([-1, 1, 1], "link 0 is required and not served"),
        ([1, 0, -1], "link 2 is required and not served"),
        ([3, 0, 1], "links run in a circle through 2 nodes"),
        ([3, 0, 3], "nothing leaves node 2"),
    ],
)
def test_what_is_no_layout_is_told(use: list[int], fault: str) -> None:
    case = instance_of([100.0] * 3, [(0, 1), (1, 2), (1, 2)])
    assert fault in walk_layout(case, np.array(use)).faults


def test_two_sewers_that_leave_one_node_are_told() -> None:
    case = instance_of([100.0] * 3, [(0, 1), (0, 2), (1, 2)])
    assert "two links leave node 1" in walk_layout(case, np.array([1, 1, 0])).faults


def test_too_deep_is_told_with_by_how_much() -> None:
    case = instance_of(*CHAIN, tie_ins=[(0, 98.5)])
    faults = walk_layout(case, np.array([1, 1])).faults
    assert faults == ("tie-in 0 lies 0.500 m too high",)
