"""Every layout of a small place is listed: against trying every one by separate code."""

from __future__ import annotations

import math

import numpy as np
import pytest

from planner.kernels.layout_instance import ENDED, SPLIT, Instance
from planner.kernels.layout_list import list_layouts
from planner.kernels.layout_walk import walk_layout
from tests.layout.cases import hamlet
from tests.layout.enumeration import down, price, served, trees


def undivided(instance: Instance) -> Instance:
    """The instance without streets divided at a crest."""
    price = instance.ends.price.copy()
    price[:, SPLIT] = math.inf
    return instance._replace(ends=instance.ends._replace(price=price))


def tried(instance: Instance) -> list[float]:
    """Prices of all layouts in which something flows into every node that is left, ascending."""
    found = []
    for choice in trees(instance):
        for ways in served(instance, choice):
            into = {down(instance, choice, v) for v in choice}
            for e, way in ways.items():
                for node, level in (
                    (instance.links.b[e], instance.ends.into_b[e, way]),
                    (instance.links.a[e], instance.ends.into_a[e, way]),
                ):
                    into |= {int(node)} if math.isfinite(level) else set()
            if set(choice) <= into:
                found.append(price(instance, choice, ways))
    return sorted(cost for cost in found if math.isfinite(cost))


@pytest.mark.parametrize("seed", range(24))
def test_all_are_listed_in_the_order_of_their_prices(seed: int) -> None:
    instance = undivided(hamlet(4 + seed % 3, 6 + seed % 3, seed))
    listed = list_layouts(instance, 5_000)
    assert listed is not None
    costs = [walk_layout(instance, use).cost for use in listed]
    assert costs == pytest.approx(tried(instance))


@pytest.mark.parametrize("seed", range(8))
def test_every_one_listed_is_a_layout_and_stands_there_once(seed: int) -> None:
    instance = undivided(hamlet(6, 8, seed))
    listed = list_layouts(instance, 5_000)
    assert listed is not None
    assert not any(walk_layout(instance, use).faults for use in listed)
    assert len({use.tobytes() for use in listed}) == len(listed)


def test_more_than_are_wanted_are_not_listed() -> None:
    instance = undivided(hamlet(6, 9, 3))
    every = list_layouts(instance, 5_000)
    assert every is not None
    assert list_layouts(instance, len(every) - 1) is None


def test_no_sewer_begins_where_nothing_joins_it() -> None:
    instance = undivided(hamlet(7, 9, 5))
    for use in list_layouts(instance, 5_000) or []:
        links = instance.links
        into = {int((links.b, links.a)[u % 2][e]) for e, u in enumerate(use) if 0 <= u < ENDED}
        into |= {int((links.b, links.a)[u - ENDED][e]) for e, u in enumerate(use) if u >= ENDED}
        leaves = {int((links.a, links.b)[u][e]) for e, u in enumerate(use) if 0 <= u < ENDED}
        assert leaves <= into
        assert np.all(use < ENDED + SPLIT)
