"""The programme's arrays: ranges of levels and prices of pits and legs."""

from __future__ import annotations

import math

import numpy as np

from planner.kernels.optimum import Instance
from planner.kernels.pairs import TOP
from planner.kernels.programme import DOWN, DRIVES, Drops, Legs, Pits
from planner.records import Bools
from planner.steps.routing.binding import bind_all, bore_of
from planner.steps.routing.given import GUARD, SHORTER, Bound, Given, Problem
from planner.steps.routing.turning import Grouped, branches_of, group_legs


def build_problem(given: Given, served: Bools) -> Problem:
    """The programme's arrays for a set of properties that must be served."""
    return make_problem(given, bind_all(given, served))


def make_problem(given: Given, bound: Bound) -> Problem:
    """The programme's arrays for legs whose rows are known."""
    branch = branches_of(given)
    grouped = group_legs(given, bound, branch)
    pits, drops = _pits(given, branch), _drops(given)
    roots = np.flatnonzero(given.candidates.tie_in >= 0)
    return Problem(
        Instance(pits, grouped.strict, _legs(given, bound, grouped, bound.falls[:, :2]), drops,
                 roots),
        Instance(pits, grouped.optimistic, _all_legs(given, bound, grouped), drops, roots),
        bound,
    )  # fmt: skip


def _pits(given: Given, branch: dict[int, int]) -> Pits:
    candidates, prices = given.candidates, given.prices
    site = given.site
    step, rules = site.project.level_step, site.book.rules
    count = len(candidates.ground)
    pipe = [0] * count
    branches = np.ones(count, np.int64)
    head = np.full(count, np.inf)
    lowest = np.full(count, np.inf)
    for number, pits in enumerate(candidates.chains):
        chain = given.layout.chains[number]
        base = given.layout.lowest[chain.down]
        slope = SHORTER * given.least_slope(number)
        low = base + slope * np.maximum(pits.station, 0.0)
        for pit, kind, level in zip(pits.pits, pits.kind, low, strict=True):
            lowest[pit] = min(lowest[pit], level - 2 * (kind == 0))
            if kind == 0:
                branches[pit] = max(branches[pit], branch[number] + 1)
            else:
                pipe[pit] = number
            if kind == TOP and chain.up < 0:
                branches[pit], head[pit] = 0, 0.0
    least = [min(_depth(given, number) for number in own) for own in given.piping.of_chain]
    depth = np.array([least[number] for number in pipe])
    high = np.floor((candidates.ground - depth) / step + GUARD)
    deepest = candidates.ground - rules.number("max_depth_m") + prices.under.max()
    root = given.lowest_root
    low = np.ceil(np.maximum(deepest, root + SHORTER * (lowest - root)) / step - GUARD)
    nowhere = np.isposinf(lowest)  # of no chain
    low[nowhere], high[nowhere] = 1.0, 0.0
    at = candidates.tie_in >= 0
    level = given.tie_in_level[candidates.tie_in[at]]
    high[at], low[at] = level, level
    arrive = high.copy()
    arrive[at] = level + math.floor(rules.number("max_drop_structure_m") / step)
    launch = site.tie_ins["may_launch"].to_numpy(bool)
    price = prices.pit.copy()
    price[at, 1] = np.where(launch[candidates.tie_in[at]], price[at, 1], np.inf)
    return Pits(
        low.astype(np.int64), high.astype(np.int64), arrive.astype(np.int64),
        candidates.ground / step, price, prices.pit_depth * step, head, branches,
        prices.step_depth / step, prices.step_price, prices.under / step,
    )  # fmt: skip


def _depth(given: Given, number: int) -> float:
    """Depth of a pipe's invert where its bore just has the cover it needs. [m]"""
    pipe = given.piping.pipes[number]
    wall = (pipe.outside - pipe.inside) / 2
    return bore_of(given.site, pipe).cover + max(pipe.bore, pipe.outside) - wall


def _all_legs(given: Given, bound: Bound, grouped: Grouped) -> Legs:
    """Legs of which none is left out for what its neighbours might do."""
    legs = _legs(given, bound, grouped, bound.falls[:, 2:])
    return legs._replace(price=_leg_prices(given, bound)[0])


def _legs(given: Given, bound: Bound, grouped: Grouped, falls: np.ndarray) -> Legs:
    """Legs in the programme's form."""
    step = given.site.project.level_step
    price, depth = _leg_prices(given, bound)
    price[~bound.strict] = np.inf
    pits = len(given.candidates.ground)
    return Legs(
        np.searchsorted(bound.down, np.arange(pits + 1)).astype(np.int64), bound.up, grouped.out,
        grouped.into, np.ascontiguousarray(falls[:, 0]), np.ascontiguousarray(falls[:, 1]), price,
        depth, bound.row_start, bound.row_t, bound.row_h / step, bound.band_start, bound.band_low,
        bound.band_high, bound.band_t, bound.band_h / step,
    )  # fmt: skip


def _leg_prices(given: Given, bound: Bound) -> tuple[np.ndarray, np.ndarray]:
    """Price of each leg by drive, and per level of depth at either end."""
    step, prices = given.site.project.level_step, given.prices
    price, depth = np.full((len(bound.up), DRIVES), np.inf), np.zeros((len(bound.up), DRIVES, 2))
    for drive, (upper, lower) in enumerate(((0, 1), (1, 1), (1, 0))):
        bored = bound.length - prices.face[bound.up, upper] - prices.face[bound.down, lower]
        per_m = prices.leg[bound.pipe] + (prices.downgrade if drive == DOWN else 0.0)
        depth[:, drive] = (bored * prices.leg_depth[bound.pipe] / 2 * step)[:, None]
        allowed = bound.ways[:, 1 if drive == DOWN else 0]
        price[:, drive] = np.where(allowed, bored * per_m + bound.house_price, np.inf)
    return price, depth


def _drops(given: Given) -> Drops:
    rules, step = given.site.book.rules, given.site.project.level_step
    return Drops(
        math.floor(rules.number("max_manhole_drop_m") / step + GUARD),
        math.floor(rules.number("max_drop_structure_m") / step + GUARD),
        given.prices.drop, given.prices.drop_depth * step,
    )  # fmt: skip
