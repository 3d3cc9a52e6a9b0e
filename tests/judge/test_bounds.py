"""What budgets leave out is never part of the best plan, and bounds never exceed a plan's cost."""

from __future__ import annotations

import math

import numpy as np
import pytest

from planner.kernels import optimum, stretches
from planner.kernels.bounds import bound_prices, make_budget
from planner.kernels.desk import make_desk
from planner.kernels.optimum import (
    Instance,
    Optimum,
    fill,
    find_cost,
    find_optimum,
    prices_of_root,
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
    return min(prices_of_root(instance, filled, int(roots[0])))


def full_cost(instance: Instance) -> float:
    """Cost by tables of all pits at all levels."""
    filled = fill(instance)
    return sum(min(prices_of_root(instance, filled, root)) for root in instance.roots.tolist())


def without_budgets(monkeypatch: pytest.MonkeyPatch, instance: Instance) -> Optimum | None:
    with monkeypatch.context() as patch:
        patch.setattr(optimum, "MANY_LEGS", math.inf)
        return find_optimum(instance)


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
        assert same_plan(find_optimum(instance), without_budgets(monkeypatch, instance))


def test_a_budget_that_just_holds_leaves_the_best_plan() -> None:
    for instance in instances():
        cost = full_cost(instance)
        if math.isfinite(cost):
            assert within(instance, cost) == pytest.approx(cost, rel=SAME)


def test_no_budget_makes_a_plan_cheaper_than_the_best() -> None:
    for instance in instances()[:60]:
        cost = full_cost(instance)
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


def test_a_known_cost_finds_the_same_plan(monkeypatch: pytest.MonkeyPatch) -> None:
    """The cost of the plan itself, a higher one, and one that does not hold."""
    for instance in instances()[:60]:
        cost = full_cost(instance)
        plan = without_budgets(monkeypatch, instance)
        for known in (cost, 1.3 * cost, 0.7 * cost) if math.isfinite(cost) else ():
            assert same_plan(find_optimum(instance, known), plan)


@pytest.mark.parametrize("pits", [1, 2, 5])
def test_tables_stretch_by_stretch_find_the_same_plan(
    monkeypatch: pytest.MonkeyPatch, pits: int
) -> None:
    """Wherever the pits are cut into stretches."""
    plans = [without_budgets(monkeypatch, instance) for instance in instances()]
    monkeypatch.setattr(stretches, "MOST_ENTRIES", 0)
    monkeypatch.setattr(optimum, "MANY_LEGS", math.inf)
    monkeypatch.setattr(stretches, "_cut", lambda sizes, *_: (list(range(0, len(sizes), pits)), 0))
    assert max(len(plan.level) for plan in plans if plan is not None) >= 10
    for instance, plan in zip(instances(), plans, strict=True):
        assert same_plan(find_optimum(instance), plan)


def test_a_long_street_is_cut_so_that_little_is_there_at_once() -> None:
    """Pits of one size that are looked at up to 20 pits farther on, 10,000 of them."""
    sizes, last = np.full(10_000, 10), np.minimum(np.arange(10_000) + 20, 9_999)
    start, need = stretches._cut(sizes, last)
    length = np.diff([*start, len(sizes)])
    kept = 20 * 10 * (len(start) - 1)
    assert length.sum() == len(sizes)
    assert need == 10 * length.max() + kept < 0.15 * sizes.sum()


def test_streets_apart_cost_what_each_costs(monkeypatch: pytest.MonkeyPatch) -> None:
    """Several roots, each with its own tables."""
    arrays = with_a_plan()
    one, three = as_instance(arrays), as_instance(repeated(arrays, 3))
    assert find_cost(three) == pytest.approx(3 * find_cost(one), rel=SAME)
    assert same_plan(find_optimum(three), without_budgets(monkeypatch, three))


def test_too_little_room_for_tables_is_made_more() -> None:
    instance = as_instance(with_a_plan())
    assert within(instance, math.inf) == pytest.approx(find_cost(instance), rel=SAME)
