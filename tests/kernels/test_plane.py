"""Plane geometry against shapely, and hulls by hand."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from planner.kernels.hull import hull_at, lower_hull, sort_pairs, upper_hull
from planner.kernels.plane import (
    box_segment_distance,
    build_grid,
    chord_is_free,
    in_ring,
    point_segment_distance,
    segment_distance,
)

RNG = np.random.default_rng(5)
SEGMENTS = RNG.uniform(-10, 10, (400, 4))
OTHERS = RNG.uniform(-10, 10, (400, 4))


def line(s: np.ndarray) -> shapely.LineString:
    return shapely.LineString(s.reshape(2, 2))


def test_distances_of_segments_are_those_of_shapely() -> None:
    """Reference: shapely's distance."""
    for a, b in zip(SEGMENTS, OTHERS, strict=True):
        assert segment_distance(*np.concatenate([a, b])) == pytest.approx(
            line(a).distance(line(b)), abs=1e-9
        )


def test_distances_of_points_are_those_of_shapely() -> None:
    for a, b in zip(SEGMENTS, OTHERS, strict=True):
        found, _ = point_segment_distance(a[0], a[1], *b)
        assert found == pytest.approx(shapely.Point(a[:2]).distance(line(b)), abs=1e-9)


def test_distances_of_boxes_are_those_of_shapely() -> None:
    box = shapely.box(-2.15, -1.35, 2.15, 1.35)
    for a in SEGMENTS:
        assert box_segment_distance(a[0], a[1], a[2], a[3], 2.15, 1.35) == pytest.approx(
            box.distance(line(a)), abs=1e-9
        )


def test_points_in_a_ring_are_those_of_shapely() -> None:
    ring = np.array([(0, 0), (8, 1), (5, 4), (9, 9), (-3, 6), (0, 0)], float)
    polygon = shapely.Polygon(ring)
    for x, y in RNG.uniform(-5, 11, (500, 2)):
        assert in_ring(x, y, ring) == polygon.contains(shapely.Point(x, y))


def test_a_chord_is_free_where_it_crosses_no_wall() -> None:
    walls = SEGMENTS[:40]
    grid = build_grid(np.ascontiguousarray(walls), np.full(40, 2.6), 10.0)
    lines = shapely.union_all([line(s) for s in walls])
    found = [chord_is_free(chord, walls, *grid, 5.0) for chord in OTHERS]
    assert found == [not line(chord).intersects(lines) for chord in OTHERS]
    assert 0 < sum(found) < len(found)


def test_the_distance_of_a_turned_rectangle_is_that_of_shapely() -> None:
    """Reference: shapely's distance between the turned rectangle and a segment."""
    a, b = 2.15, 1.35
    for wall, x, y, angle in zip(
        SEGMENTS, *RNG.uniform(-10, 10, (2, 400)), RNG.uniform(0, 6, 400), strict=True
    ):
        u, v = np.cos(angle), np.sin(angle)
        corners = [(-a, -b), (a, -b), (a, b), (-a, b)]
        turned = shapely.Polygon([(x + p * u - q * v, y + p * v + q * u) for p, q in corners])
        ends = wall.reshape(2, 2) - (x, y)
        seen = np.column_stack([ends @ (u, v), ends @ (-v, u)]).ravel()
        x0, y0, x1, y1 = seen.tolist()
        assert box_segment_distance(x0, y0, x1, y1, a, b) == pytest.approx(
            turned.distance(line(wall)), abs=1e-9
        )


def test_a_lower_hull_lies_under_every_point_and_touches_its_own() -> None:
    t = np.sort(RNG.uniform(0, 1, 80))
    h = RNG.uniform(0, 1, 80)
    tt, hh = t.copy(), h.copy()
    n = lower_hull(tt, hh, 80)
    assert 2 <= n < 80
    assert all(hull_at(tt, hh, n, a) <= b + 1e-12 for a, b in zip(t, h, strict=True))
    assert set(zip(tt[:n], hh[:n], strict=True)) <= set(zip(t, h, strict=True))


def test_an_upper_hull_is_a_lower_hull_upside_down() -> None:
    t = np.sort(RNG.uniform(0, 1, 50))
    h = RNG.uniform(0, 1, 50)
    up, down = (t.copy(), h.copy()), (t.copy(), -h)
    n, m = upper_hull(*up, 50), lower_hull(*down, 50)
    assert n == m
    assert up[1][:n].tolist() == (-down[1][:m]).tolist()


def test_of_points_at_one_place_the_lower_one_counts() -> None:
    """Hand calculation: at 0.5 the heights 3 and 1; the line from 2 to 2 would cut below 1."""
    t, h = np.array([0.0, 0.5, 0.5, 1.0]), np.array([2.0, 3.0, 1.0, 2.0])
    n = lower_hull(t, h, 4)
    assert list(zip(t[:n].tolist(), h[:n].tolist(), strict=True)) == [(0, 2), (0.5, 1), (1, 2)]


def test_pairs_are_sorted_by_place() -> None:
    t, h = np.array([0.7, 0.1, 0.4]), np.array([1.0, 2.0, 3.0])
    sort_pairs(t, h, 3)
    assert (t.tolist(), h.tolist()) == ([0.1, 0.4, 0.7], [2.0, 3.0, 1.0])
