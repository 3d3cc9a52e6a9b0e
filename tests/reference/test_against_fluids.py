"""Part-full flow against fluids, a general-purpose library of fluid mechanics."""

from __future__ import annotations

import fluids
import numpy as np
import pytest
from fluids.open_flow import V_Manning

from planner.kernels.hydraulics import (
    depth_ratios,
    flow_states,
    full_capacity,
    full_velocity,
    states_at_depth,
)

POINTS = 10_000


class Sample:
    """Random pipes with flows at known depths, their areas and radii from the library's tank."""

    def __init__(self) -> None:
        random = np.random.default_rng(4)
        self.inside = random.uniform(0.1, 1.2, POINTS)
        self.slope = 10 ** random.uniform(-3.5, -0.6, POINTS)
        self.n = random.uniform(0.009, 0.015, POINTS)
        self.depth = random.uniform(0.005, 0.93, POINTS)
        self.area, wetted = np.array(
            [_section(d, y * d) for d, y in zip(self.inside, self.depth, strict=True)]
        ).T
        self.radius = self.area / wetted
        self.velocity = np.array([
            V_Manning(r, s, n) for r, s, n in zip(self.radius, self.slope, self.n, strict=True)
        ])  # fmt: skip
        self.flow = self.area * self.velocity


def _section(inside: float, depth: float) -> tuple[float, float]:
    """Area and wetted perimeter of a horizontal cylinder of unit length."""
    tank = fluids.TANK(D=inside, L=1.0, horizontal=True)
    area = tank.V_from_h(depth)
    return area, tank.SA_from_h(depth) - 2 * area


@pytest.fixture(scope="module")
def sample() -> Sample:
    return Sample()


def test_the_depth_of_a_flow_is_the_librarys(sample: Sample) -> None:
    ours = depth_ratios(sample.flow, sample.inside, sample.slope, sample.n)
    assert np.abs(ours - sample.depth).max() < 1e-11


def test_the_velocity_of_a_flow_is_the_librarys(sample: Sample) -> None:
    ours = flow_states(sample.flow, sample.inside, sample.slope, sample.n).velocity
    assert np.abs(ours / sample.velocity - 1).max() < 1e-10


def test_the_shear_of_a_flow_is_weight_radius_and_slope(sample: Sample) -> None:
    ours = flow_states(sample.flow, sample.inside, sample.slope, sample.n).shear
    assert np.abs(ours / (9806.65 * sample.radius * sample.slope) - 1).max() < 1e-10


def test_full_pipes_are_the_librarys(sample: Sample) -> None:
    theirs = np.array([
        V_Manning(d / 4, s, n) for d, s, n in zip(sample.inside, sample.slope, sample.n,
                                                   strict=True)
    ])  # fmt: skip
    ours = np.array([
        full_velocity(d, s, n) for d, s, n in zip(sample.inside, sample.slope, sample.n,
                                                   strict=True)
    ])  # fmt: skip
    assert np.abs(ours / theirs - 1).max() < 1e-13


def test_capacity_is_area_times_full_velocity(sample: Sample) -> None:
    d, s, n = sample.inside[0], sample.slope[0], sample.n[0]
    assert full_capacity(d, s, n) == pytest.approx(np.pi * d**2 / 4 * V_Manning(d / 4, s, n))


def test_the_froude_number_is_the_librarys(sample: Sample) -> None:
    some = slice(0, 500)
    width = 2 * sample.inside * np.sqrt(sample.depth * (1 - sample.depth))
    theirs = np.array([
        fluids.core.Froude(v, a / t, g=9.80665)
        for v, a, t in zip(sample.velocity[some], sample.area[some], width[some], strict=True)
    ])  # fmt: skip
    ours = states_at_depth(sample.flow, sample.inside, sample.slope, sample.n, sample.depth).froude[
        some
    ]
    assert np.abs(ours / theirs - 1).max() < 1e-10
