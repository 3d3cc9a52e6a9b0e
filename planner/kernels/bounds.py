"""Least prices of whole plans that use a pit or a leg, whatever the levels: what cannot be best.

Of levels only the highest is kept at which a sewer can pass, under all rows and falls above it;
prices fall as a sewer rises, so each part at its highest costs no more than in any plan. One walk
from the heads down gives the least price of all above, one back up that of all the rest. Both
take time in proportion to the legs.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import inner, leaf
from planner.kernels.programme import (
    DRIVES,
    FAR,
    GUARD,
    LOWER_ROLE,
    UPPER_ROLE,
    Groups,
    Legs,
    Pits,
    pit_price,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ROUNDING = 1e-9  # of a price


class Bounds(NamedTuple):
    """Least prices, infinite where no plan passes."""

    tree: Ints  # (pits,) number of the root that a pit can drain to, or -1
    leg: Floats  # (legs,) of a plan that uses the leg, so far as its own root goes
    above: Floats  # (2 x out groups,) of all at and above a pit, by how it is left and its role
    rest: Floats  # (2 x out groups,) of everything else; -inf at a root, which ends the plan
    beyond: Floats  # (2 x in groups,) of everything but what is above the leg that arrives, the
    # pit at its lower end included


class Budget(NamedTuple):
    """What a plan may cost at most; without bounds everything is looked at."""

    most: float
    bounds: Bounds


class _Ahead(NamedTuple):
    """What the walk from the heads finds out."""

    high: Ints  # (out groups,) highest level at which a pit can be left
    highest: Ints  # (in groups,) at which something can arrive
    own: Floats  # (2 x out groups,) least price of the pit itself
    arrive: Floats  # (2 x in groups,) least price of all above that arrives
    above: Floats  # (2 x out groups,)


def bound_prices(pits: Pits, groups: Groups, legs: Legs, roots: Ints) -> Bounds:
    """Least prices of plans by what they use.

    Parameters
    ----------
    pits, groups, legs
        The instance.
    roots : (roots,)
        Its roots.
    """
    n, n_in, n_out = len(pits.low), len(groups.in_branch), int(groups.out_start[-1])
    ahead = _Ahead(
        np.full(n_out, -FAR), np.full(n_in, -FAR), np.full(2 * n_out, np.inf),
        np.full(2 * n_in, np.inf), np.full(2 * n_out, np.inf),
    )  # fmt: skip
    bounds = Bounds(
        np.full(n, -1), np.full(len(legs.up), np.inf), ahead.above, np.full(2 * n_out, np.inf),
        np.full(2 * n_in, np.inf),
    )  # fmt: skip
    ends = 2 * groups.out_start[roots]
    _walk_down(pits, groups, legs, ahead)
    bounds.tree[roots] = np.arange(len(roots))
    bounds.rest[ends], bounds.rest[ends + 1] = 0.0, 0.0
    _walk_up(pits, groups, legs, ahead, bounds)
    bounds.rest[ends], bounds.rest[ends + 1] = -np.inf, -np.inf
    return bounds


def prices_into(order: Ints, legs: Legs, bounds: Bounds) -> Floats:
    """Least prices of plans by the legs into some pits that they use, without those of no plan.

    Parameters
    ----------
    order
        The pits.
    legs
        The legs.
    bounds
        Of which ``leg`` is looked up.
    """
    prices = bounds.leg
    if len(order) + 1 < len(legs.start):
        count = (legs.start[1:] - legs.start[:-1])[order]
        ends = np.cumsum(count)
        begin = np.repeat(legs.start[order] - ends + count, count)
        prices = prices[begin + np.arange(len(begin))]
    return prices[np.isfinite(prices)]


def make_budget(most: float, bounds: Bounds) -> Budget:
    """A budget with room for rounding."""
    return Budget(most + ROUNDING * (1.0 + abs(most)) if most < np.inf else most, bounds)


def no_budget() -> Budget:
    """No bounds at all: everything is looked at, also what leads to no root."""
    none = np.empty(0)
    return Budget(np.inf, Bounds(np.empty(0, np.int64), none, none, none, none))


@leaf
def _walk_down(pits: Pits, groups: Groups, legs: Legs, ahead: _Ahead) -> None:
    """Look at all pits from the heads down."""
    up, group, into, price = legs.up, legs.out_group, legs.in_group, legs.price
    falls, rates = (legs.least_fall, legs.most_fall), legs.price_depth
    rows = (legs.rows, legs.row_start, legs.row_t, legs.row_h)
    low, arrive_high, ground = pits.low, pits.arrive_high, pits.ground
    high, highest, above, arrive = ahead.high, ahead.highest, ahead.above, ahead.arrive
    for v in range(len(low)):
        for leg in range(legs.start[v], legs.start[v + 1]):
            out, g = group[leg], into[leg]
            if high[out] == -FAR:
                continue
            z, a, both = _highest_ends(leg, high[out], low[v], arrive_high[v], falls, rows)
            if a < low[v] or z < low[up[leg]]:
                continue
            highest[g] = max(highest[g], math.floor(a))
            for drive in range(DRIVES):
                before = above[2 * out + UPPER_ROLE[drive]] + price[leg, drive]
                if before < np.inf:
                    before += rates[leg, drive, 0] * ground[up[leg]]
                    before += rates[leg, drive, 1] * ground[v]
                    before -= _saving(rates[leg, drive, 0], rates[leg, drive, 1], z, a, both)
                    at = 2 * g + LOWER_ROLE[drive]
                    arrive[at] = min(arrive[at], before)
        for out in range(groups.out_start[v], groups.out_start[v + 1]):
            _leave(v, out, pits, groups, ahead)


@leaf
def _walk_up(pits: Pits, groups: Groups, legs: Legs, ahead: _Ahead, bounds: Bounds) -> None:
    """Look at all pits from the roots up."""
    up, group, into, price = legs.up, legs.out_group, legs.in_group, legs.price
    falls, rates = (legs.least_fall, legs.most_fall), legs.price_depth
    rows = (legs.rows, legs.row_start, legs.row_t, legs.row_h)
    low, arrive_high, ground, high = pits.low, pits.arrive_high, pits.ground, ahead.high
    tree, least, beyond, rest = bounds.tree, bounds.leg, bounds.beyond, bounds.rest
    for v in range(len(low) - 1, -1, -1):
        if tree[v] < 0:
            continue
        for out in range(groups.out_start[v], groups.out_start[v + 1]):
            _look_beyond(out, pits.branches[v], groups, ahead, bounds)
        for leg in range(legs.start[v], legs.start[v + 1]):
            out, g = group[leg], into[leg]
            if high[out] == -FAR or min(beyond[2 * g], beyond[2 * g + 1]) == np.inf:
                continue
            z, a, both = _highest_ends(leg, high[out], low[v], arrive_high[v], falls, rows)
            if a < low[v] or z < low[up[leg]]:
                continue
            for drive in range(DRIVES):
                after = beyond[2 * g + LOWER_ROLE[drive]] + price[leg, drive]
                if after < np.inf:
                    after += rates[leg, drive, 0] * ground[up[leg]]
                    after += rates[leg, drive, 1] * ground[v]
                    after -= _saving(rates[leg, drive, 0], rates[leg, drive, 1], z, a, both)
                    at = 2 * out + UPPER_ROLE[drive]
                    rest[at] = min(rest[at], after)
                    least[leg] = min(least[leg], after + bounds.above[at])
                    tree[up[leg]] = tree[v]


@inner
def _highest_ends(
    leg: int, top: int, low: int, arrive_high: int, falls: tuple[Ints, Ints],
    rows: tuple[Ints, Ints, Floats, Floats],
) -> tuple[float, float, float]:  # fmt: skip
    """Highest start and arrival of a leg, and the greatest sum of both."""
    least, most = falls[0][leg], falls[1][leg]
    z, a = float(top), float(min(arrive_high, top - least))
    both = z + a
    own = rows[0][leg]
    for k in range(rows[1][own], rows[1][own + 1]):
        t, h = rows[2][k], rows[3][k] + 2.0 * GUARD
        a = min(a, h if t >= 1.0 else h - (1.0 - t) * least)
        if t < 1.0:
            z = min(z, (h - t * low) / (1.0 - t))
        both = min(both, 2.0 * h + (2.0 * t - 1.0) * (most if t > 0.5 else least))
    return min(z, a + most), a, both


@inner
def _saving(up: float, down: float, z: float, a: float, both: float) -> float:
    """What the highest levels of a leg take off its price, by its prices per level."""
    return up * min(both, z + a) if up == down else up * z + down * a


@inner
def _leave(v: int, out: int, pits: Pits, groups: Groups, ahead: _Ahead) -> None:
    """Set how high pit v can be left by a group, and the least price of all above."""
    head, count = pits.price_head[v], pits.branches[v]
    high, exits, launches = pits.high[v], np.inf, np.inf
    if count > 0:
        exits, launches = 0.0, 0.0
    elif head == np.inf:
        return
    for k in range(count):
        top, exit_, launch = -FAR, np.inf, np.inf
        for pair in range(groups.turn_start[out], groups.turn_start[out + 1]):
            g = groups.turn_in[pair]
            if groups.in_branch[g] == k:
                exit_ = min(exit_, ahead.arrive[2 * g])
                launch = min(launch, ahead.arrive[2 * g + 1])
                top = max(top, ahead.highest[g] - groups.turn_drop[pair])
        exits, launches = exits + exit_, launches + launch
        if head == np.inf:
            high = min(high, top)
    if high < pits.low[v]:
        return
    ahead.high[out] = high
    for role in range(2):
        own = _least_pit_price(v, role, high, pits)
        ahead.own[2 * out + role] = own
        ahead.above[2 * out + role] = min(head, launches if role else exits) + own


@inner
def _least_pit_price(v: int, role: int, high: int, pits: Pits) -> float:
    """Least price of a pit that is left at a level or below it."""
    falls = pits.price_depth[v, role] < 0.0
    for s in range(len(pits.step_depth)):
        falls = falls or pits.step_price[s, role] < 0.0
    least = pit_price(pits, v, role, high)
    if falls:
        for level in range(pits.low[v], high):
            least = min(least, pit_price(pits, v, role, level))
    return least


@inner
def _look_beyond(out: int, strings: int, groups: Groups, ahead: _Ahead, bounds: Bounds) -> None:
    """Set what arriving at a pit still needs, of plans that leave it by a group."""
    first, last = groups.turn_start[out], groups.turn_start[out + 1]
    arrive, beyond, branch = ahead.arrive, bounds.beyond, groups.in_branch
    for role in range(2):
        here = bounds.rest[2 * out + role] + ahead.own[2 * out + role]
        if here == np.inf:
            continue
        for k in range(strings):
            need = here  # and the least that arrives by every other string
            for other in range(strings):
                least = np.inf if other != k else 0.0
                for pair in range(first, last):
                    g = groups.turn_in[pair]
                    if branch[g] == other and other != k:
                        least = min(least, arrive[2 * g + role])
                need += least
            for pair in range(first, last):
                g = groups.turn_in[pair]
                if branch[g] == k:
                    beyond[2 * g + role] = min(beyond[2 * g + role], need)
