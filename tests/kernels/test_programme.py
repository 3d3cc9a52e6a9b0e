"""The programme against a search that tries every level of every leg, written without it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest

from planner.kernels.optimum import Instance, find_optimum, price_optimum
from planner.kernels.programme import Drops, Groups, Legs, Pits
from planner.kernels.tables import fill_tables, trace_pit

DRIVES = ((0, 1), (1, 1), (1, 0), (0, 0))  # role at the upper and at the lower pit: 1 launches
INSTANCES = 60


@dataclass(frozen=True, eq=False)
class Leg:
    """A leg as plain numbers."""

    up: int
    down: int
    falls: tuple[int, int]
    price: tuple[float, ...]  # by drive
    depth_price: tuple[tuple[float, float], ...]
    rows: tuple[tuple[float, float], ...]  # upper rows, lower hull order
    band: tuple[tuple[float, float, float], ...]  # place, lowest and highest forbidden level


@dataclass(frozen=True, eq=False)
class Toy:
    """A junction of two strings: pits 0 and 1 are heads of one, 2 of the other, 5 is the root."""

    ground: tuple[float, ...]
    low: tuple[int, ...]
    high: tuple[int, ...]
    pit_price: np.ndarray  # (pits, 2)
    pit_depth_price: np.ndarray
    legs: tuple[Leg, ...]
    drop: dict[int, int]  # pit -> least fall
    drops: Drops


BRANCHES = (0, 0, 0, 1, 2, 1)  # strings that arrive at each pit: 3 passes on, 4 is the junction
ENDS = ((0, 3), (1, 3), (0, 4), (3, 4), (2, 4), (4, 5))
STRING = {(0, 4): 0, (3, 4): 0, (2, 4): 1}


def toy(seed: int) -> Toy:
    rng = np.random.default_rng(seed)
    ground = tuple(rng.uniform(28, 34, 6))
    high = [int(g - rng.integers(3, 6)) for g in ground]
    low = [h - int(rng.integers(8, 16)) for h in high]
    high[5] = low[5] = min(low) + int(rng.integers(-3, 4))
    legs = []
    for up, down in ENDS:
        least = int(rng.integers(0, 3))
        rows = sorted(
            (float(t), float(rng.uniform(22, 30))) for t in (0.0, rng.uniform(0.2, 0.8), 1.0)
        )
        band: tuple[tuple[float, float, float], ...] = ()
        if rng.random() < 0.6:
            middle = float(rng.uniform(16, 26))
            places = np.sort(rng.uniform(0.1, 0.9, 2))
            band = tuple((float(t), middle - 1.3, middle + 1.6) for t in places)
        price = tuple(float(p) if rng.random() < 0.6 else math.inf for p in rng.uniform(50, 90, 4))
        falls = (least, least + int(rng.integers(6, 20)))
        depth_price = tuple((float(p), float(q)) for p, q in rng.uniform(0.5, 3, (4, 2)))
        legs.append(Leg(up, down, falls, price, depth_price, convex(rows), band))
    drops = Drops(4, 9, 12.0, 1.5)
    return Toy(
        ground, tuple(low), tuple(high), rng.uniform(20, 60, (6, 2)), rng.uniform(1, 6, (6, 2)),
        tuple(legs), {v: int(rng.integers(0, 3)) for v in range(6)}, drops,
    )  # fmt: skip


def convex(rows: list[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    """Three rows, the middle one left out where it cannot bind."""
    (_, a), (t, b), (_, c) = rows
    return tuple(rows) if b < a + t * (c - a) else (rows[0], rows[2])


def by_trying_everything(toy: Toy) -> float:  # noqa: C901  (one recursion, to be read as one)
    """Least price at the root, by recursion over every choice."""

    def allowed(leg: Leg, z: int, a: int) -> bool:
        if not leg.falls[0] <= z - a <= leg.falls[1]:
            return False
        if any((1 - t) * z + t * a > h + 1e-9 for t, h in leg.rows):
            return False
        at = [(1 - t) * z + t * a for t, _, _ in leg.band]
        below = all(x <= row[1] + 1e-9 for x, row in zip(at, leg.band, strict=True))
        above = all(x >= row[2] - 1e-9 for x, row in zip(at, leg.band, strict=True))
        return below or above

    def through(v: int, fall: int) -> float:
        if fall < toy.drop[v] or fall > toy.drops.most:
            return math.inf
        if fall <= toy.drops.free:
            return 0.0
        return toy.drops.price + toy.drops.price_level * fall

    @cache
    def best(v: int, role: int, level: int) -> float:
        depth = toy.ground[v] - level + (0.5, 1.0)[role]
        own = toy.pit_price[v, role] + toy.pit_depth_price[v, role] * depth
        own += (0.0, 7.0)[role] if depth >= 9.0 else 0.0
        strings = dict.fromkeys(range(BRANCHES[v]), math.inf)
        for leg in toy.legs:
            if leg.down == v:
                string = STRING.get((leg.up, leg.down), 0)
                strings[string] = min(strings[string], arrive(leg, role, level))
        return float(own + sum(strings.values()))

    def arrive(leg: Leg, role: int, level: int) -> float:
        cheapest = math.inf
        for drive, (upper, lower) in enumerate(DRIVES):
            if lower != role or leg.price[drive] == math.inf:
                continue
            for fall in range(toy.drop[leg.down], toy.drops.most + 1):
                a = level + fall
                if a > top(leg.down):
                    break
                for z in range(toy.low[leg.up], toy.high[leg.up] + 1):
                    if allowed(leg, z, a):
                        rates = leg.depth_price[drive]
                        price = leg.price[drive] + rates[0] * (toy.ground[leg.up] - z)
                        price += rates[1] * (toy.ground[leg.down] - a)
                        price += through(leg.down, fall) + best(leg.up, upper, z)
                        cheapest = min(cheapest, price)
        return cheapest

    def top(v: int) -> int:
        return toy.high[v] + (9 if v == 5 else 0)

    return min(best(5, role, toy.low[5]) for role in (0, 1))


def arrays(toy: Toy) -> tuple[Pits, Groups, Legs, Drops]:
    """The same toy as the programme's arrays: one group that leaves each pit, one a string."""
    low, high = np.array(toy.low), np.array(toy.high)
    arrive = high.copy()
    arrive[5] += 9
    head = np.where(np.array(BRANCHES) == 0, 0.0, np.inf)
    pits = Pits(
        low, high, arrive, np.array(toy.ground), toy.pit_price, toy.pit_depth_price, head,
        np.array(BRANCHES), np.array([9.0]), np.array([[0.0, 7.0]]), np.array([0.5, 1.0]),
    )  # fmt: skip
    in_start = np.concatenate([[0], np.cumsum(BRANCHES)])
    pairs = [
        (v, in_start[v] + k, toy.drop[v]) for v in range(6) for k in range(BRANCHES[v])
    ]  # fmt: skip
    groups = Groups(
        np.arange(7), in_start, np.concatenate([np.arange(n) for n in BRANCHES]),
        np.searchsorted([p[0] for p in pairs], np.arange(7)),
        np.array([p[1] for p in pairs]), np.array([p[2] for p in pairs]),
    )  # fmt: skip
    legs = toy.legs
    string = np.array([STRING.get((leg.up, leg.down), 0) for leg in legs])
    down = np.array([leg.down for leg in legs])
    row_count = [len(leg.rows) for leg in legs]
    banded = [leg for leg in legs if leg.band]
    starts = np.concatenate([[0], np.cumsum([4 for _ in banded])])
    return pits, groups, Legs(
        np.searchsorted(down, np.arange(7)), np.array([leg.up for leg in legs]),
        np.array([leg.up for leg in legs]), in_start[down] + string,
        np.array([leg.falls[0] for leg in legs]), np.array([leg.falls[1] for leg in legs]),
        np.array([leg.price for leg in legs]), np.array([leg.depth_price for leg in legs]),
        np.arange(len(legs)), np.concatenate([[0], np.cumsum(row_count)]),
        np.array([t for leg in legs for t, _ in leg.rows]),
        np.array([h for leg in legs for _, h in leg.rows]),
        np.concatenate([[0], np.cumsum([bool(leg.band) for leg in legs])]),
        starts, np.append(starts[:-1] + 2, starts[-1]),
        np.array([t for leg in banded for _ in range(2) for t, _, _ in leg.band], float),
        np.array([row[k] for leg in banded for k in (1, 2) for row in leg.band], float),
    ), toy.drops  # fmt: skip


