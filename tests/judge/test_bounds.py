"""What budgets leave out is never part of the best plan, and bounds never exceed a plan's cost."""

from __future__ import annotations

import math

import numpy as np
import pytest

from planner.kernels import optimum
from planner.kernels.bounds import bound_prices, make_budget
from planner.kernels.desk import make_desk
from planner.kernels.optimum import (
    Instance,
    Optimum,
    fill,
    find_cost,
    find_optimum,
    least_cost,
    walk_optimum,
)
from planner.kernels.tables import fill_within, make_filled
from tests.judge.instance_file import Arrays
from tests.judge.ours import as_instance
from tests.judge.random_instances import Measure, random_instance
from tests.judge.repeated import repeated

SEEDS = range(2000, 2150)
TREES = Measure(strings=4, offsets=2, span=20)
SAME = 1e-9
REWARD = 1e7  # many times what a plan of these instances costs
ROUNDING = 1e-6  # of sums with the reward in them


def instances() -> list[Instance]:
    plain = [as_instance(random_instance(seed)) for seed in SEEDS]
    return plain + [as_instance(random_instance(seed, TREES)) for seed in SEEDS[:30]]


def with_a_plan() -> Arrays:
    """The first random instance that has one."""
    some = (random_instance(seed, TREES) for seed in SEEDS)
    return next(arrays for arrays in some if math.isfinite(find_cost(as_instance(arrays))))


def within(instance: Instance, most: float) -> float:
    """Cost of the best plan that a budget leaves, for an instance with one root."""
    pits, groups, legs, drops, roots = instance
    bounds = bound_prices(pits, groups, legs, roots)
    filled = fill_within(
        np.arange(len(pits.low)), pits, groups, legs, drops, make_filled(pits, groups, 1),
        make_budget(most, bounds), make_desk(pits, groups, legs),
    )  # fmt: skip
    return least_cost(instance, filled)


def same_plan(one: Optimum | None, other: Optimum | None) -> bool:
    if one is None or other is None:
        return one is other
    columns = zip(one[1:5], other[1:5], strict=True)
    return math.isclose(one.cost, other.cost, rel_tol=SAME) and all(
        np.array_equal(a, b) for a, b in columns
    )


def test_budgets_find_the_plan_that_is_found_without(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(optimum, "MANY_LEGS", 1)
    monkeypatch.setattr(optimum, "WORTH_A_PASS", 2.0)
    for instance in instances():
        assert same_plan(find_optimum(instance), walk_optimum(instance, fill(instance)))


def test_a_budget_that_just_holds_leaves_the_best_plan() -> None:
    for instance in instances():
        cost = least_cost(instance, fill(instance))
        if math.isfinite(cost):
            assert within(instance, cost) == pytest.approx(cost, rel=SAME)


def test_no_budget_makes_a_plan_cheaper_than_the_best() -> None:
    for instance in instances()[:60]:
        cost = least_cost(instance, fill(instance))
        for part in (0.9, 0.99, 0.999, 1.001, 1.2):
            assert within(instance, part * cost) >= cost * (1.0 - SAME)


def test_a_leg_s_bound_is_no_more_than_the_cheapest_plan_that_uses_it() -> None:
    """A reward for the leg, greater than any plan's cost, makes the best plan use it."""
    checked = 0
    for instance in instances()[:40]:
        least = bound_prices(*instance[:3], instance.roots).leg
        for leg in range(len(least)):
            price = instance.legs.price.copy()
            price[leg] -= REWARD
            easier = instance._replace(legs=instance.legs._replace(price=price))
            cost = find_cost(easier) + REWARD
            if cost < REWARD / 2:
                assert least[leg] <= cost * (1.0 + SAME) + ROUNDING
                checked += 1
    assert checked > 500


def test_streets_apart_cost_what_each_costs() -> None:
    """Several roots, each with its own tables."""
    arrays = with_a_plan()
    one, three = as_instance(arrays), as_instance(repeated(arrays, 3))
    assert find_cost(three) == pytest.approx(3 * find_cost(one), rel=SAME)
    assert same_plan(find_optimum(three), walk_optimum(three, fill(three)))


def test_too_little_room_for_tables_is_made_more() -> None:
    instance = as_instance(with_a_plan())
    assert within(instance, math.inf) == pytest.approx(find_cost(instance), rel=SAME)
