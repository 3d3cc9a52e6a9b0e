"""The chart of hydraulic elements of a circular pipe, to every printed digit."""

from __future__ import annotations

import pytest

from planner.kernels.part_full import (
    TOP_FLOW,
    TOP_RATIO,
    depth_at_flow_ratio,
    flow_ratio,
    velocity_ratio,
)
from planner.kernels.roughness import roughness_ratio

# ASCE Manual of Practice 60 / WEF FD-5, hydraulic elements for constant n (figures from memory;
# the usual handbook tables print the same): y/D, Q over full, V over full
CHART = [
    (0.1, "0.021", "0.401"), (0.2, "0.088", "0.615"), (0.3, "0.196", "0.776"),
    (0.4, "0.337", "0.902"), (0.5, "0.500", "1.000"), (0.6, "0.672", "1.072"),
    (0.7, "0.837", "1.120"), (0.8, "0.977", "1.140"), (0.9, "1.066", "1.124"),
    (1.0, "1.000", "1.000"),
]  # fmt: skip
# and its inverse as handbooks print it for half and full flow, worked from the segment's geometry:
# Q over full, y/D, V over full
INVERSE = [
    (0.01, "0.0706", "0.3211"), (0.02, "0.0980", "0.3960"), (0.05, "0.1521", "0.5211"),
    (0.10, "0.2136", "0.6394"), (0.20, "0.3033", "0.7808"), (0.25, "0.3408", "0.8312"),
    (0.30, "0.3756", "0.8741"), (0.40, "0.4398", "0.9443"), (0.50, "0.5000", "1.0000"),
    (0.60, "0.5583", "1.0452"), (0.70, "0.6165", "1.0820"), (0.75, "0.6461", "1.0975"),
    (0.80, "0.6766", "1.1110"), (0.90, "0.7417", "1.1317"), (1.00, "0.8196", "1.1399"),
]  # fmt: skip


@pytest.mark.parametrize(("depth", "flow", "velocity"), CHART)
def test_the_chart_is_met_to_every_digit(depth: float, flow: str, velocity: str) -> None:
    assert (f"{flow_ratio(depth):.3f}", f"{velocity_ratio(depth):.3f}") == (flow, velocity)


@pytest.mark.parametrize(("flow", "depth", "velocity"), INVERSE)
def test_the_inverse_chart_is_met_to_every_digit(flow: float, depth: str, velocity: str) -> None:
    ours = depth_at_flow_ratio(flow)
    assert (f"{ours:.4f}", f"{velocity_ratio(ours):.4f}") == (depth, velocity)


def test_a_pipe_carries_most_at_0_938_of_its_depth() -> None:
    # handbooks: 1.076 times the full flow at y/D = 0.938
    assert (f"{TOP_RATIO:.3f}", f"{TOP_FLOW:.3f}") == ("0.938", "1.076")


def test_varying_n_peaks_near_1_29() -> None:
    # Camp 1946, from memory: n over full n up to about 1.29 near a quarter of the depth
    highest = max(roughness_ratio(i / 100) for i in range(1, 101))
    assert highest == pytest.approx(1.29, abs=0.005)
