"""Flows summed down a tree of pipes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.kernels.peaks import order_down, peak_factor, people_equivalents, sum_down


@st.composite
def trees(draw: st.DrawFn) -> list[int]:
    """Parents of a random forest, in a random order."""
    count = draw(st.integers(1, 30))
    parents = [draw(st.integers(-1, i - 1)) for i in range(count)]
    places = draw(st.permutations(range(count)))
    moved = [-1] * count
    for i, parent in enumerate(parents):
        moved[places[i]] = places[parent] if parent >= 0 else -1
    return moved


@given(trees())
def test_every_pipe_comes_before_the_one_it_flows_into(parent: list[int]) -> None:
    place = {int(pipe): i for i, pipe in enumerate(order_down(parent))}
    assert all(place[i] < place[down] for i, down in enumerate(parent) if down >= 0)


@given(trees())
def test_what_joins_the_tree_leaves_it(parent: list[int]) -> None:
    total = sum_down(np.ones(len(parent)), parent)
    assert sum(total[i] for i, down in enumerate(parent) if down < 0) == len(parent)


def test_sums_worked_by_hand() -> None:
    # 0 and 1 flow into 2, 2 and 3 into 4
    assert sum_down([1.0, 2.0, 4.0, 8.0, 16.0], [2, 2, 4, 4, -1]).tolist() == [1, 2, 7, 8, 31]


def test_columns_are_summed_each() -> None:
    assert sum_down([[1.0, 10.0], [2.0, 20.0]], [1, -1]).tolist() == [[1, 10], [3, 30]]


def test_a_circle_is_refused() -> None:
    with pytest.raises(ValueError, match="2 pipes flow in a circle"):
        sum_down([1.0, 1.0, 1.0], [1, 0, -1])


def test_a_given_flow_counts_as_the_people_who_would_make_it() -> None:
    # 378.5 L/d a person: 1 L/s is 86,400 / 378.5 = 228.27 people
    one = 0.3785 / 86_400
    assert people_equivalents([2.5, 2.5], [np.nan, 0.001], one).tolist() == [
        2.5, pytest.approx(228.27, abs=0.005)
    ]  # fmt: skip


@given(st.floats(0, 1e7), st.floats(1, 10))
def test_more_people_never_have_a_greater_peak_factor(people: float, more: float) -> None:
    assert peak_factor(people * more, 4.5) <= peak_factor(people, 4.5) * (1 + 1e-15)


@given(st.floats(0, 1e7), st.floats(1.0, 4.5))
def test_the_peak_factor_is_capped(people: float, most: float) -> None:
    assert float(peak_factor(people, most)) <= most
