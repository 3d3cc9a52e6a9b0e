"""Probabilities against distributions of scipy, a handbook example and drawn errors."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import ncx2, norm

from planner.kernels.strike import (
    AT_PIT,
    BESIDE,
    CROSSING,
    ENDING,
    near_probabilities,
    region_probability,
    strip_probability,
)


@pytest.mark.parametrize("offset", [(0.0, 0.0), (0.3, 0.4), (1.5, 0.2), (4.0, 1.0)])
@pytest.mark.parametrize("radius", [0.1, 0.5, 2.0])
def test_a_disc_agrees_with_the_noncentral_chi_square(
    offset: tuple[float, float], radius: float
) -> None:
    # reference: scipy.stats.ncx2; with equal sigmas the squared distance follows it
    sigma = 0.6
    expected = ncx2.cdf(
        (radius / sigma) ** 2, 2, (offset[0] ** 2 + offset[1] ** 2) / sigma**2 + 1e-12
    )
    found = region_probability(offset, (0.0, 0.0, radius), (sigma, sigma), False)
    assert found == pytest.approx(expected, abs=1e-5)


def test_a_square_without_rounding_is_a_product_of_two_normals() -> None:
    found = region_probability((0.4, 0.7), (0.5, 0.3, 1e-9), (0.5, 0.9), False)
    plan = norm.cdf((0.5 - 0.4) / 0.5) - norm.cdf((-0.5 - 0.4) / 0.5)
    level = norm.cdf((0.3 - 0.7) / 0.9) - norm.cdf((-0.3 - 0.7) / 0.9)
    assert found == pytest.approx(plan * level, abs=1e-6)


def test_the_strip_by_the_handbook_of_the_normal_distribution() -> None:
    # gap 0.45, widths 0.50, sigma 0.30: Phi(-1.5) - Phi(-3.1667) = 0.066807 - 0.000771 (tables)
    assert strip_probability(0.45, 0.0, 0.50, 0.30) == pytest.approx(0.066036, abs=2e-6)
    # below 0.30: Phi(-0.5) - Phi(-4.1667) = 0.308538 - 0.000015
    assert strip_probability(0.45, 0.30, 0.50, 0.30) == pytest.approx(0.308522, abs=2e-6)


@pytest.mark.parametrize("way", [CROSSING, BESIDE, ENDING])
def test_drawn_errors_hit_as_often_as_stated(way: int) -> None:
    # a bore along x at the origin and a line that crosses it, lies along it, or points at it and
    # ends 0.7 before it; 0.5 above; together 0.4 thick; errors drawn in plan and level
    rng = np.random.default_rng(3)
    aside, up = rng.normal(0, 0.8, 400_000), 0.5 + rng.normal(0, 0.4, 400_000)
    shift = {CROSSING: 0.0 * aside, BESIDE: 0.7 + aside, ENDING: np.maximum(0.7 + aside, 0)}[way]
    hit = np.mean(np.hypot(shift, up) < 0.4)
    beside = 0.0 if way == CROSSING else 0.7
    lie = np.array([[0.5 - 0.4, 0.8, beside, 0.5, 0, 0, 0.4, 0.8, 0.4]])
    lie[0, 7] = 0.4 if way == CROSSING else 0.8
    stated = near_probabilities(np.array([way]), lie, np.zeros(1))[0]
    assert stated == pytest.approx(hit, abs=0.003)


def test_a_pit_has_no_other_side() -> None:
    lie = np.array([[0.5, 0.0, 0, 0, 0, 0, 0, 1.0, 1.0]])
    stated = near_probabilities(np.array([AT_PIT]), lie, np.array([0.6]))[0]
    assert stated == pytest.approx(norm.cdf(0.1))


def test_less_known_services_far_off_are_likelier_hit() -> None:
    lie = np.array([[1.0, 0.5, 0, 1, 0, 0, 0.3, s, s] for s in (0.02, 0.2, 0.5, 0.9)])
    stated = near_probabilities(np.zeros(4, np.int64), lie, np.zeros(4))
    assert (np.diff(stated) > 0).all()
