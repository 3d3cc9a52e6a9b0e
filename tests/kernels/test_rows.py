"""Rows of a leg over level ground, worked out by hand, and held against points in space."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely

from planner.kernels.leg_houses import price_houses
from planner.kernels.plane import build_grid
from planner.kernels.rows import (
    SLACK,
    Bore,
    GroundCells,
    Houses,
    LegEnds,
    Runs,
    Water,
    Zones,
    bind_legs,
)

LEVEL = 100.0
STEP = 0.01  # [m] of the grid of levels
# inside 0.20, outside 0.26: wall 0.03; bore 0.30 rests 0.03 below the invert, so its top is 0.27
# and its axis 0.12 above the invert
BORE = Bore(0.20, 0.26, 0.30, 1.2, 0.0, np.inf, 1e6)
STEEPEST = 0.08
LEG = np.array([[0.0, 0.0, 60.0, 0.0]])
NO_HOUSES = Houses(np.empty((0, 2)), np.empty(0), np.empty(0), 0.02, 45.0, 0.0, 0.0)


def ground() -> GroundCells:
    cells = np.full((3, 3), LEVEL)
    mesh = np.array([[0.0, 2.0], [0.0, 2.0]])
    return GroundCells(cells, -100.0, -100.0, 300.0, mesh, mesh.T[::-1].copy())


def runs(*pipes: tuple[tuple[float, ...], float, float], water: bool = False) -> Runs:
    """Level round services: ends in plan, axis elevation and outside diameter."""
    ends = np.array([p[0] for p in pipes], float).reshape(-1, 4)
    count = len(pipes)
    long = [float(np.hypot(e[2] - e[0], e[3] - e[1])) for e in ends]
    radius = np.array([p[2] / 2 for p in pipes])
    return Runs(
        ends, np.arange(count), 2 * np.arange(count + 1),
        np.array([d for length in long for d in (0.0, length)]),
        np.array([p[1] for p in pipes for _ in range(2)]), radius, radius,
        np.zeros(count, bool), np.full((count, 2), 0.6), np.full(count, water), np.full(count, -1),
        *build_grid(ends, np.full(count, 6.0), 6.0),
    )  # fmt: skip


ALONE = LegEnds(LEG, np.array([60.0]), np.array([0.0]), np.array([60.0]), np.array([-1]))


def price_of(houses: Houses) -> float:
    """Price of the connections to a leg."""
    price = np.empty(1)
    price_houses(ALONE, houses, price)
    return float(price[0])


def bound(services: Runs, houses: Houses = NO_HOUSES, bore: Bore = BORE) -> tuple[Any, ...]:
    none = Zones(np.zeros(1, np.int64), np.empty((0, 2)), np.empty(0), np.empty(0))
    return in_metres(ALONE, bore, services, none, houses)


def in_metres(
    legs: LegEnds, bore: Bore, services: Runs, zones: Zones, houses: Houses
) -> tuple[Any, ...]:
    made: list[Any] = list(bind_legs(
        legs, ground(), bore, services, zones, houses, Water(3.0, 0.5), STEP
    ))  # fmt: skip
    return tuple(a * STEP if k in (2, 7) else a for k, a in enumerate(made))


def highest_level_leg(made: tuple[Any, ...]) -> float:
    """Highest invert of a level leg by its upper rows."""
    return float(made[2].min())


def forbidden(made: tuple[Any, ...], invert: float) -> bool:
    """Whether a level leg at an invert is neither below nor above some band."""
    low, high, h = made[4], made[5], made[7]
    return any(
        invert > h[low[b] : high[b]].min() and invert < h[high[b] : low[b + 1]].max()
        for b in range(len(low) - 1)
    )


def test_cover_is_measured_to_the_top_of_the_bore() -> None:
    """Hand calculation: 100 - 1.2 - 0.27 = 98.53."""
    assert highest_level_leg(bound(runs())) == pytest.approx(98.53, abs=1e-12)


def test_frost_is_measured_to_the_top_of_the_pipe() -> None:
    """Hand calculation: pipe's top 0.23 above the invert: 100 - 2.0 - 0.23 = 97.77."""
    frozen = BORE._replace(frost=2.0)
    assert highest_level_leg(bound(runs(), bore=frozen)) == pytest.approx(97.77, abs=1e-12)


