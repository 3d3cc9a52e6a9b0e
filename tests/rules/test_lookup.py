"""Clearances by kind and quality, and tables with steps."""

from __future__ import annotations

from typing import Any

import pytest

from planner.model import Figure, Figures
from planner.rules import load_book, required_clearance, stepped, sum_of_steps

STEPS = Figures({"price": Figure({"1.5": 100.0, "6.1": 900.0}, "USD", "")})


def clearance(kind: str, quality: str, **rules: Any) -> float:
    return required_clearance(load_book("us-ten-states", {"rules": rules}).rules, kind, quality)


@pytest.mark.parametrize(
    ("kind", "quality", "required"),
    [
        ("water", "A", 0.30),
        ("water", "B", 0.60),
        ("telecom", "D", 0.60),
        ("gas", "A", 0.45),
        ("oil", "C", 0.90),
        ("steam", "D", 0.90),
        ("electric", "B", 0.90),
        ("unknown", "D", 0.60),
    ],
)
def test_clearance_is_the_table_times_the_factor_of_the_kind(
    kind: str, quality: str, required: float
) -> None:
    assert clearance(kind, quality) == required


def test_one_number_is_kept_to_every_kind_without_factor() -> None:
    assert {clearance(kind, "D", clearance_m=0.5) for kind in ("gas", "water")} == {0.5}


def test_a_kind_in_the_table_is_fixed_without_factor() -> None:
    assert clearance("gas", "A", clearance_m={"gas": 0.8}) == 0.8


def test_a_quality_in_the_table_keeps_the_factor() -> None:
    assert clearance("gas", "A", clearance_m={"A": 0.4}) == pytest.approx(0.6)


def test_one_factor_holds_for_every_kind() -> None:
    assert clearance("water", "A", clearance_factor=2.0) == 0.6


@pytest.mark.parametrize(("at", "value"), [(1.0, 100.0), (1.5, 100.0), (6.0, 100.0), (7.0, 900.0)])
def test_a_step_holds_up_to_the_next(at: float, value: float) -> None:
    assert stepped(STEPS, "price", at) == value


@pytest.mark.parametrize(("at", "value"), [(1.0, 0.0), (1.5, 100.0), (6.1, 1000.0)])
def test_steps_reached_add_up(at: float, value: float) -> None:
    assert sum_of_steps(STEPS, "price", at) == value
