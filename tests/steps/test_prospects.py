"""What is left out before legs are bound can be in no plan as cheap as the one that is found."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from planner.kernels import pairs
from planner.kernels.optimum import Instance, find_optimum, price_optimum
from planner.records import Bools
from planner.steps.candidates import place
from planner.steps.routing import Found, Given, build_problem, find_route
from planner.steps.routing import search as search_module
from planner.steps.routing.binding import bind_rows
from planner.steps.routing.doubles import drives_of, lay_legs
from planner.steps.routing.given import Bound
from planner.steps.routing.memo import Memo
from planner.steps.routing.pricing import make_pits
from planner.steps.routing.prospects import budgets, keep_within, least_prices
from planner.steps.routing.stacking import COLUMNS
from tests.builders import houses, line, main_street, plane, point
from tests.judge.sites import given_of_site

CROSSED = [
    line((x, -25), (x + 2, 25), kind=kind, diameter_m=0.3, depth_m=depth, quality="B")
    for x, kind, depth in ((35.0, "gas", 1.6), (75.0, "storm", 2.2), (115.0, "water", 1.5))
]
ROLLING = {"ground": lambda x, y: 100.0 + 0.012 * x + 0.4 * np.sin(x / 15.0) + 0.0 * y}
FORK = [
    line((0, 0), (90, 0), street="Low"), line((90, 0), (160, 60), street="Left"),
    line((90, 0), (160, -60), street="Right"),
]  # fmt: skip
ONE_LANE = "a lane whose plan has a pit without a manhole"
SITES: dict[str, dict[str, Any]] = {
    ONE_LANE: {
        "ground": plane(100.0, -0.01), "streets": main_street(230.0, lanes=1, row_width_m=6.0),
        "properties": [point(x, 12) for x in (20.0, 60.0, 100.0, 150.0, 205.0)],
        "tie_ins": [point(0, 0, tie_in_id="T", invert_elev_m=97.0)],
        "tables": {"rules": {"max_depth_m": 4.0}},  # so that some pits between could be too deep
    },
    "a street": {"streets": main_street(150.0), "properties": houses(150.0)},
    "a street under services on rolling ground": {
        "streets": main_street(150.0), "properties": houses(150.0), "utilities": CROSSED, **ROLLING,
    },
    "a fork": {
        "streets": FORK, "properties": [*houses(80.0), point(140, 57), point(140, -57)],
        "utilities": CROSSED[:2],
    },
    "two tie-ins": {
        "streets": [*main_street(120.0), line((0, 300), (100, 300), street="North")],
        "properties": [*houses(120.0), *(point(x, 312) for x in (15.0, 50.0, 85.0))],
        "tie_ins": [point(0, 0, tie_in_id="T1", invert_elev_m=96.0),
                    point(0, 300, tie_in_id="T2", invert_elev_m=95.0)],
    },
}  # fmt: skip
DEAR = 1e7  # more than any plan here costs


def everybody(given: Given) -> Bools:
    served = np.zeros(len(given.site.properties), bool)
    served[np.concatenate([chain.properties for chain in given.layout.chains])] = True
    return served


def given_of(folder: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> Given:
    """Pits every 6 m, so that the tests need no more than seconds."""
    monkeypatch.setattr(place, "station_step", lambda _: 6.0)
    return given_of_site(folder, **SITES[name])


def legs_in(found: Found) -> set[tuple[int, int, int, int]]:
    return {(d.up, d.down, d.up_level, d.down_level) for d in drives_of(found.problem,
                                                                       found.optimum)}  # fmt: skip


@pytest.mark.parametrize("shares", [(0.01, 0.05), (0.0, 0.0), (0.2,), (0.0, 0.4), ()])
@pytest.mark.parametrize("name", SITES)
def test_the_route_is_that_of_all_legs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, shares: tuple[float, ...]
) -> None:
    """Under budgets that hold, that are too low, and without any.

    Turns are told apart by the legs that are there, so fewer legs may cost less by a few levels.
    """
    given = given_of(tmp_path, monkeypatch, name)
    served = everybody(given)
    monkeypatch.setattr("planner.steps.routing.prospects.SHARES", shares)
    monkeypatch.setattr(search_module, "MANY_LEGS", 1)
    found, every = find_route(given, served), build_problem(given, served)
    best, least = find_optimum(every.strict), find_optimum(every.optimistic)
    assert found is not None
    assert best is not None
    assert least is not None
    assert least.cost - 0.01 <= found.optimum.cost <= best.cost + 0.01
    assert price_optimum(found.problem.strict, found.optimum) == pytest.approx(found.optimum.cost)
    singles = every.bound.singles
    assert found.problem.looked_at == (singles, len(every.bound.up))
    without_manhole = found.problem.leg[found.optimum.leg] >= found.problem.bound.singles
    assert without_manhole.any() == (name == ONE_LANE)
    if found.optimum.cost == pytest.approx(best.cost, abs=0.001):
        assert legs_in(found) == legs_in(Found(given, served, every, best))


def test_where_more_legs_have_no_plan_all_are_bound(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Turns are known in classes; the second run under a budget is made to find nothing."""
    given = given_of(tmp_path, monkeypatch, "a street under services on rolling ground")
    served = everybody(given)
    solve, looked_at = search_module.solve, []

    def solve_but_second(*asked: Any) -> Found | None:
        looked_at.append(len(asked[2].bound.up))
        return None if len(looked_at) == 2 else solve(*asked)

    monkeypatch.setattr(search_module, "solve", solve_but_second)
    monkeypatch.setattr("planner.steps.routing.prospects.SHARES", (0.05,))
    monkeypatch.setattr("planner.steps.routing.prospects.MOST_SHARE", 1.0)
    found, every = find_route(given, served), build_problem(given, served)
    best = find_optimum(every.strict)
    assert found is not None
    assert best is not None
    assert looked_at[0] < looked_at[1] <= looked_at[2] == len(every.bound.up)
    assert found.optimum.cost == pytest.approx(best.cost)


