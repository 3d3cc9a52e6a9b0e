"""The programme's arrays: ranges of levels and prices of pits and legs."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from planner.kernels.optimum import Instance
from planner.kernels.pairs import BOTTOM, TOP
from planner.kernels.programme import Drops, Legs, Pits
from planner.records import Bools
from planner.steps.routing.binding import bore_of
from planner.steps.routing.doubles import bind_all
from planner.steps.routing.given import GUARD, ROUNDS, SHORTER, Bound, Given, Problem
from planner.steps.routing.margins import BySlope, split_by_slope
from planner.steps.routing.stacking import order_of
from planner.steps.routing.turning import Grouped, branches_of, group_legs


def build_problem(given: Given, served: Bools) -> Problem:
    """The programme's arrays for a set of properties that must be served."""
    return make_problem(given, bind_all(given, served))


def make_problem(given: Given, bound: Bound, pits: Pits | None = None) -> Problem:
    """The programme's arrays for legs whose rows are known.

    Parameters
    ----------
    given
        What the route is chosen from.
    bound
        The legs.
    pits
        The candidates in the programme's form, if they are there already.
    """
    grouped, drops = group_legs(given, bound), _drops(given)
    pits = make_pits(given) if pits is None else pits
    roots = np.flatnonzero(given.candidates.tie_in >= 0)
    split = split_by_slope(given, bound, order_of(bound))
    strict, optimistic = _legs(given, bound, grouped, split)
    return Problem(
        Instance(pits, grouped.strict, strict, drops, roots),
        Instance(pits, grouped.optimistic, optimistic, drops, roots), bound, split.leg,
        (bound.singles, len(bound.up)),
    )  # fmt: skip


def regroup(given: Given, problem: Problem) -> Problem:
    """The same arrays with directions told apart anew, by the places where they are told finely."""
    grouped, leg = group_legs(given, problem.bound), problem.leg
    out, into = grouped.out[leg], grouped.into[leg]
    strict, optimistic = (
        instance._replace(groups=groups, legs=instance.legs._replace(out_group=out, in_group=into))
        for instance, groups in (
            (problem.strict, grouped.strict), (problem.optimistic, grouped.optimistic),
        )
    )  # fmt: skip
    return replace(problem, strict=strict, optimistic=optimistic)


def make_pits(given: Given) -> Pits:
    """The candidates in the programme's form."""
    candidates, prices, branch = given.candidates, given.prices, branches_of(given)
    site = given.site
    step, rules = site.project.level_step, site.book.rules
    count = len(candidates.ground)
    pipe = np.zeros(count, np.int64)
    branches = np.ones(count, np.int64)
    head = np.full(count, np.inf)
    lowest = np.full(count, np.inf)
    for number, pits in enumerate(candidates.chains):
        chain = given.layout.chains[number]
        base = given.layout.lowest[chain.down]
        slope = SHORTER * given.least_slope(number)
        low = base + slope * np.maximum(pits.station, 0.0)
        bottom = pits.kind == BOTTOM
        np.minimum.at(lowest, pits.pits, low - 2 * bottom)
        end = pits.pits[bottom]
        branches[end] = np.maximum(branches[end], branch[number] + 1)
        pipe[pits.pits[~bottom]] = number
        if chain.up < 0:
            heads = pits.pits[pits.kind == TOP]
            branches[heads], head[heads] = 0, 0.0
    least = [min(_depth(given, number) for number in own) for own in given.piping.of_chain]
    depth = np.array(least)[pipe]
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
    price = prices.pit.copy()
    price[at, 1] = np.where(given.outlets.may_launch[candidates.tie_in[at]], price[at, 1], np.inf)
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


def _legs(given: Given, bound: Bound, grouped: Grouped, split: BySlope) -> tuple[Legs, Legs]:
    """Legs in the programme's form, strictly and with hope.

    With hope none is left out for what its neighbours might do, nor for how it rounds.
    """
    leg, pits = split.leg, len(given.candidates.ground)
    looser = np.concatenate([bound.row_of[: bound.singles], bound.doubles.looser])
    falls = np.ascontiguousarray(split.falls.T)
    price, hopeful = bound.price.copy(), bound.price.copy()
    price[~bound.strict] = np.inf
    hopeful[bound.singles :] -= ROUNDS * bound.doubles.rounding
    price, hopeful = price.take(leg, axis=0), hopeful.take(leg, axis=0)
    for dearer in (price, hopeful):
        dearer[split.flat] += given.prices.slope_margin * bound.length[leg[split.flat], None]
    strict = Legs(
        np.searchsorted(bound.down[leg], np.arange(pits + 1)), bound.up[leg], grouped.out[leg],
        grouped.into[leg], falls[0], falls[1], price,
        bound.price_depth.take(leg, axis=0), bound.row_of[leg],
        *bound.rows,
    )  # fmt: skip
    return strict, strict._replace(
        least_fall=falls[2], most_fall=falls[3], price=hopeful, rows=looser[leg]
    )


def _drops(given: Given) -> Drops:
    rules, step = given.site.book.rules, given.site.project.level_step
    return Drops(
        math.floor(rules.number("max_manhole_drop_m") / step + GUARD),
        math.floor(rules.number("max_drop_structure_m") / step + GUARD),
        given.prices.drop, given.prices.drop_depth * step,
    )  # fmt: skip