def test_a_shallow_service_is_passed_below() -> None:
    """Hand calculation: axis 99, radii 0.1 and 0.15, required 0.6: 0.85 between the axes."""
    made = bound(runs(((30, -20, 30, 20), 99.0, 0.2)))
    assert highest_level_leg(made) == pytest.approx(99.0 - 0.85 - SLACK - 0.12, abs=1e-3)
    assert len(made[4]) == 1  # no band


def test_a_deep_service_leaves_a_band() -> None:
    """Hand calculation: axis at 96: the invert is below 95.028 or above 96.732."""
    made = bound(runs(((30, -20, 30, 20), 96.0, 0.2)))
    reach = 0.85 + SLACK
    assert not forbidden(made, 96.0 - reach - 0.12 - 0.002)
    assert forbidden(made, 96.0 - reach - 0.12 + 0.002)
    assert forbidden(made, 96.0 + reach - 0.12 - 0.002)
    assert not forbidden(made, 96.0 + reach - 0.12 + 0.002)


@pytest.mark.parametrize("seed", range(20))
def test_a_band_keeps_the_clearance_in_space(seed: int) -> None:
    """Invariant: at the edges of the band the axes of two level pipes are as far apart as asked."""
    rng = np.random.default_rng(seed)
    ends = (rng.uniform(5, 55), -15.0, rng.uniform(5, 55), 15.0)
    made = bound(runs((ends, 96.0, 0.3)))
    for edge, sign in ((made[7][made[4][0] : made[5][0]].min(), -1),
                       (made[7][made[5][0] : made[4][1]].max(), 1)):  # fmt: skip
        apart = abs(edge + 0.12 - 96.0)
        assert apart >= 0.6 + 0.15 + 0.15
        assert apart <= 0.6 + 0.15 + 0.15 + 3 * SLACK
        assert sign * (edge + 0.12 - 96.0) > 0


def test_a_service_beside_the_bore_is_held_by_what_is_left_of_its_distance() -> None:
    """Hand calculation: 0.6 m beside, reach 0.852: 0.605 m up or down is enough."""
    made = bound(runs(((0, 0.6, 60, 0.6), 96.0, 0.2)))
    edge = made[7][made[4][0] : made[5][0]].min()
    height = ((0.85 + SLACK) ** 2 - 0.6**2) ** 0.5
    assert edge == pytest.approx(96.0 - height - 0.12, abs=1e-6)


def test_a_service_out_of_reach_asks_for_nothing() -> None:
    made = bound(runs(((0, 2.0, 60, 2.0), 97.0, 0.2)))
    assert highest_level_leg(made) == pytest.approx(98.53, abs=1e-12)
    assert len(made[4]) == 1


def test_a_water_main_beside_the_sewer_is_half_a_metre_above_it() -> None:
    """Hand calculation: axis 98.6, bottom 98.5, 0.5 above the pipe's top, 0.23 over its invert."""
    made = bound(runs(((0, 2.5, 60, 2.5), 98.6, 0.2), water=True))
    assert highest_level_leg(made) == pytest.approx(98.5 - 0.5 - 0.23 - SLACK, abs=1e-9)


def test_a_house_drains_to_half_the_pipe_above_the_invert() -> None:
    """Hand calculation: 10 m away at 2 % falls 0.20; 98 - 0.20 - 0.10 = 97.70."""
    house = Houses(
        np.array([[30.0, 10.0]]), np.array([30.0]), np.array([98.0]), 0.02, 45.0, 5.0, 2.0
    )
    assert highest_level_leg(bound(runs(), house)) == pytest.approx(97.70, abs=1e-9)
    assert price_of(house) == pytest.approx(5.0 + 2.0 * 10.0)


def test_a_house_too_far_away_cannot_be_served() -> None:
    house = Houses(
        np.array([[30.0, 50.0]]), np.array([30.0]), np.array([98.0]), 0.02, 45.0, 5.0, 2.0
    )
    assert np.isinf(price_of(house))


def test_a_leg_that_may_not_be_deep_is_bound_from_below() -> None:
    """Hand calculation: ground 100, depth to the invert at most 4: the invert is 96 or higher."""
    made = bound(runs(), bore=BORE._replace(deepest=4.0))
    assert forbidden(made, 95.99)
    assert not forbidden(made, 96.01)