def test_hardly_any_leg_of_a_plain_street_is_bound(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    given = given_of(tmp_path, monkeypatch, "a street")
    found = find_route(given, everybody(given))
    assert found is not None
    assert len(found.problem.bound.up) < 0.1 * found.problem.looked_at[1]


@pytest.mark.parametrize("name", SITES)
def test_a_leg_is_in_no_cheaper_plan_than_its_least_price(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """The cheapest plan through a leg, had by paying for its use, for forty legs and doubles."""
    given = given_of(tmp_path, monkeypatch, name)
    served = everybody(given)
    prices = least_prices(given, lay_legs(given, served), make_pits(given))
    problem = build_problem(given, served)
    assert len(prices) == len(problem.bound.up)
    rng = np.random.default_rng(7)
    tried = 0
    for leg in rng.permutation(np.flatnonzero(np.isfinite(prices)))[:40].tolist():
        cost = _cheapest_through(problem.optimistic, np.flatnonzero(problem.leg == leg))
        assert cost >= prices[leg] - 0.01
        tried += np.isfinite(cost)
    assert tried > 3
    best = find_optimum(problem.optimistic)
    assert best is not None
    assert (prices[problem.leg[best.leg]] <= best.cost + 0.01).all()


def _cheapest_through(instance: Instance, legs: np.ndarray) -> float:
    price = instance.legs.price.copy()
    price[legs] -= DEAR
    found = find_optimum(instance._replace(legs=instance.legs._replace(price=price)))
    return np.inf if found is None or found.cost > 0 else found.cost + DEAR


@pytest.mark.parametrize("name", SITES)
def test_what_is_kept_is_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """Parts of doubles are kept with them, and point at the same two legs as before."""
    given = given_of(tmp_path, monkeypatch, name)
    legs = lay_legs(given, everybody(given))
    prices = least_prices(given, legs, make_pits(given))
    doubles = np.sort(prices[legs.singles :])
    most = float(doubles[len(doubles) // 4])
    monkeypatch.setattr("planner.steps.routing.prospects.MOST_SHARE", 1.0)
    kept = keep_within(legs, prices, most)
    double = slice(kept.singles, None)
    assert len(kept.up[double]) == (doubles <= most).sum() > 0
    assert (prices <= most).sum() <= len(kept.up) <= len(legs.up)
    high, low = kept.doubles.parts.T
    assert (kept.up[high] == kept.up[double]).all()
    assert (kept.down[low] == kept.down[double]).all()
    assert (kept.down[high] == kept.up[low]).all()
    assert np.allclose(kept.length[high] + kept.length[low], kept.length[double])


@pytest.mark.parametrize("name", SITES)
def test_legs_that_are_kept_are_bound_as_among_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """Row by row; and the pit between two drives is no deeper than its price is good for."""
    given = given_of(tmp_path, monkeypatch, name)
    served = everybody(given)
    legs = lay_legs(given, served)
    prices = least_prices(given, legs, make_pits(given))
    most = float(np.median(prices[legs.singles :]))
    monkeypatch.setattr("planner.steps.routing.prospects.MOST_SHARE", 1.0)
    whole, kept = (
        bind_rows(given, served, some) for some in (legs, keep_within(legs, prices, most))
    )
    numbers = {key: number for number, key in enumerate(keys_of(whole))}
    for number, key in enumerate(keys_of(kept)):
        ours, theirs = (rows_of(bound, bound.row_of[k]) for bound, k in
                        ((kept, number), (whole, numbers[key])))  # fmt: skip
        assert all(np.array_equal(a, b) for a, b in zip(ours, theirs, strict=True))
    doubles, step = kept.doubles, given.site.project.level_step
    floored = np.flatnonzero(doubles.lowest > -np.inf).tolist()
    assert floored or name != ONE_LANE
    for double in floored:
        high, low = doubles.parts[double]
        share = kept.length[high] / (kept.length[high] + kept.length[low])
        for rows, eased in (
            (kept.row_of[kept.singles + double], 0.0),
            (doubles.looser[double], 1.0),
        ):
            _, _, low_end, high_end, place, level = rows_of(kept, rows)
            assert place[high_end[0] - low_end[0]] == share
            floor = doubles.lowest[double] / step + 0.5 - eased
            assert level[high_end[0] - low_end[0]] == pytest.approx(floor)


def keys_of(bound: Bound) -> list[tuple[Any, ...]]:
    """What tells each leg of a bound from all others."""
    none = np.zeros(bound.singles)
    middle = np.concatenate([none - 1, bound.up[bound.doubles.parts[:, 1]]])
    between = np.concatenate([none, bound.doubles.between])
    lowest = np.concatenate([none, bound.doubles.lowest])
    columns = (bound.up, bound.down, bound.pipe, middle, between, lowest)
    keys = list(zip(*(column.tolist() for column in columns), strict=True))
    assert len(set(keys)) == len(keys)
    return keys


def rows_of(bound: Bound, own: int) -> list[np.ndarray]:
    """Places and levels of a set of rows, and its bands, counted from its first."""
    rows = bound.rows
    first, last = rows.band_start[own], rows.band_start[own + 1]
    row, entry = slice(*rows.row_start[own : own + 2]), slice(*rows.band_low[[first, last]])
    return [
        rows.row_t[row], rows.row_h[row], rows.band_low[first:last] - entry.start,
        rows.band_high[first:last] - entry.start, rows.band_t[entry], rows.band_h[entry],
    ]  # fmt: skip


def test_more_room_changes_no_leg(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Room for legs grows many times where there is little at first."""
    given = given_of(tmp_path, monkeypatch, "a fork")
    served = everybody(given)
    legs = lay_legs(given, served)
    monkeypatch.setattr(pairs, "FIRST_ROOM", 1)
    again = lay_legs(replace(given, memo=Memo()), served)
    assert len(legs.up) > 3_000
    for name in COLUMNS:
        assert np.array_equal(getattr(again, name), getattr(legs, name))


def test_where_most_legs_keep_the_budget_all_are_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    given = given_of(tmp_path, monkeypatch, ONE_LANE)
    legs = lay_legs(given, everybody(given))
    prices = least_prices(given, legs, make_pits(given))
    assert keep_within(legs, prices, np.inf) is legs
    low, high = budgets(prices)
    assert low <= high
    assert len(keep_within(legs, prices, low).up) <= len(keep_within(legs, prices, high).up)
