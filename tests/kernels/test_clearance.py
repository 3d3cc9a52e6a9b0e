"""Clearances in 3D against brute-force sampling, hand-worked cases and invariants."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon, box

from planner.kernels.clearance import axis_gap, pair_clearances, piece_clearance
from planner.kernels.pit_clearance import piece_to_pit

Floats = NDArray[np.float64]

MILLIMETRE = 0.001  # [m]


def random_bores(count: int, rng: np.random.Generator) -> Floats:
    """Axes up to 12 m long within 8 m of the origin; one in five without slope or level."""
    ends = rng.uniform(-4, 4, (count, 6)) * np.array([1, 1, 0.3, 2, 2, 0.5])
    flat = rng.random(count) < 0.2
    ends[flat, 5] = ends[flat, 2]
    return np.column_stack((ends, rng.uniform(0.1, 0.5, count)))


def random_pieces(count: int, rng: np.random.Generator, *, boxed: bool) -> Floats:
    """Pipes, some parallel to an axis or without length; or boxes."""
    ends = random_bores(count, rng)[:, :6]
    lone = rng.random(count) < 0.1
    if not boxed:
        ends[lone, 3:] = ends[lone, :3]
    half = rng.uniform(0.05, 0.6, (count, 2))
    radius = np.zeros(count) if boxed else half[:, 0]
    high = half[:, 1] if boxed else radius
    return np.column_stack((ends, half[:, 0], high, radius, np.ones((count, 2))))


Measure = Callable[[Floats], Floats]


def zoomed_least(measure: Measure, shape: tuple[int, ...]) -> Floats:
    """Least of convex measures of a share, by sampling it all and closing in on the best."""
    middle, width = np.full(shape, 0.5), 1.0
    for _ in range(9):
        at = np.clip(middle[..., None] + np.linspace(-0.5, 0.5, 17) * width, 0, 1)
        values = measure(at)
        best = values.argmin(axis=-1)[..., None]
        middle = np.take_along_axis(at, best, -1)[..., 0]
        width *= 0.25
    return np.take_along_axis(values, best, -1)[..., 0]


def sampled_pipes(bores: Floats, pieces: Floats) -> Floats:
    def nearest_of_pipe(t: Floats) -> Floats:
        def apart(s: Floats) -> Floats:
            ways = [on(bores, k, t)[..., None] - on(pieces, k, s) for k in range(3)]
            return np.sqrt(ways[0] ** 2 + ways[1] ** 2 + ways[2] ** 2)

        return zoomed_least(apart, t.shape)

    return zoomed_least(nearest_of_pipe, (len(bores),)) - bores[:, 6] - pieces[:, 8]


def on(lines: Floats, k: int, share: Floats) -> Floats:
    """Coordinate k of points at shares of lines, one line a row of the shares."""
    start, end = (lines[:, j].reshape(-1, *[1] * (share.ndim - 1)) for j in (k, k + 3))
    return start + share * (end - start)


def box_frame(bores: Floats, pieces: Floats, t: Floats) -> tuple[Floats, ...]:
    """Points of bores' axes along, across and above boxes, their lengths and slopes."""
    way = pieces[:, 3:6] - pieces[:, :3]
    length = np.hypot(way[:, 0], way[:, 1])[:, None]
    ex, ey = way[:, 0, None] / length, way[:, 1, None] / length
    x, y, z = (on(bores, k, t) - pieces[:, k, None] for k in range(3))
    return x * ex + y * ey, y * ex - x * ey, z, length, way[:, 2, None] / length


def sampled_boxes(bores: Floats, pieces: Floats) -> Floats:
    half_width, half_height = pieces[:, 6, None], pieces[:, 7, None]

    def nearest_of_box(t: Floats) -> Floats:
        a, b, z, length, slope = box_frame(bores, pieces, t)
        aside = np.maximum(np.abs(b) - half_width, 0)[..., None]

        def apart(s: Floats) -> Floats:
            along = s * length[..., None]
            over = np.abs(z[..., None] - slope[..., None] * along) - half_height[..., None]
            return np.sqrt((a[..., None] - along) ** 2 + aside**2 + np.maximum(over, 0) ** 2)

        return zoomed_least(apart, t.shape)

    def shallow(t: Floats) -> Floats:
        a, b, z, length, slope = box_frame(bores, pieces, t)
        over = (half_height - np.abs(z - slope * a)) / np.sqrt(1 + slope**2)
        return -np.minimum(np.minimum(a, length - a), np.minimum(half_width - np.abs(b), over))

    outside = zoomed_least(nearest_of_box, (len(bores),))
    inside = zoomed_least(shallow, (len(bores),))
    return np.where(inside < 0, inside, outside) - bores[:, 6]


def pairs_of(bores: Floats, pieces: Floats) -> Floats:
    index = np.arange(len(bores))
    return pair_clearances(bores, pieces, index, index)[0]