def test_a_leg_over_no_ground_can_never_be() -> None:
    away = LegEnds(
        LEG + 1000.0, np.array([60.0]), np.array([0.0]), np.array([60.0]), np.array([-1])
    )
    none = Zones(np.zeros(1, np.int64), np.empty((0, 2)), np.empty(0), np.empty(0))
    made = in_metres(away, BORE, runs(), none, NO_HOUSES)
    assert made[2].min() == -np.inf


def test_a_zone_asks_for_more_cover_where_it_lies() -> None:
    """Hand calculation: 2.0 in place of 1.2 between 20 and 40 m: 100 - 2.0 - 0.27 = 97.73."""
    ring = shapely.get_coordinates(shapely.box(20, -5, 40, 5))
    zone = Zones(np.array([0, len(ring)]), ring, np.array([2.0]), np.array([0.0]))
    legs = LegEnds(LEG, np.array([60.0]), np.array([0.0]), np.array([60.0]), np.array([-1]))
    made = in_metres(legs, BORE, runs(), zone, NO_HOUSES)
    places = dict(zip(made[1].round(3).tolist(), made[2].round(9).tolist(), strict=True))
    assert places[0.0] == pytest.approx(98.53)
    assert min(places.values()) == pytest.approx(97.73)


@pytest.mark.parametrize(("lean", "required"), [(14.0, 0.7), (16.0, 0.6)])
def test_a_service_beside_a_leg_asks_for_its_own_clearance(lean: float, required: float) -> None:
    """Hand calculation: axis 99, radii 0.1 and 0.15: the axes come 0.25 and what is required apart.

    Below 15 degrees the service runs beside the leg, above it is crossed.
    """
    dx, dy = 20 * np.cos(np.radians(lean)), 20 * np.sin(np.radians(lean))
    services = runs(((30 - dx, -dy, 30 + dx, dy), 99.0, 0.3))
    services = services._replace(required=np.array([[0.6, 0.7]]))
    bare = runs(((30 - dx, -dy, 30 + dx, dy), 99.0, 0.3))
    bare = bare._replace(required=np.full((1, 2), required))
    for one, other in zip(bound(services), bound(bare), strict=True):
        assert np.array_equal(one, other)


@pytest.mark.parametrize("seed", range(20))
def test_rows_that_no_leg_can_touch_by_its_slope_bind_nothing(seed: int) -> None:
    """Of a leg of at most 8 % the same levels are allowed as of one that may be as steep as a wall.

    The levels lie close to services that cross at any angle, some of them steep. Edges that are
    arcs are drawn by other points then, which changes less than the slack that they keep.
    """
    rng = np.random.default_rng(seed)
    pipes = []
    for x in rng.uniform(4.0, 56.0, 5).tolist():
        lean = float(rng.uniform(-25.0, 25.0))
        depth = float(rng.uniform(96.3, 97.6))
        pipes.append(((x - lean, -20.0, x + lean, 20.0), depth, float(rng.uniform(0.05, 0.6))))
    services = runs(*pipes)
    services = services._replace(
        profile_z=services.profile_z + rng.uniform(-1.0, 1.0, len(services.profile_z))
    )
    every, few = bound(services), bound(services, bore=BORE._replace(steepest=STEEPEST))
    assert len(few[6]) + len(few[1]) < len(every[6]) + len(every[1])
    told = [0, 0]
    for _ in range(4000):
        z = float(rng.uniform(95.0, 98.6))
        a = z - float(rng.uniform(0.0, 60.0 * STEEPEST))
        allowed = may_run(few, z, a)
        assert may_run(every, z, a, SLACK if allowed else -SLACK) == allowed
        told[allowed] += 1
    assert min(told) > 50


def may_run(made: tuple[Any, ...], z: float, a: float, by: float = 0.0) -> bool:
    """Whether a leg keeps its rows, and of each band those below or above, all eased by so much."""
    _, t, h, _, low, high, band_t, band_h = made
    left, room = h - (1 - t) * z - t * a + by, band_h - (1 - band_t) * z - band_t * a
    sides = zip(low[:-1].tolist(), high[:-1].tolist(), low[1:].tolist(), strict=True)
    passes = [(room[i:j] >= -by).all() or (room[j:k] <= by).all() for i, j, k in sides]
    return bool((left >= 0).all() and all(passes))
