"""Water separation against dense stations, and cases worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from planner.kernels.separation import separation

Floats = NDArray[np.float64]
LIMIT, NEEDED = 3.048, 0.4572  # [m] Recommended Standards for Wastewater Facilities, 38.3


def dense(pipe: Floats, main: Floats) -> tuple[float, float, float]:
    """Least vertical gap, least gap in plan where it fails, and where the main clears below."""
    least, failing, under = np.inf, np.inf, np.inf
    for share in np.linspace(0, 1, 40_001):
        x, y, z = pipe[:3] + share * (pipe[3:6] - pipe[:3])
        way = main[:, 3:6] - main[:, :3]
        foot = (x - main[:, 0]) * way[:, 0] + (y - main[:, 1]) * way[:, 1]
        s = np.clip(foot / (way[:, 0] ** 2 + way[:, 1] ** 2), 0, 1)[:, None]
        near = main[:, :3] + s * way
        gaps = np.hypot(near[:, 0] - x, near[:, 1] - y) - main[:, 6] - pipe[6]
        k = gaps.argmin()
        if gaps[k] >= LIMIT:
            continue
        vertical = abs(near[k, 2] - z) - main[k, 7] - pipe[6]
        least = min(least, vertical)
        if vertical < NEEDED:
            failing = min(failing, gaps[k])
        elif near[k, 2] < z:
            under = min(under, gaps[k])
    return least, failing, under


@pytest.mark.parametrize("seed", range(12))
def test_random_mains_agree_with_dense_stations(seed: int) -> None:
    rng = np.random.default_rng(seed)
    pipe = np.array([0, 0, rng.uniform(-0.5, 0.5), 40, 0, rng.uniform(0, 1), 0.1])
    points = np.column_stack(
        (np.sort(rng.uniform(-5, 45, 6)), rng.normal(0, 2, 6), rng.normal(0, 0.8, 6))
    )
    main = np.column_stack((points[:-1], points[1:], np.full((5, 2), 0.1)))
    found = separation(pipe, main, LIMIT, NEEDED)
    expected = np.array(dense(pipe, main))
    np.testing.assert_allclose(found[[0, 2, 4]], expected, atol=2e-3)


def test_a_main_at_exactly_the_limit_does_not_count() -> None:
    pipe = np.array([0.0, 0, 0, 90, 0, 0, 0.1])
    main = np.array([[-9.0, LIMIT + 0.2, 0, 99, LIMIT + 0.2, 0, 0.1, 0.1]])
    assert separation(pipe, main, LIMIT, NEEDED)[0] == np.inf


def test_a_main_that_comes_within_the_limit_only_for_a_moment_is_seen() -> None:
    # a main across the axis beyond the end of the pipe, 3.0 off: within 3.048 only near the end
    pipe = np.array([0.0, 0, 0, 90, 0, 0, 0.1])
    main = np.array([[93.2, -20.0, 0.5, 93.2, 20.0, 0.5, 0.1, 0.1]])
    found = separation(pipe, main, LIMIT, NEEDED)
    assert found[0] == pytest.approx(0.3)  # 0.5 - 0.1 - 0.1
    assert found[2] == pytest.approx(3.0, abs=1e-5)


def test_cutting_a_main_in_pieces_changes_nothing() -> None:
    pipe = np.array([0.0, 0, 0, 60, 3, 0.6, 0.1])
    whole = np.array([[-5.0, 4, 0.2, 70, -3, 1.0, 0.1, 0.1]])
    share = np.linspace(0, 1, 151)[:, None]
    points = whole[:, :3] + share * (whole[:, 3:6] - whole[:, :3])
    parts = np.column_stack((points[:-1], points[1:], np.full((150, 2), 0.1)))
    one, other = (separation(pipe, main, LIMIT, NEEDED) for main in (whole, parts))
    np.testing.assert_allclose(one[[0, 2]], other[[0, 2]], atol=1e-6)
