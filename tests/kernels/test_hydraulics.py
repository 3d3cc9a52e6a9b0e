"""Depth, velocity, critical depth: machine precision, limits, and what must always hold."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.kernels.hydraulics import (
    critical_depth,
    depth_ratio,
    depth_ratios,
    flow_states,
    flow_velocity,
    froude,
    full_capacity,
    full_velocity,
    slope_at_depth,
)
from planner.kernels.part_full import (
    CELLS,
    FIRST_CELL,
    HIGH_CELLS,
    LOW_CELLS,
    SERIES_BELOW,
    TOP_CUBE,
    TOP_FLOW,
    TOP_RATIO,
    area_ratio,
    depth_at_cube,
    depth_at_flow_ratio,
    flow_ratio,
    radius_ratio,
    segment,
)
from planner.kernels.roughness import (
    TOP_DEPTH,
    depth_ratio_of_varying_n,
    depth_ratios_of_varying_n,
    flow_ratio_of_varying_n,
)

N = 0.013
DEPTHS = np.concatenate([np.geomspace(1e-9, 0.02, 400), np.linspace(0.02, 0.93, 4000)])
few = settings(max_examples=200, deadline=None)


def test_depth_goes_back_to_its_flow_to_machine_precision() -> None:
    back = np.array([depth_at_flow_ratio(flow_ratio(y)) for y in DEPTHS])
    assert np.abs(back / DEPTHS - 1).max() < 6e-15


def test_the_depth_is_continuous_from_cell_to_cell() -> None:
    ends = np.concatenate([
        (np.arange(FIRST_CELL, CELLS + 1) / LOW_CELLS) ** 16,
        TOP_CUBE - (np.arange(20, CELLS + 1) / HIGH_CELLS) ** 2,
    ])  # fmt: skip
    before, after = (np.array([depth_at_cube(c * (1 + e)) for c in ends]) for e in (-1e-15, 1e-15))
    assert np.abs(after / before - 1).max() < 2e-14


def test_the_segment_is_continuous_where_its_series_ends() -> None:
    assert segment(SERIES_BELOW + 1e-12) == pytest.approx(segment(SERIES_BELOW), rel=1e-11)


def test_a_thin_segment_is_two_thirds_of_the_cube() -> None:
    # a - sin a cos a = 2 a³ / 3 - 2 a^5 / 15 + ..., by Taylor
    assert segment(1e-4) == pytest.approx(2e-12 / 3 - 2e-20 / 15, rel=1e-14)


@pytest.mark.parametrize(("depth", "area", "radius"), [
    (0.5, 0.5, 1.0),
    (0.25, 1 / 3 - math.sqrt(3) / (4 * math.pi), 1 - 3 * math.sqrt(3) / (4 * math.pi)),
    (1.0, 1.0, 1.0),
    (0.0, 0.0, 0.0),
])  # fmt: skip
def test_segments_worked_by_hand(depth: float, area: float, radius: float) -> None:
    # y/D = 1/4: 120 degrees at the centre, A = D² (2 pi/3 - sqrt(3)/2) / 8
    assert area_ratio(depth) == pytest.approx(area, abs=1e-15)
    assert radius_ratio(depth) == pytest.approx(radius, abs=1e-15)


@pytest.mark.parametrize("ratio", [-1e-9, TOP_FLOW * (1 + 1e-9), 2.0, math.nan, math.inf])
def test_a_flow_that_no_depth_carries_has_none(ratio: float) -> None:
    assert math.isnan(depth_at_flow_ratio(ratio))


def test_no_flow_has_no_depth() -> None:
    assert depth_ratios([0.0, 0.0], 0.2, [0.01, 0.0], N).tolist() == [0.0, 0.0]


def test_the_greatest_flow_runs_at_the_top_depth() -> None:
    assert depth_at_flow_ratio(TOP_FLOW) == pytest.approx(TOP_RATIO, abs=1e-7)


def test_a_level_or_rising_pipe_carries_nothing() -> None:
    assert np.isnan(depth_ratios(0.01, 0.2, [0.0, -0.01], N)).all()


def test_the_homework_page_with_the_wrong_section_is_not_followed() -> None:
    # D 0.5 m, S 1/500, Q 0.04 m³/s, n 0.013: a page prints 0.1854 m; the circle gives 0.1656 m
    assert 0.5 * depth_ratio(0.04, 0.5, 1 / 500, N) == pytest.approx(0.1656, abs=5e-5)


def test_columns_of_one_number_and_of_many_agree() -> None:
    flow = np.array([[0.001, 0.002], [0.004, 0.008]])
    one = [[depth_ratio(q, 0.2, 0.005, N) for q in row] for row in flow]
    assert depth_ratios(flow, 0.2, 0.005, N).tolist() == one


@few
@given(st.floats(1e-5, 1.0), st.floats(1e-4, 0.2), st.floats(1.01, 3.0))
def test_steeper_is_never_deeper(ratio: float, slope: float, times: float) -> None:
    flow = ratio * full_capacity(0.3, slope, N)
    assert depth_ratio(flow, 0.3, slope * times, N) < depth_ratio(flow, 0.3, slope, N)


@few
@given(st.floats(1e-5, 1.0), st.floats(1e-4, 0.2), st.floats(1.01, 3.0))
def test_steeper_is_never_slower(ratio: float, slope: float, times: float) -> None:
    flow = ratio * full_capacity(0.3, slope, N)
    slow, fast = flow_states(flow, 0.3, [slope, slope * times], N).velocity
    assert fast > slow


@few
@given(st.floats(0.05, 2.0), st.floats(1e-4, 0.2), st.floats(0.01, 0.93))
def test_scaling_a_pipe_scales_its_flow_by_the_power_8_thirds(
    inside: float, slope: float, depth: float
) -> None:
    flow = flow_ratio(depth) * full_capacity(inside, slope, N)
    assert depth_ratio(flow * 2 ** (8 / 3), 2 * inside, slope, N) == pytest.approx(depth, rel=1e-12)


@few
@given(st.floats(1e-6, 5.0), st.floats(0.1, 1.2))
def test_the_froude_number_is_1_at_critical_depth(flow: float, inside: float) -> None:
    depth = critical_depth(flow, inside)
    if depth < 0.9999:  # where the surface is a hair wide, its width loses digits
        assert froude(flow, inside, depth) == pytest.approx(1.0, abs=1e-9)


def test_critical_depth_of_a_half_full_pipe_worked_by_hand() -> None:
    # y/D = 1/2: A = pi D²/8, T = D, so Q = A sqrt(g A / T) = pi D²/8 sqrt(g pi D / 8)
    area, inside = math.pi * 0.3**2 / 8, 0.3
    flow = area * math.sqrt(9.80665 * area / inside)
    assert critical_depth(flow, inside) == pytest.approx(0.5, abs=1e-14)


def test_flow_is_area_times_velocity() -> None:
    state = flow_states([0.003, 0.012], 0.2, 0.006, N)
    area = np.array([area_ratio(y) for y in state.depth_ratio]) * math.pi * 0.2**2 / 4
    assert area * state.velocity == pytest.approx([0.003, 0.012], rel=1e-14)


def test_an_overloaded_pipe_has_no_velocity_depth_or_shear() -> None:
    state = flow_states(1.0, 0.2, 0.005, N)
    assert np.isnan([state.depth_ratio, state.velocity, state.shear, state.froude]).all()


def test_capacity_does_not_depend_on_the_flow() -> None:
    state = flow_states([0.0, 0.01, 9.0], 0.2, 0.005, N)
    assert set(state.capacity) == {full_capacity(0.2, 0.005, N)}


def test_the_slope_at_a_depth_brings_the_depth_back() -> None:
    slope = slope_at_depth(0.01, 0.2, 0.6, N)
    assert depth_ratio(0.01, 0.2, slope, N) == pytest.approx(0.6, rel=1e-13)


def test_a_half_full_pipe_is_as_fast_as_a_full_one() -> None:
    flow = full_capacity(0.2, 0.005, N) / 2
    assert flow_velocity(flow, 0.2, 0.5) == pytest.approx(full_velocity(0.2, 0.005, N))


def test_varying_n_runs_deeper_than_constant_n() -> None:
    flow = np.linspace(0.05, 0.95, 19) * full_capacity(0.3, 0.004, N)
    constant = depth_ratios(flow, 0.3, 0.004, N)
    assert (depth_ratios_of_varying_n(flow, 0.3, 0.004, N) > constant).all()


def test_varying_n_goes_back_to_its_flow() -> None:
    depths = np.linspace(0.01, 0.96, 96)
    full = full_capacity(0.3, 0.004, N)
    back = [
        depth_ratio_of_varying_n(flow_ratio_of_varying_n(y) * full, 0.3, 0.004, N) for y in depths
    ]
    assert back == pytest.approx(depths, rel=1e-12)


def test_varying_n_carries_most_at_its_top_depth() -> None:
    top = flow_ratio_of_varying_n(TOP_DEPTH)
    around = [flow_ratio_of_varying_n(TOP_DEPTH + e) for e in (-1e-3, -1e-5, 1e-5, 1e-3)]
    assert max(around) < top
