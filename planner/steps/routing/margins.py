"""Legs flatter than the least slope and its margin, set apart: they may be, at a price."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from planner.kernels.midway import Rows, take_rows
from planner.model import Floats
from planner.records import Ints
from planner.rules import stepped
from planner.steps.routing.given import Bound, Given
from planner.steps.routing.stacking import PLAIN, join_bounds


def split_by_slope(given: Given, bound: Bound) -> Bound:
    """The same legs, each that may lie flatter than its margin twice: steeper, and flatter.

    What a leg costs more where it is flatter is a preference and no money: with the tolerance of a
    bore, such a leg is likely to have ponds.

    Parameters
    ----------
    given
        What the route is chosen from.
    bound
        The legs, in any order.
    """
    per_m = given.prices.slope_margin
    if per_m <= 0.0:
        return bound
    steep = _least_steep(given, bound)
    low, high = bound.falls[:, [0, 2]], bound.falls[:, [1, 3]]
    flat = np.flatnonzero((low < np.minimum(steep[:, None], high + 1)).any(axis=1))
    if not len(flat):
        return bound
    falls = bound.falls.copy()
    falls[:, [0, 2]] = np.maximum(low, steep[:, None])
    steeper = replace(bound, falls=falls)
    return join_bounds([steeper, _flatter(bound, flat, steep[flat] - 1, per_m)])


def _flatter(bound: Bound, which: Ints, most: Ints, per_m: float) -> Bound:
    """Some of the legs at falls up to a greatest one."""
    none = np.full(len(which), -np.inf)
    rows = take_rows(
        Rows(*(getattr(bound, name) for name in Rows._fields)), which, none, none
    )  # fmt: skip
    own = replace(
        bound, **{name: getattr(bound, name)[which] for name in PLAIN}, **rows._asdict(),
        parts=bound.parts[which], steeper=which,
    )  # fmt: skip
    falls = own.falls.copy()
    falls[:, [1, 3]] = np.minimum(falls[:, [1, 3]], most[:, None])
    return replace(own, falls=falls, price=own.price + per_m * own.length[:, None])


def _least_steep(given: Given, bound: Bound) -> Ints:
    """Least fall of each leg that is no flatter than its margin. [levels]"""
    length = bound.length / given.site.project.level_step
    return np.ceil(margin_slopes(given)[bound.pipe] * length - 1e-6).astype(np.int64)


def margin_slopes(given: Given) -> Floats:
    """Slope of each pipe from which on nothing is priced, (pipes,). [m/m]"""
    rules, pipes = given.site.book.rules, given.piping.pipes
    margin = rules.number("bored_slope_margin_pct") / 100
    return np.array([
        min(pipe.min_slope, stepped(rules, "min_slope_pct", pipe.nominal) / 100) + margin
        for pipe in pipes
    ])  # fmt: skip
