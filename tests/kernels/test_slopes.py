"""The window of legal slopes: every end is where its rule just holds."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.kernels.hydraulics import flow_states, full_velocity
from planner.kernels.part_full import TOP_RATIO
from planner.kernels.roughness import depth_ratio_of_varying_n, slope_window_of_varying_n
from planner.kernels.slopes import (
    BY_DEPTH,
    BY_MOST_SLOPE,
    BY_MOST_VELOCITY,
    BY_SHEAR,
    BY_TABLE,
    BY_VELOCITY,
    SlopeLimits,
    slope_window,
    slope_windows,
)

N, INSIDE = 0.013, 0.2032
LIMITS = SlopeLimits(
    n=N, min_slope=0.004, max_slope=0.2, min_full_velocity=0.6, max_velocity=3.0, min_shear=0.0,
    max_depth=0.75,
)  # fmt: skip


def state(flow: float, slope: float) -> tuple[float, float, float]:
    """Depth, velocity and shear."""
    found = flow_states(flow, INSIDE, slope, N)
    return float(found.depth_ratio), float(found.velocity), float(found.shear)


def test_a_small_flow_is_bound_by_the_table_and_the_greatest_slope() -> None:
    assert slope_window(0.001, INSIDE, LIMITS) == (0.004, 0.2, BY_TABLE, BY_MOST_SLOPE)


def test_a_full_velocity_above_the_tables_binds() -> None:
    least, _, by, _ = slope_window(0.001, INSIDE, LIMITS._replace(min_full_velocity=1.0))
    assert by == BY_VELOCITY
    assert full_velocity(INSIDE, least, N) == pytest.approx(1.0, rel=1e-14)


def test_the_least_slope_of_a_large_flow_is_where_it_runs_at_the_allowed_depth() -> None:
    least, _, by, _ = slope_window(0.03, INSIDE, LIMITS)
    assert by == BY_DEPTH
    assert state(0.03, least)[0] == pytest.approx(0.75, rel=1e-13)


def test_the_greatest_slope_of_a_large_flow_is_where_it_runs_at_the_allowed_velocity() -> None:
    _, most, _, by = slope_window(0.03, INSIDE, LIMITS)
    assert by == BY_MOST_VELOCITY
    assert state(0.03, most)[1] == pytest.approx(3.0, rel=1e-12)


def test_the_least_slope_by_shear_is_where_the_shear_is_the_least() -> None:
    shear = LIMITS._replace(min_full_velocity=0.0, min_shear=1.0)
    least, _, by, _ = slope_window(0.0005, INSIDE, shear)
    assert by == BY_SHEAR
    assert state(0.0005, least)[2] == pytest.approx(1.0, rel=1e-12)


def test_no_flow_is_not_asked_for_shear() -> None:
    shear = LIMITS._replace(min_full_velocity=0.0, min_shear=1.0)
    assert slope_window(0.0, INSIDE, shear)[0] == LIMITS.min_slope


def test_a_flow_too_large_for_the_size_has_no_slope() -> None:
    least, most, _, _ = slope_window(0.12, INSIDE, LIMITS)
    assert least > most


def test_a_depth_beyond_the_fullest_counts_as_the_fullest() -> None:
    deep, top = (slope_window(0.05, INSIDE, LIMITS._replace(max_depth=d))[0]
                 for d in (1.0, TOP_RATIO))  # fmt: skip
    assert deep == top


@settings(max_examples=200, deadline=None)
@given(st.floats(1e-4, 0.06), st.floats(0.0, 1.0))
def test_every_slope_inside_keeps_every_rule(flow: float, share: float) -> None:
    shear = LIMITS._replace(min_shear=1.0)
    least, most, _, _ = slope_window(flow, INSIDE, shear)
    depth, velocity, tau = state(flow, least + share * (most - least))
    assert depth <= 0.75 * (1 + 1e-12)
    assert velocity <= 3.0 * (1 + 1e-12)
    assert tau >= 1.0 * (1 - 1e-12)


@settings(max_examples=200, deadline=None)
@given(st.floats(1e-4, 0.06), st.floats(1e-3, 0.5), st.booleans())
def test_every_slope_outside_breaks_a_rule(flow: float, off: float, above: bool) -> None:
    free = LIMITS._replace(min_slope=0.0, max_slope=1e6, min_full_velocity=0.0, min_shear=1.0)
    least, most, _, _ = slope_window(flow, INSIDE, free)
    slope = most * (1 + off) if above else least * (1 - off)
    depth, velocity, tau = state(flow, slope)
    assert np.isnan(depth) or depth > 0.75 or velocity > 3.0 or tau < 1.0


def test_many_flows_are_bound_as_each_alone() -> None:
    flows = np.array([0.0, 0.001, 0.02, 0.05, 0.2])
    each = [slope_window(q, INSIDE, LIMITS) for q in flows]
    assert list(zip(*slope_windows(flows, INSIDE, LIMITS), strict=True)) == each


def test_with_varying_n_the_least_slope_runs_at_the_allowed_depth() -> None:
    least, _, by, _ = slope_window_of_varying_n(0.03, INSIDE, LIMITS)
    assert by == BY_DEPTH
    assert depth_ratio_of_varying_n(0.03, INSIDE, least, N) == pytest.approx(0.75, rel=1e-12)


def test_with_varying_n_a_large_flow_needs_a_steeper_pipe() -> None:
    constant, varying = (f(0.03, INSIDE, LIMITS)[0]
                         for f in (slope_window, slope_window_of_varying_n))  # fmt: skip
    assert varying > constant
