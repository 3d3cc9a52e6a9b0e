"""Groups of directions at pits, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from planner.kernels.turns import (
    direction_keys,
    group_ranges,
    number_groups,
    pair_groups,
    wrap,
)


def grouped(azimuth: list[float], *, fine: bool) -> list[int]:
    pit = np.zeros(len(azimuth), np.int64)
    keys = direction_keys(np.array(azimuth), pit, np.zeros(1), np.array([fine]))
    group, _, _ = number_groups(pit, pit, keys, 1)
    return group.tolist()


def test_a_turn_is_the_shorter_way_round() -> None:
    assert wrap(np.array([350.0, -350.0, 180.5])).tolist() == [-10.0, 10.0, -179.5]


def test_directions_near_the_street_are_one_group() -> None:
    found = grouped([-4.9, 0.0, 4.9, 6.0, -30.0], fine=False)
    assert found[0] == found[1] == found[2]
    assert len(set(found)) == 3


def test_parallel_legs_are_a_group_of_their_own_where_turns_are_told_apart() -> None:
    found = grouped([45.0, 45.0, 45.0, 45.4, 44.6], fine=True)
    assert found[0] == found[1] == found[2]
    assert found[3] != found[0] != found[4]


def test_the_turns_of_two_groups_lie_between_those_of_their_nearest_and_furthest_legs() -> None:
    """Hand calculation: one group from -2 to 3, the other from 80 to 85: 77 to 87."""
    out = group_ranges(np.array([80.0, 85.0]), np.zeros(2, np.int64), 1)
    into = group_ranges(np.array([-2.0, 3.0]), np.zeros(2, np.int64), 1)
    starts = np.array([0, 1])
    _, _, least, most = pair_groups(starts, starts, out, into)
    assert least.tolist() == pytest.approx([77.0])
    assert most.tolist() == pytest.approx([87.0])


def test_groups_that_overlap_may_hold_no_turn_at_all() -> None:
    """Hand calculation: one group from -2 to 3, the other from 1 to 9: 0 to 11."""
    out = group_ranges(np.array([1.0, 9.0]), np.zeros(2, np.int64), 1)
    into = group_ranges(np.array([-2.0, 3.0]), np.zeros(2, np.int64), 1)
    starts = np.array([0, 1])
    _, _, least, most = pair_groups(starts, starts, out, into)
    assert (least.tolist(), most.tolist()) == ([0.0], pytest.approx([11.0]))


def test_pairs_are_made_within_each_pit_only() -> None:
    """Hand calculation: pits with 2 x 1, 0 x 3 and 1 x 2 groups: 2 + 0 + 2 pairs."""
    out_start, in_start = np.array([0, 2, 2, 3]), np.array([0, 1, 4, 6])
    flat = (np.zeros(6), np.zeros(6), np.zeros(6))
    out, into, _, _ = pair_groups(out_start, in_start, flat, flat)
    assert list(zip(out.tolist(), into.tolist(), strict=True)) == [(0, 0), (1, 0), (2, 4), (2, 5)]


def test_a_group_across_the_south_is_not_torn() -> None:
    ranges = group_ranges(np.array([179.0, -179.0]), np.zeros(2, np.int64), 1)
    assert ranges[2][0] - ranges[1][0] == pytest.approx(2.0)
