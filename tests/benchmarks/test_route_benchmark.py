"""Pits, legs and inverts with their geometry, against a bare sampling of the candidate legs.

Goal: at most 4 times the bilinear sampling of the ground along every candidate leg each half
metre: 1 km of street, stations every 2 m, three lanes, levels of 1 cm.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numba import njit
from numpy.typing import NDArray

from planner.kernels.ground import sample_ground
from planner.kernels.rows import GroundCells
from planner.steps.routing.memo import Memo
from planner.steps.routing.pricing import build_problem
from planner.steps.routing.search import find_route
from tests.benchmarks.test_programme_benchmark import curved_street, long_street, quickest
from tests.judge.sites import given_of_site

Floats = NDArray[np.float64]

STEP = 0.5  # [m]
MOST_OVER_SAMPLING = 200.0  # an alarm far above the goal of 4


@njit(cache=False)
def _sample_legs(ends: Floats, ground: GroundCells) -> float:
    """Ground along every leg each half metre; the sum keeps the compiler from leaving it out."""
    total = 0.0
    for i in range(len(ends)):
        dx, dy = ends[i, 2] - ends[i, 0], ends[i, 3] - ends[i, 1]
        count = int(np.ceil(np.hypot(dx, dy) / STEP))
        f = np.arange(count + 1) / count
        level = sample_ground(
            ground.values, ground.x0, ground.y0, ground.step, ground.col, ground.row,
            ends[i, 0] + f * dx, ends[i, 1] + f * dy,
        )  # fmt: skip
        total += level.sum()
    return total


@pytest.mark.benchmark(group="route")
@pytest.mark.parametrize("street", [long_street, curved_street], ids=["bare", "with services"])
def test_a_route_takes_some_times_the_sampling_of_its_legs(
    tmp_path: Path,
    street: Callable[[float], dict[str, Any]],
    benchmark: Callable[[Callable[[], object]], Any],
) -> None:
    given = given_of_site(tmp_path, **street(1000.0))
    served = np.zeros(len(given.site.properties), bool)
    served[np.concatenate([chain.properties for chain in given.layout.chains])] = True
    bound = build_problem(given, served).bound
    found = find_route(given, served)
    assert found is not None
    xy = given.candidates.xy
    ends = np.hstack([xy[bound.up[: bound.singles]], xy[bound.down[: bound.singles]]])
    _sample_legs(ends[:10], given.obstructions.ground)
    bare = quickest(lambda: _sample_legs(ends, given.obstructions.ground))
    ours = quickest(lambda: find_route(replace(given, memo=Memo()), served))
    benchmark(lambda: _sample_legs(ends, given.obstructions.ground))
    ratio = ours / bare
    print(f"\n    {len(ends)} legs, {len(bound.up)} with pairs, of which "
          f"{len(found.problem.bound.up)} were bound: sampling {bare:.3f} s, geometry and "
          f"optimum {ours:.3f} s, {ratio:.1f} times")  # fmt: skip
    assert ratio <= MOST_OVER_SAMPLING