def test_ten_thousand_random_pipes_agree_with_sampling_to_a_millimetre() -> None:
    rng = np.random.default_rng(71)
    for _ in range(10):
        bores, pieces = random_bores(1000, rng), random_pieces(1000, rng, boxed=False)
        expected = sampled_pipes(bores, pieces)
        np.testing.assert_allclose(pairs_of(bores, pieces), expected, rtol=0, atol=MILLIMETRE)


def test_four_thousand_random_duct_banks_agree_with_sampling_to_a_millimetre() -> None:
    rng = np.random.default_rng(72)
    for _ in range(4):
        bores, pieces = random_bores(1000, rng), random_pieces(1000, rng, boxed=True)
        expected = sampled_boxes(bores, pieces)
        np.testing.assert_allclose(pairs_of(bores, pieces), expected, rtol=0, atol=MILLIMETRE)


SHAPES = {
    "square": box(-1.5, -1.5, 1.5, 1.5),
    "turned": shapely.affinity.rotate(box(-2.2, -1.35, 2.2, 1.35), 31),
    "angled union": shapely.union(
        box(-2.2, -1.35, 2.2, 1.35), shapely.affinity.rotate(box(-1.4, 0, 1.4, 5), 40)
    ),
}
FLOOR = -0.4  # [m]


def ring_of(shape: Polygon) -> Floats:
    return shapely.get_coordinates(shape.exterior)


def sampled_pit(shape: Polygon, piece: Floats, steps: tuple[int, int]) -> float:
    """Clearance to a pit by dense points of a pipe's axis or of a box's level rectangle."""
    boxed = piece[8] == 0
    t, u = np.meshgrid(np.linspace(0, 1, steps[0]), np.linspace(-1, 1, steps[1]) * boxed)
    way = piece[3:6] - piece[:3]
    side = np.array([-way[1], way[0], 0]) / max(np.hypot(way[0], way[1]), 1e-9)
    points = piece[:3] + t.reshape(-1, 1) * way + u.reshape(-1, 1) * piece[6] * side
    plan = shapely.points(points[:, :2])
    aside = shapely.distance(plan, shape)
    under = FLOOR - points[:, 2] - boxed * piece[7]
    if not ((aside == 0) & (under <= 0)).any():
        return float(np.hypot(aside, np.maximum(under, 0)).min() - piece[8])
    depth = np.minimum(shapely.distance(plan, shape.exterior), -under)[aside == 0]
    return float(-depth.max() - piece[8])


@pytest.mark.parametrize("name", SHAPES)
def test_random_pipes_and_pits_agree_with_sampling(name: str) -> None:
    rng = np.random.default_rng(73)
    for piece in random_pieces(150, rng, boxed=False):
        length = float(np.linalg.norm(piece[3:6] - piece[:3]))
        expected = sampled_pit(SHAPES[name], piece, (int(length / MILLIMETRE / 2) + 2, 1))
        assert piece_to_pit(piece, ring_of(SHAPES[name]), FLOOR)[0] == pytest.approx(
            expected, abs=MILLIMETRE
        )


@pytest.mark.parametrize("name", SHAPES)
def test_random_duct_banks_and_pits_agree_with_sampling(name: str) -> None:
    rng = np.random.default_rng(74)
    for piece in random_pieces(60, rng, boxed=True):
        expected = sampled_pit(SHAPES[name], piece, (601, 31))
        spacing = 8.0 / 600 + 2 * piece[6] / 30  # [m] two halves of the sampling's steps, at most
        found = piece_to_pit(piece, ring_of(SHAPES[name]), FLOOR)[0]
        assert expected - spacing <= found <= expected + MILLIMETRE or (
            expected < 0 and abs(found - expected) <= spacing
        )


@pytest.mark.parametrize(
    ("a", "b", "gap", "share", "along"),
    [
        # skew at right angles, 2 m apart in level
        ((0, 0, 0, 10, 0, 0), (5, -5, 2, 5, 5, 2), 2.0, 0.5, 0.5),
        # skew and sloping: 1:1 up over x, level over y at x = 4: closest where x - z = 0 turns
        # foot of (4, z = 0) on the line (s, s): (2, 2), 2 root 2 away
        ((0, 0, 0, 10, 0, 10), (4, -5, 0, 4, 5, 0), math.sqrt(8), 0.2, 0.5),
        # parallel, 3-4-5 triangle across; shares from 2 m on
        ((0, 0, 0, 10, 0, 0), (2, 3, 4, 20, 3, 4), 5.0, 0.2, 0.0),
        # one line, 3 m between the ends
        ((0, 0, 0, 5, 0, 0), (8, 0, 0, 20, 0, 0), 3.0, 1.0, 0.0),
        # crossing lines
        ((0, 0, 0, 10, 0, 0), (4, -3, 0, 4, 3, 0), 0.0, 0.4, 0.5),
        # a point beside: 3-4-5
        ((0, 0, 0, 10, 0, 0), (7, 3, 4, 7, 3, 4), 5.0, 0.7, 0.0),
        # both without length: 2-3-6-7
        ((0, 0, 0, 0, 0, 0), (2, 3, 6, 2, 3, 6), 7.0, 0.0, 0.0),
        # beyond the end: nearest at the end, 1-2-2-3
        ((0, 0, 0, 10, 0, 0), (11, 2, 2, 11, 20, 2), 3.0, 1.0, 0.0),
    ],
)
def test_axes_by_hand(
    a: tuple[float, ...], b: tuple[float, ...], gap: float, share: float, along: float
) -> None:
    floats = [tuple(float(value) for value in ends) for ends in (a, b)]
    assert axis_gap(*floats) == pytest.approx((gap, share, along), abs=1e-12)


