"""Legs flatter than the least slope and its margin, set apart: they may be, at a price."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from planner.model import Floats
from planner.records import Bools, Ints
from planner.rules import stepped
from planner.steps.routing.given import Bound, Given


class BySlope(NamedTuple):
    """Legs in some order, each that may lie flatter than its margin twice: steeper, and flatter."""

    leg: Ints  # number in the bound
    flat: Bools
    falls: Ints  # (legs, 4) as those of the bound


def split_by_slope(given: Given, bound: Bound, order: Ints) -> BySlope:
    """All legs in an order, those that may lie flatter than their margin twice.

    What a leg costs more where it is flatter is a preference and no money: with the tolerance of a
    bore, such a leg is likely to have ponds.

    Parameters
    ----------
    given
        What the route is chosen from.
    bound
        The legs.
    order : (legs,)
        Their order.
    """
    if given.prices.slope_margin <= 0.0:
        return BySlope(order, np.zeros(len(order), bool), bound.falls.take(order, axis=0))
    steep = _least_steep(given, bound)
    low, high = bound.falls[:, [0, 2]], bound.falls[:, [1, 3]]
    twice = np.any(low < np.minimum(steep[:, None], high + 1), axis=1)[order]
    leg = np.repeat(order, 1 + twice)
    flat = np.zeros(len(leg), bool)
    flat[np.cumsum(1 + twice)[twice] - 1] = True
    falls, steep = bound.falls.take(leg, axis=0), steep[leg]
    for k in (0, 2):
        falls[:, k] = np.where(flat, falls[:, k], np.maximum(falls[:, k], steep))
        falls[:, k + 1] = np.where(flat, np.minimum(falls[:, k + 1], steep - 1), falls[:, k + 1])
    return BySlope(leg, flat, falls)


def _least_steep(given: Given, bound: Bound) -> Ints:
    """Least fall of each leg that is no flatter than its margin. [levels]"""
    fall = margin_slopes(given)[bound.pipe] * bound.length
    return np.asarray(np.ceil(fall / given.site.project.level_step - 1e-6), np.int64)


def margin_slopes(given: Given) -> Floats:
    """Slope of each pipe from which on nothing is priced, (pipes,). [m/m]"""
    rules, pipes = given.site.book.rules, given.piping.pipes
    margin = rules.number("bored_slope_margin_pct") / 100
    return np.array([
        min(pipe.min_slope, stepped(rules, "min_slope_pct", pipe.nominal) / 100) + margin
        for pipe in pipes
    ])  # fmt: skip
