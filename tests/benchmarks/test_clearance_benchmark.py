"""Clearances of 1,000 legs against a bare bounding-box query of shapely's tree, one thread each."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import pytest
import shapely
from numpy.typing import NDArray

from planner.kernels.neighbours import near_clearances, sort_into_cells

Floats = NDArray[np.float64]
REACH = 2.7  # [m] most that can be required or unproven of a record of quality D
STREET = 100.0  # [m] between the streets of a quarter
FRONTAGE = 18.0  # [m] of a plot
MAINS, HOUSE_SERVICES = 6, 4  # along each street; to each plot
PIECE = 5.0  # [m]
ALARM = 0.6  # ratio; the goal is 0.5, and a machine that does other work swings by a tenth


def town(pieces: int, legs: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """A town of four quarters, each a grid of streets in two directions, turned its own way.

    Mains run along the streets, services from them to the houses on both sides; a leg runs along
    a street. The more pieces, the larger the town: what is near a leg stays the same.
    """
    mains = rng.random(pieces) < MAINS / (MAINS + HOUSE_SERVICES * 2 * 15 / FRONTAGE)
    street_length = PIECE * mains.sum() / MAINS / 4  # [m] of a quarter's streets
    size = max(np.sqrt(street_length * STREET / 2), STREET)  # [m] side of a quarter
    along, street = rng.uniform(0, size, pieces), rng.integers(0, size // STREET + 1, pieces)
    aside = np.where(mains, rng.integers(-5, 6, pieces), rng.uniform(-15, 15, pieces))
    way = np.where(mains, 0.0, np.pi / 2)
    services = lines_of(along, street * STREET + aside, way, np.full(pieces, PIECE))
    level = rng.uniform(96.5, 99, pieces)
    services[:, 2], services[:, 5] = level, level + rng.normal(0, 0.1, pieces)
    at, row = rng.uniform(0, size, legs), rng.integers(0, size // STREET + 1, legs)
    axes = lines_of(at, row * STREET + 2.0, np.full(legs, 0.02), rng.uniform(60, 90, legs))
    axes[:, 2], axes[:, 5] = 96.5, 97.0
    sizes = np.column_stack((*[np.full(pieces, 0.1)] * 3, np.ones((pieces, 2))))
    services = np.column_stack((in_quarters(services, size, rng), sizes))
    bores = np.column_stack((in_quarters(axes, size, rng), np.full(legs, 0.15)))
    return np.ascontiguousarray(services), np.ascontiguousarray(bores)


def lines_of(x: Floats, y: Floats, way: Floats, length: Floats) -> Floats:
    """Level lines around middles."""
    dx, dy, flat = np.cos(way) * length / 2, np.sin(way) * length / 2, np.zeros(len(x))
    return np.column_stack((x - dx, y - dy, flat, x + dx, y + dy, flat))


def in_quarters(lines: Floats, size: float, rng: np.random.Generator) -> Floats:
    """Lines dealt out to four quarters, half of them across the others."""
    out = lines.copy()
    quarter = rng.integers(0, 4, len(lines))
    turn = np.array([0.1, 0.35, 0.6, 0.85])[quarter] + rng.integers(0, 2, len(lines)) * np.pi / 2
    for k in (0, 3):
        x, y = lines[:, k] - size / 2, lines[:, k + 1] - size / 2
        out[:, k] = np.cos(turn) * x - np.sin(turn) * y + quarter % 2 * 1.5 * size
        out[:, k + 1] = np.sin(turn) * x + np.cos(turn) * y + quarter // 2 * 1.5 * size
    return out


def best_time(run: Callable[[], object], rounds: int = 15) -> float:
    """Least of several times. [s]"""
    times = []
    for _ in range(rounds):
        begin = time.perf_counter()
        run()
        times.append(time.perf_counter() - begin)
    return min(times)


def boxes_of(bores: Floats) -> NDArray[np.object_]:
    """Boxes around legs, wide enough to find what is within reach."""
    reach = REACH + bores[:, 6] + 0.1
    low = np.minimum(bores[:, :2], bores[:, 3:5]) - reach[:, None]
    high = np.maximum(bores[:, :2], bores[:, 3:5]) + reach[:, None]
    return shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1])


@pytest.mark.benchmark(group="clearances")
@pytest.mark.parametrize("count", [10_000, 100_000, 1_000_000])
def test_exact_clearances_take_about_half_of_a_bounding_box_query(
    count: int, benchmark: Callable[..., object], record_property: Callable[[str, object], None]
) -> None:
    services, bores = town(count, 1000, np.random.default_rng(7))
    lines = shapely.linestrings(services[:, (0, 1, 3, 4)].reshape(-1, 2, 2))
    tree, boxes = shapely.STRtree(lines), boxes_of(bores)
    tree.query(boxes[:1])
    cells = sort_into_cells(services[:, :6], services[:, 8], np.full(count, REACH))
    near_clearances(cells, bores)  # compiled before it is timed
    bare = best_time(lambda: tree.query(boxes))
    benchmark(near_clearances, cells, bores)
    ours = best_time(lambda: near_clearances(cells, bores))
    axes = shapely.linestrings(bores[:, (0, 1, 3, 4)].reshape(-1, 2, 2))
    loop = best_time(lambda: plain_loop(tree, boxes, lines, axes), 1)
    record_property("ratio", round(ours / bare, 3))
    print(f"\n{count}: {ours * 1e3:.2f} ms, box query {bare * 1e3:.2f} ms, ratio "
          f"{ours / bare:.2f}; plain loop of distances {loop / ours:.0f} times")  # fmt: skip
    assert ours <= ALARM * bare


def plain_loop(
    tree: shapely.STRtree, boxes: NDArray[np.object_], lines: NDArray[np.object_],
    axes: NDArray[np.object_],
) -> list[float]:  # fmt: skip
    """Distances in plan only, one pair after another, of what the boxes find."""
    pairs = tree.query(boxes).T
    return [axes[leg].distance(lines[piece]) for leg, piece in pairs]