@pytest.mark.parametrize(
    ("level", "clearance"),
    [
        (2.0, 1.35),  # 2.0 - half height 0.5 - radius 0.15
        (0.5, -0.15),  # the axis touches the lower face
        (0.3, -0.35),  # 0.2 inside the lower face, and the radius
        (0.0, -0.45),  # in the middle the sides are nearest: 0.3, and the radius
    ],
)
def test_a_duct_bank_crossed_at_right_angles_by_hand(level: float, clearance: float) -> None:
    bore = np.array([0.0, 0, 0, 10, 0, 0, 0.15])
    bank = np.array([5.0, -5, level, 5, 5, level, 0.3, 0.5, 0, 1, 1])
    assert piece_clearance(bore, bank)[0] == pytest.approx(clearance, abs=1e-12)


@pytest.mark.parametrize(
    ("piece", "clearance"),
    [
        ((3, -5, 0, 3, 5, 0, 0.1), 1.9),  # beside: 3 - 1 - 0.1
        ((0, -5, -2, 0, 5, -2, 0.1), 1.9),  # below the floor: 2 - 0.1
        ((4, -5, -4, 4, 5, -4, 0.5), 4.5),  # off the lower edge: 3-4-5, less 0.5
        ((0, -5, 3, 0, 5, 3, 0.1), -1.1),  # through the middle: 1 m to the walls, and 0.1
        ((0, -5, 0.2, 0, 5, 0.2, 0.1), -0.3),  # 0.2 above the floor, and 0.1
        ((0, 0, 9, 0, 0, 99, 0.1), -1.1),  # upright far above: a pit has no top
    ],
)
def test_a_pit_of_two_metres_by_hand(piece: tuple[float, ...], clearance: float) -> None:
    whole = np.array([*piece[:6], piece[6], piece[6], piece[6], 1, 1], float)
    found = piece_to_pit(whole, ring_of(box(-1, -1, 1, 1)), 0.0)[0]
    assert found == pytest.approx(clearance, abs=2e-4)


def test_swapping_turning_and_shifting_changes_nothing() -> None:
    rng = np.random.default_rng(75)
    a, b = random_bores(500, rng), random_bores(500, rng)
    swap = np.array([3, 4, 5, 0, 1, 2])
    moved = np.tile([1000.0, -2000.0, 70.0], 2)
    for p, q in zip(a[:, :6], b[:, :6], strict=True):
        gap = axis_gap(p, q)[0]
        assert axis_gap(q, p)[0] == pytest.approx(gap, abs=1e-9)
        assert axis_gap(p[swap], q)[0] == pytest.approx(gap, abs=1e-9)
        assert axis_gap(p + moved, q + moved)[0] == pytest.approx(gap, abs=1e-9)


def test_turning_a_duct_bank_round_changes_nothing() -> None:
    rng = np.random.default_rng(76)
    bores, pieces = random_bores(500, rng), random_pieces(500, rng, boxed=True)
    turned = pieces[:, [3, 4, 5, 0, 1, 2, 6, 7, 8, 10, 9]]
    np.testing.assert_allclose(pairs_of(bores, turned), pairs_of(bores, pieces), atol=1e-9)


def test_a_duct_bank_cut_in_two_is_as_deep_as_whole() -> None:
    rng = np.random.default_rng(77)
    bores, whole = random_bores(500, rng), random_pieces(500, rng, boxed=True)
    front, back = whole.copy(), whole.copy()
    front[:, 3:6] = back[:, :3] = (whole[:, :3] + whole[:, 3:6]) / 2
    front[:, 10] = back[:, 9] = 0
    parts = np.minimum(pairs_of(bores, front), pairs_of(bores, back))
    entire = pairs_of(bores, whole)
    clear = entire + bores[:, 6] > 0
    np.testing.assert_allclose(parts[clear], entire[clear], atol=1e-9)
    assert (parts[~clear] <= entire[~clear] + 1e-9).all()
