"""Bilinear ground between the centres of cells."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.ndimage import label, map_coordinates

from planner.kernels.ground import (
    bilinear,
    fill_holes,
    find_small_holes,
    sample_cells,
    sample_ground,
)

GRID = np.array([[1.0, 2.0, 4.0], [3.0, 5.0, 9.0]])


def test_it_equals_scipy_inside() -> None:
    """Reference: scipy.ndimage.map_coordinates, order 1."""
    random = np.random.default_rng(2)
    values = random.normal(100, 5, (40, 60))
    col, row = random.uniform(0, 59, 1000), random.uniform(0, 39, 1000)
    theirs = map_coordinates(values, [row, col], order=1)
    np.testing.assert_allclose(sample_cells(values, col, row), theirs, rtol=0, atol=1e-10)


@pytest.mark.parametrize(
    ("col", "row", "value"),
    [(0, 0, 1.0), (2, 1, 9.0), (0.5, 0.5, 2.75), (-0.5, 0, 1.0), (2.5, 1.5, 9.0), (1, 1.4, 5.0)],
)
def test_centres_middles_and_the_outer_half_cell(col: float, row: float, value: float) -> None:
    assert bilinear(GRID, col, row) == pytest.approx(value)


@pytest.mark.parametrize(
    ("col", "row"), [(-0.51, 0), (2.51, 0), (0, -0.51), (0, 1.51), (np.nan, 0)]
)
def test_beyond_the_outer_half_cell_there_is_nothing(col: float, row: float) -> None:
    assert np.isnan(bilinear(GRID, float(col), float(row)))


def test_a_cell_that_weighs_nothing_does_not_count() -> None:
    grid = np.array([[1.0, 2.0, np.nan], [3.0, 5.0, np.nan]])
    assert bilinear(grid, 1.0, 0.5) == pytest.approx(3.5)
    assert np.isnan(bilinear(grid, 1.0001, 0.5))


@given(
    a=st.floats(-5, 5), b=st.floats(-5, 5), c=st.floats(-1000, 1000),
    col=st.floats(0, 7), row=st.floats(0, 4),
)  # fmt: skip
def test_a_plane_is_met_everywhere(a: float, b: float, c: float, col: float, row: float) -> None:
    rows, cols = np.mgrid[0:5, 0:8]
    assert bilinear(a * cols + b * rows + c, col, row) == pytest.approx(
        a * col + b * row + c, abs=1e-9
    )


def test_the_mesh_is_bilinear_between_its_nodes() -> None:
    """Hand calculation: at 3/4 of the first mesh cell column and row are 1.5 and 0.75."""
    col = np.array([[0.0, 2.0, 4.0], [0.0, 2.0, 4.0]])
    row = np.array([[0.0, 0.0, 0.0], [1.0, 1.0, 1.0]])
    values = np.arange(5.0) * np.ones((2, 1)) + 10 * np.arange(2.0)[:, None]
    z = sample_ground(values, 100.0, 50.0, 8.0, col, row, np.array([106.0]), np.array([56.0]))
    assert z[0] == pytest.approx(1.5 + 7.5)


def test_small_holes_are_those_that_scipy_counts_small() -> None:
    """Reference: scipy.ndimage.label with corners joined."""
    random = np.random.default_rng(3)
    values = random.normal(size=(60, 80))
    values[random.random(values.shape) < 0.25] = np.nan
    marks, count = label(np.isnan(values), structure=np.ones((3, 3)))
    edge = set(marks[[0, -1]].ravel()) | set(marks[:, [0, -1]].ravel())
    small = [m for m in range(1, count + 1) if (marks == m).sum() <= 6 and m not in edge]
    np.testing.assert_array_equal(find_small_holes(values, 6), np.isin(marks, small))


def test_a_hole_in_a_plane_is_filled_with_the_plane() -> None:
    rows, cols = np.mgrid[0:9, 0:9]
    whole = 0.3 * cols - 0.2 * rows + 50
    holes = np.zeros(whole.shape, bool)
    holes[3:6, 2:7] = True
    filled = fill_holes(np.where(holes, np.nan, whole), holes)
    np.testing.assert_allclose(filled, whole, atol=1e-4)
