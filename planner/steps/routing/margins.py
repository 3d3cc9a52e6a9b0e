"""Legs flatter than the least slope and its margin, set apart: they may be, at a price."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from planner.model import Floats
from planner.records import Ints
from planner.rules import stepped
from planner.steps.routing.given import Given
from planner.steps.routing.stacking import Sheet, join_sheets


def split_by_slope(given: Given, sheet: Sheet) -> Sheet:
    """The same legs, each that may lie flatter than its margin twice: steeper, and flatter.

    What a leg costs more where it is flatter is a preference and no money: with the tolerance of a
    bore, such a leg is likely to have ponds.

    Parameters
    ----------
    given
        What the route is chosen from.
    sheet
        The legs, in any order.
    """
    per_m = given.prices.slope_margin
    if per_m <= 0.0:
        return sheet
    steep, falls = _least_steep(given, sheet), sheet.columns["falls"].copy()
    low, high = falls[:, [0, 2]], falls[:, [1, 3]]
    flat = np.flatnonzero((low < np.minimum(steep[:, None], high + 1)).any(axis=1))
    if not len(flat):
        return sheet
    falls[:, [0, 2]] = np.maximum(low, steep[:, None])
    steeper = replace(sheet, columns=sheet.columns | {"falls": falls})
    gentle = sheet.columns["falls"][flat].copy()
    gentle[:, [1, 3]] = np.minimum(gentle[:, [1, 3]], steep[flat, None] - 1)
    price = sheet.columns["price"][flat] + per_m * sheet.columns["length"][flat, None]
    return join_sheets([steeper, sheet.take(flat, falls=gentle, price=price, steeper=flat)])


def _least_steep(given: Given, sheet: Sheet) -> Ints:
    """Least fall of each leg that is no flatter than its margin. [levels]"""
    fall = margin_slopes(given)[sheet.columns["pipe"]] * sheet.columns["length"]
    return np.asarray(np.ceil(fall / given.site.project.level_step - 1e-6), np.int64)


def margin_slopes(given: Given) -> Floats:
    """Slope of each pipe from which on nothing is priced, (pipes,). [m/m]"""
    rules, pipes = given.site.book.rules, given.piping.pipes
    margin = rules.number("bored_slope_margin_pct") / 100
    return np.array([
        min(pipe.min_slope, stepped(rules, "min_slope_pct", pipe.nominal) / 100) + margin
        for pipe in pipes
    ])  # fmt: skip