@pytest.mark.parametrize("seed", range(INSTANCES))
def test_the_programme_finds_what_trying_everything_finds(seed: int) -> None:
    made = toy(seed)
    filled = fill_tables(*arrays(made))
    found = filled.tables[filled.offset[5] : filled.offset[5] + 2].min()
    assert found == pytest.approx(by_trying_everything(made), rel=1e-12)


def test_enough_of_the_toys_have_a_plan_and_some_have_none() -> None:
    prices = [by_trying_everything(toy(seed)) for seed in range(INSTANCES)]
    planned = np.isfinite(prices).sum()
    assert 0.3 * INSTANCES < planned < INSTANCES


@pytest.mark.parametrize("seed", range(INSTANCES))
def test_the_way_back_costs_what_the_tables_say(seed: int) -> None:
    """Invariant: pits and legs of the trace, priced one by one, sum to the root's entry."""
    made = toy(seed)
    pits, groups, legs, drops = arrays(made)
    filled = fill_tables(pits, groups, legs, drops)
    values = filled.tables[filled.offset[5] : filled.offset[5] + 2]
    if not np.isfinite(values.min()):
        assert math.isinf(by_trying_everything(made))
        return
    total, stack = 0.0, [(5, int(values.argmin()), made.low[5])]
    while stack:
        v, role, level = stack.pop()
        depth = made.ground[v] - level + (0.5, 1.0)[role]
        total += made.pit_price[v, role] + made.pit_depth_price[v, role] * depth
        total += 7.0 if role and depth >= 9.0 else 0.0
        strings = trace_pit(
            v, v, role, level, pits, groups, legs, drops, filled,
        )  # fmt: skip
        assert len(strings) == BRANCHES[v]
        for index, drive, z, a in strings.tolist():
            leg, fall = made.legs[index], a - level
            rates = leg.depth_price[drive]
            total += leg.price[drive] + rates[0] * (made.ground[leg.up] - z)
            total += rates[1] * (made.ground[v] - a)
            total += drops.price + drops.price_level * fall if fall > drops.free else 0.0
            stack.append((leg.up, DRIVES[drive][0], z))
    assert total == pytest.approx(values.min(), rel=1e-12)


@pytest.mark.parametrize("seed", range(INSTANCES))
def test_an_optimum_is_priced_alike_by_its_tables_and_by_its_parts(seed: int) -> None:
    made = toy(seed)
    instance = Instance(*arrays(made), np.array([5]))
    found = find_optimum(instance)
    expected = by_trying_everything(made)
    if found is None:
        assert math.isinf(expected)
        return
    assert found.cost == pytest.approx(expected, rel=1e-12)
    assert price_optimum(instance, found) == pytest.approx(expected, rel=1e-12)
