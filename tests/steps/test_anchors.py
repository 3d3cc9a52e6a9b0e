"""Anchors on steep slopes: their spacing by slope, their number, and when they are advised."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from planner.model import FOOT
from planner.rules import load_book
from planner.steps.anchors import advise_anchors, anchor_spacings, count_anchors

US = load_book("us-ten-states")

# Recommended Standards for Wastewater Facilities, clause 33.46, from memory: slope in %, feet apart
CLAUSE = [(20.0, 36), (34.9, 36), (35.0, 24), (49.9, 24), (50.0, 16), (80.0, 16)]


@pytest.mark.parametrize(("slope", "feet"), CLAUSE)
def test_the_spacing_is_that_of_the_clause(slope: float, feet: float) -> None:
    assert anchor_spacings(US, slope) / FOOT == pytest.approx(feet, abs=0.1)


def test_below_20_percent_there_are_none() -> None:
    assert np.isinf(anchor_spacings(US, [0.4, 19.99])).all()
    assert count_anchors(US, [0.4, 19.99], [90.0, 90.0]).tolist() == [0, 0]


def test_a_length_has_as_many_as_its_spacing_asks_for() -> None:
    # 44 m / 11 m = 4; 44.1 m needs 5; 44 m / 7.3 m = 6.03: 7
    assert count_anchors(US, [20.0, 20.0, 35.0], [44.0, 44.1, 44.0]).tolist() == [4, 5, 7]


def test_a_steep_leg_is_told_with_the_number_and_spacing() -> None:
    legs = pd.DataFrame({"leg_id": ["L1", "L2"], "slope_pct": [5.0, 22.0], "length_m": [50.0] * 2})
    (row,) = advise_anchors(US, legs)
    assert (row["subject"], row["value"], row["limit"]) == ("L2", 22.0, 20.0)
    assert row["severity"] == "advice"
    assert row["remedy"] == "hold the pipe with 5 anchors, at most 11 m apart"


def test_one_number_in_place_of_the_table_holds_from_the_greatest_slope_on() -> None:
    book = load_book("us-ten-states", {"rules": {"anchor_spacing_m": 9.0, "max_slope_pct": 15.0}})
    assert anchor_spacings(book, [14.0, 15.0]).tolist() == [np.inf, 9.0]
