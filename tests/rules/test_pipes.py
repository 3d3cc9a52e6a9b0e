"""Sizes of pipes: what the standards sell, and what it counts as."""

from __future__ import annotations

from typing import Any

import pytest

from planner.model import RuleBook
from planner.rules import (
    RULE_SETS,
    PipeSize,
    load_book,
    pipe_sizes,
    pipe_table,
    pressure_sizes,
    series_sizes,
)

# ASTM D3034: outside diameter by nominal inch
D3034 = {100: 4.215, 150: 6.275, 200: 8.400, 250: 10.500, 300: 12.500, 375: 15.300}


def book(**rules: Any) -> RuleBook:
    return load_book("us-ten-states", {"rules": rules})


def sold(series: str) -> dict[float, PipeSize]:
    return {pipe.sold_as_mm: pipe for pipe in pipe_table() if pipe.series == series}


@pytest.mark.parametrize("nominal", D3034)
def test_plastic_pipe_has_the_outside_diameter_of_its_standard(nominal: int) -> None:
    found = [sold(series)[nominal].outside_mm for series in ("pvc-sdr35", "pvc-sdr26")]
    assert found == pytest.approx([D3034[nominal] * 25.4] * 2, abs=1e-3)


@pytest.mark.parametrize("nominal", D3034)
def test_the_wall_of_sdr_26_is_a_26th_of_the_outside(nominal: float) -> None:
    pipe = sold("pvc-sdr26")[nominal]
    wall = (pipe.outside_mm - pipe.inside_mm) / 2
    assert wall == pytest.approx(pipe.outside_mm / 26, abs=0.0005 * 25.4)


@pytest.mark.parametrize("pipe", pipe_table(), ids=lambda p: f"{p.series} {p.sold_as_mm:g}")
def test_a_pipe_has_a_wall(pipe: PipeSize) -> None:
    assert 0.5 * pipe.outside_mm < pipe.inside_mm < pipe.outside_mm


def test_larger_sizes_are_larger_inside_and_outside() -> None:
    for series in {pipe.series for pipe in pipe_table()}:
        rows = sorted(sold(series).values(), key=lambda pipe: pipe.sold_as_mm)
        inside = [pipe.inside_mm for pipe in rows]
        outside = [pipe.outside_mm for pipe in rows]
        assert (inside, outside) == (sorted(inside), sorted(outside)), series


@pytest.mark.parametrize("rule_set", RULE_SETS)
def test_sizes_ascend_and_every_method_has_some(rule_set: str) -> None:
    sizes = pipe_sizes(load_book(rule_set))
    nominal = [size.nominal_mm for size in sizes]
    assert nominal == sorted(nominal)
    assert {size.method for size in sizes} == {"jacked", "pulled back"}


def test_no_size_is_below_the_smallest_allowed() -> None:
    assert min(size.nominal_mm for size in pipe_sizes(book(min_diameter_mm=300.0))) == 300.0


def test_a_narrow_pipe_counts_as_the_next_size_down() -> None:
    # DR 11 of 10 in: inside 8.678 in = 220.4 mm, 0.88 of 250 mm, so it counts as 200 mm
    counted = {pipe.sold_as_mm: pipe.nominal_mm for pipe in
               series_sizes(book(), "pe-dr11", "pulled back")}  # fmt: skip
    assert counted[250.0] == 200.0


def test_a_pipe_that_is_wide_enough_counts_as_itself() -> None:
    # DR 17 of 8 in: inside 7.549 in = 191.7 mm, 0.96 of 200 mm
    sizes = series_sizes(book(), "pe-dr17", "pulled back")
    assert sizes[0].nominal_mm == sizes[0].sold_as_mm == 200.0


def test_a_looser_ratio_lets_the_narrow_pipe_count_as_itself() -> None:
    sizes = series_sizes(book(min_inside_ratio=0.8), "pe-dr11", "pulled back")
    assert [size.nominal_mm for size in sizes] == [size.sold_as_mm for size in sizes]


@pytest.mark.parametrize("rule_set", RULE_SETS)
def test_pressure_pipe_is_pressure_rated(rule_set: str) -> None:
    sizes = pressure_sizes(load_book(rule_set))
    assert sizes
    assert all(size.pressure_rated for size in sizes)
