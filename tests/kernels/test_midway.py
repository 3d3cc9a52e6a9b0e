"""Two legs in line as one: falls by trying them all, and rows by holding them against both legs."""

from __future__ import annotations

import numpy as np
import pytest

from planner.kernels.midway import Rows, fall_above, join_rows, whole_falls


@pytest.mark.parametrize("seed", range(20))
def test_the_falls_of_the_whole_are_those_that_leave_both_legs_a_legal_one(seed: int) -> None:
    """Invariant: the window holds just those falls whose nearest level suits both legs."""
    rng = np.random.default_rng(seed)
    share = float(rng.uniform(0.1, 0.9))
    high, low = (np.sort(rng.integers(1, 60, 2)) for _ in range(2))
    fits = [
        fall
        for fall in range(200)
        if high[0] <= fall_above(share, fall) <= high[1]
        and low[0] <= fall - fall_above(share, fall) <= low[1]
    ]
    least, most = whole_falls(share, high, low)
    assert list(range(least, most + 1)) == fits


@pytest.mark.parametrize("seed", range(20))
def test_the_pit_between_stands_on_the_level_nearest_to_the_line(seed: int) -> None:
    rng = np.random.default_rng(seed)
    share, fall = float(rng.uniform(0.1, 0.9)), int(rng.integers(1, 500))
    assert abs(fall_above(share, fall) - share * fall) <= 0.5 + 1e-8


def test_joined_rows_hold_where_the_rows_of_both_legs_hold() -> None:
    """By hand: rows of 10 at either end of the upper leg, of 8 in the middle of the lower.

    The pit between at 0.4 of the way: places 0, 0.4 and 0.4 + 0.5 x 0.6 = 0.7.
    """
    none = np.zeros(1, np.int64)
    rows = Rows(
        np.array([0, 2, 3]), np.array([0.0, 1.0, 0.5]), np.array([10.0, 10.0, 8.0]),
        np.zeros(3, np.int64), none, none, np.empty(0), np.empty(0),
    )  # fmt: skip
    joined = join_rows(rows, np.array([[0, 1]]), np.array([0.4]))
    assert joined.row_t.tolist() == pytest.approx([0.0, 0.7])
    assert joined.row_h.tolist() == pytest.approx([10.0, 8.0])
