"""What no cheap plan can use, told before it is known what binds the legs.

What binds legs takes longer to find than all else, and on a single street hardly any leg can be of
a plan as cheap as the best. Each leg is given the least price of a plan that uses it, with no rows,
no turns and the gentlest falls. Legs above a budget are left out; a plan within the budget is then
the cheapest of all, as no plan that uses what is left out costs so little.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from planner.kernels.bounds import ROUNDING, bound_prices
from planner.kernels.programme import Groups, Legs, Pits
from planner.model import Floats
from planner.records import Ints
from planner.steps.routing.given import ROUNDS, Bound, Doubles, Given
from planner.steps.routing.stacking import COLUMNS
from planner.steps.routing.turning import strings_of

SHARES = (0.01, 0.05)  # of the legs, that a budget is tried with
MOST_SHARE = 0.5  # of the legs: if more can keep a budget, all are bound
MANY_LEGS = 500  # with fewer, none is worth its while


def least_prices(given: Given, bound: Bound, pits: Pits) -> Floats:
    """Least price of a plan by the legs that it uses, (legs,); infinite where there is none.

    Parameters
    ----------
    given
        What the route is chosen from.
    bound
        The legs, without rows.
    pits
        The pits in the programme's form.
    """
    order = np.argsort(bound.down, kind="stable")
    roots = np.flatnonzero(given.candidates.tie_in >= 0)
    groups, into = _one_group_a_string(given, bound, pits.branches)
    price = bound.price.copy()
    price[bound.singles :] -= ROUNDS * bound.doubles.rounding
    up, down, rows = bound.up[order], bound.down[order], bound.rows
    legs = Legs(
        np.searchsorted(down, np.arange(len(pits.low) + 1)), up, up, into[order],
        bound.falls[:, 2].take(order), bound.falls[:, 3].take(order), price.take(order, axis=0),
        bound.price_depth.take(order, axis=0), bound.row_of[order], *rows,
    )  # fmt: skip
    found = bound_prices(pits, groups, legs, roots)
    of = found.tree[down]
    least = np.full(len(roots), np.inf)
    np.minimum.at(least, of, found.leg)
    least[np.isinf(least)] = 0.0  # nothing drains to it
    prices = np.empty(len(order))
    prices[order] = found.leg + (least.sum() - least[of])  # every root has its plan
    return prices


def _one_group_a_string(given: Given, bound: Bound, branches: Ints) -> tuple[Groups, Ints]:
    """Legs that arrive as one group for each string, whatever their direction and size."""
    strings = np.maximum(branches, 1)
    start = np.append(0, np.cumsum(strings))
    every = np.arange(start[-1])
    branch = every - np.repeat(start[:-1], strings)
    groups = Groups(
        np.arange(len(start)), start, branch, start, every, np.zeros(len(every), np.int64)
    )
    return groups, start[bound.down] + strings_of(given, bound)


def budgets(prices: Floats) -> Iterator[float]:
    """Prices that a plan might keep, the lowest first, by the least prices of plans."""
    finite = prices[np.isfinite(prices)]
    for share in SHARES if len(finite) else ():
        place = int(share * len(finite))
        yield float(np.partition(finite, place)[place])


def keep_within(bound: Bound, prices: Floats, most: float) -> Bound:
    """The legs that a plan within a budget can use; all of them where these are most of them.

    Parameters
    ----------
    bound
        The legs, without rows.
    prices : (legs,)
        Least price of a plan that uses each.
    most
        The budget.
    """
    keep = prices <= most + ROUNDING * (1.0 + abs(most))
    singles, doubles = bound.singles, bound.doubles
    double = keep[singles:]
    keep[doubles.parts[double]] = True
    if keep[:singles].mean() > MOST_SHARE:
        return bound
    number = np.cumsum(keep[:singles]) - 1
    doubles = Doubles._make(column[double] for column in doubles)
    return replace(
        bound, doubles=doubles._replace(parts=number[doubles.parts]),
        **{name: getattr(bound, name)[keep] for name in COLUMNS},
    )  # fmt: skip
