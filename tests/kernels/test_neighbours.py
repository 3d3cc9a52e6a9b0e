"""The search for pieces near bores against all pairs, and its clearances against the exact ones."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from planner.kernels.clearance import pair_clearances
from planner.kernels.neighbours import near_clearances, sort_into_cells

Floats = NDArray[np.float64]


def lines(count: int, longest: float, rng: np.random.Generator) -> Floats:
    middle = rng.uniform(-300, 300, (count, 3)) * np.array([1, 1, 0.005])
    half = rng.normal(0, 1, (count, 3)) * rng.uniform(0, longest / 2, (count, 1))
    half[:, 2] *= 0.05
    return np.hstack((middle - half, middle + half))


def solids(ends: Floats, radius: Floats) -> Floats:
    return np.column_stack((ends, radius, radius, radius, np.ones((len(ends), 2))))


@pytest.mark.parametrize("longest", [0.5, 10.0, 150.0])
def test_all_pairs_within_reach_are_found_once_and_no_others(longest: float) -> None:
    rng = np.random.default_rng(21)
    ends, radius = lines(1500, longest, rng), rng.uniform(0.05, 0.5, 1500)
    reach = rng.uniform(0.3, 6.0, 1500)
    bores = np.column_stack((lines(100, 120, rng), np.full(100, 0.2)))
    cells = sort_into_cells(ends, radius, reach)
    bore, place, _ = near_clearances(cells, bores)
    index = np.indices((100, 1500)).reshape(2, -1)
    clearance, _ = pair_clearances(bores, solids(ends, radius), *index.astype(np.int64))
    expected = index[:, clearance <= reach[index[1]]]
    found = np.vstack((bore, cells.item[place]))
    assert len(expected[0]) > 100
    np.testing.assert_array_equal(found[:, np.lexsort(found[::-1])], expected)


@pytest.mark.parametrize("angle", [1.0, 1e-2, 1e-4, 1e-6, 1e-8, 1e-10, 0.0])
def test_clearances_of_the_search_are_exact_to_a_tenth_of_a_millimetre(angle: float) -> None:
    rng = np.random.default_rng(22)
    bores = np.column_stack((lines(200, 90, rng), np.full(200, 0.2)))
    way = bores[:, 3:6] - bores[:, :3]
    turn = angle * np.column_stack((-way[:, 1], way[:, 0], 0.1 * way[:, 0]))
    start = bores[:, :3] + rng.uniform(-0.5, 1, (200, 1)) * way + rng.normal(0, 1, (200, 3))
    ends = np.hstack((start, start + rng.uniform(0.01, 1.5, (200, 1)) * (way + turn)))
    radius = np.full(200, 0.1)
    cells = sort_into_cells(ends, radius, np.full(200, 9.0))
    bore, place, clearance = near_clearances(cells, bores)
    piece = cells.item[place]
    exact, _ = pair_clearances(bores, solids(ends, radius), bore.astype(np.int64), piece)
    assert (bore == piece).sum() > 150
    np.testing.assert_allclose(clearance, exact, rtol=0, atol=1e-4)


def test_a_place_without_pieces_has_no_pairs() -> None:
    cells = sort_into_cells(np.zeros((0, 6)), np.zeros(0), np.zeros(0))
    bore, place, clearance = near_clearances(cells, np.array([[0.0, 0, 0, 9, 0, 0, 1]]))
    assert len(bore) == len(place) == len(clearance) == 0


def test_one_piece_far_away_does_not_make_cells_without_end() -> None:
    ends = np.array([[0.0, 0, 0, 5, 0, 0], [4e6, 7e6, 0, 4e6, 7e6, 0]])
    cells = sort_into_cells(ends, np.full(2, 0.1), np.full(2, 1.0))
    assert len(cells.begin) < 1000
    bore, place, _ = near_clearances(cells, np.array([[2.0, -5, 0, 2, 5, 0, 0.1]]))
    assert (bore.tolist(), cells.item[place].tolist()) == ([0], [0])
