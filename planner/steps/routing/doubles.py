"""Two drives in line that meet at a pit without a manhole, as one leg of the programme.

Where one drive cannot reach, two may pass as one straight sewer: of one size, on one slope, without
a branch, and no longer than manholes may stand apart. The invert at the pit between is the level of
the grid that is nearest to the straight line.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from planner.kernels.midway import (
    Rows,
    Singles,
    fall_above,
    find_midways,
    join_rows,
    window_falls,
)
from planner.kernels.optimum import Optimum
from planner.kernels.pairs import ORDINARY
from planner.kernels.programme import (
    DOWN,
    DRIVES,
    EXIT,
    FROM_BETWEEN,
    LAUNCH,
    UP_TO_EXIT,
    UP_TO_LAUNCH,
)
from planner.kernels.turns import wrap
from planner.model import Floats
from planner.records import Bools, Ints
from planner.steps.routing.binding import bind_chain, bind_singles, bind_singles_again, bore_of
from planner.steps.routing.given import GUARD, Bound, Given
from planner.steps.routing.margins import split_by_slope
from planner.steps.routing.stacking import (
    Sheet,
    join_rows_of,
    join_sheets,
    rows_of,
    sheet_of,
    sort_by_lower_pit,
    stack_bounds,
)

HALVES = {
    EXIT: {UP_TO_LAUNCH: (DOWN, UP_TO_EXIT)},
    LAUNCH: {
        UP_TO_EXIT: (UP_TO_EXIT, UP_TO_LAUNCH), UP_TO_LAUNCH: (UP_TO_LAUNCH, UP_TO_LAUNCH),
        DOWN: (UP_TO_LAUNCH, DOWN), FROM_BETWEEN: (UP_TO_EXIT, DOWN),
    },
}  # fmt: skip
"""By what the pit between is built for and the drive of the whole: drives of its two parts."""


class Drive(NamedTuple):
    """One drive of an optimum."""

    leg: int  # in the bound: of one drive
    whole: int  # in the bound: the double that it is a part of, or the leg itself
    up: int
    down: int
    up_level: int
    down_level: int
    drive: int


class _Pairs(NamedTuple):
    """Doubles to be, each (pairs,)."""

    high: Ints  # upper leg
    low: Ints  # lower leg
    middle: Ints  # pit between
    share: Floats  # of the length above it


class _Priced(NamedTuple):
    """Prices of doubles with one kind of pit between, as `Bound` has them."""

    price: Floats
    price_depth: Floats
    rounding: Floats


def bind_all(given: Given, served: Bools) -> Bound:
    """Legs of all chains, of one drive and of two, sorted by lower pit, upper pit and size."""
    return _all_of(given, bind_singles(given, served))


def bind_again(given: Given, served: Bools, bound: Bound, legs: Ints) -> Bound:
    """Some of the legs of a bound and their parts, with rows from what is given now.

    Parameters
    ----------
    given, served
        As for `bind_all`, changed in what binds legs, not in candidates or pipes.
    bound
        All legs.
    legs
        Those that are wanted.
    """
    legs = np.unique(np.where(bound.steeper[legs] >= 0, bound.steeper[legs], legs))
    parts = bound.parts[legs]
    double = parts[:, 0] >= 0
    single = np.union1d(legs[~double], parts[double].ravel())
    return _all_of(given, bind_singles_again(given, served, bound, single))


def bind_part(
    given: Given, served: Bools, chosen: tuple[Bound, Ints], chains: tuple[int, ...],
    shut: Bools | None = None,
) -> Bound:  # fmt: skip
    """Legs of a plan, and beside them all of some chains, with rows from what is given now.

    Parameters
    ----------
    given, served
        As for `bind_again`.
    chosen
        A bound, and which of its legs of one drive the plan is made of: at junctions they keep
        apart.
    chains
        Chains of which every leg may be taken.
    shut : (candidates,)
        Places where no pit stands.
    """
    bound, legs = chosen
    firm = legs[~np.isin(bound.chain[legs], chains)]
    parts = [part for number in chains for part in bind_chain(given, number, served)]
    if len(firm):
        again = bind_singles_again(given, served, bound, firm)
        parts.append(replace(again, strict=np.ones(len(again.up), bool)))
    single = stack_bounds(parts)
    single = replace(single, strict=single.strict | _apart_from(given, single, bound, firm, chains))
    if shut is not None:
        closed = shut[single.up] | shut[single.down]
        single = replace(single, price=np.where(closed[:, None], np.inf, single.price))
    return _all_of(given, single)


def _apart_from(
    given: Given, single: Bound, bound: Bound, firm: Ints, chains: tuple[int, ...]
) -> Bools:
    """Whether legs keep apart from the firm ones into their pit; never where others may come."""
    xy, least = given.candidates.xy, given.site.book.rules.number("min_leg_separation_deg")
    own = xy[single.up] - xy[single.down]
    apart = np.ones(len(single.up), bool)
    for leg in firm.tolist():
        way = xy[bound.up[leg]] - xy[bound.down[leg]]
        turn = np.degrees(np.arctan2(*own.T[::-1]) - np.arctan2(way[1], way[0]))
        meets = (single.down == bound.down[leg]) & (single.chain != bound.chain[leg])
        apart &= ~(meets & (np.abs(wrap(turn)) < least - GUARD))
    ends = [given.layout.chains[number].down for number in chains]
    shared = [number for number, end in zip(chains, ends, strict=True) if ends.count(end) > 1]
    return apart & ~np.isin(single.chain, shared)


def drives_of(bound: Bound, found: Optimum) -> list[Drive]:
    """The optimum's drives, in its order: from the roots up, of a double the lower one first."""
    columns = (found.leg, found.drive, found.up_level, found.down_level)
    drives = []
    for leg, drive, z, a in zip(*(column.tolist() for column in columns), strict=True):
        up, down = int(bound.up[leg]), int(bound.down[leg])
        high, low = bound.parts[leg].tolist()
        if high < 0:
            drives.append(Drive(leg, leg, up, down, z, a, drive))
            continue
        of_high, of_low = HALVES[int(bound.between[leg])][drive]
        middle, level = int(bound.up[low]), z - fall_above(_share(bound, high, low), z - a)
        drives += [
            Drive(low, leg, middle, down, level, a, of_low),
            Drive(high, leg, up, middle, z, level, of_high),
        ]
    return drives


def price_of_rounding(bound: Bound, found: Optimum) -> float:
    """What pits between cost more than the programme counts, as they stand on the grid."""
    total = 0.0
    columns = (found.leg, found.drive, found.up_level, found.down_level)
    for leg, drive, z, a in zip(*(column.tolist() for column in columns), strict=True):
        high, low = bound.parts[leg].tolist()
        if high >= 0:
            share = _share(bound, high, low)
            deeper = fall_above(share, z - a) - share * (z - a)
            total += float(bound.rounding[leg, drive]) * deeper
    return total


def _share(bound: Bound, high: int, low: int) -> float:
    return float(bound.length[high] / (bound.length[high] + bound.length[low]))


def _all_of(given: Given, single: Bound) -> Bound:
    """Legs of one drive, of two, and what of both lies flatter than its margin."""
    store, sheet = _with_doubles(given, single)
    return sort_by_lower_pit(store, split_by_slope(given, sheet))


def _with_doubles(given: Given, single: Bound) -> tuple[Rows, Sheet]:
    """The same legs, and behind them those that two of them make up; and the rows of all."""
    pairs = _find_pairs(given, single)
    if not len(pairs.high):
        return rows_of(single), sheet_of(single)
    step = given.site.project.level_step
    rows = join_rows(
        rows_of(single), np.ascontiguousarray(np.column_stack([pairs.high, pairs.low])), pairs.share
    )
    falls = [
        window_falls(
            pairs.share, np.ascontiguousarray(single.falls[pairs.high, k : k + 2]),
            np.ascontiguousarray(single.falls[pairs.low, k : k + 2]),
        )
        for k in (0, 2)
    ]  # fmt: skip
    limits = _floors(given)
    lowest_between = _lowest_between(given, single, pairs)
    made = []
    for rank, floor in enumerate(limits):
        kinds = _drop_dearer(
            given, single, pairs, {role: _prices(given, single, pairs, role, rank)
                                   for role in (EXIT, LAUNCH)}
        )  # fmt: skip
        for role, priced in kinds.items():
            ground, under = given.candidates.ground[pairs.middle], given.prices.under[role]
            lowest = ground - floor + under + GUARD
            above = ground - limits[rank - 1] + under if rank else np.full(len(lowest), np.inf)
            needed = lowest_between - step < above  # else the rank before serves, for less
            keep = np.flatnonzero(np.isfinite(priced.price).any(axis=1) & needed)
            free = lowest_between - step >= lowest
            bare = np.where(free, -np.inf, lowest)
            made.append(_of_kind(single, pairs, np.hstack(falls), (role, priced), (keep, bare)))
    return join_rows_of([rows_of(single), rows]), join_sheets([sheet_of(single), *made])


def _find_pairs(given: Given, single: Bound) -> _Pairs:
    """Legs in line that may make up a double."""
    candidates = given.candidates
    pits = len(candidates.ground)
    usable = np.isfinite(single.price).any(axis=1) & (single.falls[:, 2] <= single.falls[:, 3])
    pairs = find_midways(
        Singles(
            np.searchsorted(single.down, np.arange(pits + 1)), single.up,
            np.where(usable, single.pipe, -1),
            single.strict * 4 + single.ways @ np.array([2, 1]),
            np.ascontiguousarray(np.hstack([candidates.xy[single.up], candidates.xy[single.down]])),
            np.ascontiguousarray(single.falls[:, :2]),
        ),
        candidates.ground, _alike(given), given.site.book.rules.number("max_manhole_spacing_m"),
    )  # fmt: skip
    high, low = pairs[:, 0], pairs[:, 1]
    share = single.length[high] / (single.length[high] + single.length[low])
    return _Pairs(high, low, single.up[low], share)


def _alike(given: Given) -> Ints:
    """One number for all pits of one fixed price and rate; -1 for those that keep a manhole."""
    candidates, prices = given.candidates, given.prices
    plain = np.zeros(len(candidates.ground), bool)
    for pits in candidates.chains:
        plain[pits.pits[pits.kind == ORDINARY]] = True
    figures = np.hstack([prices.pit, prices.pit_depth]).round(6)
    _, number = np.unique(figures, axis=0, return_inverse=True)
    return np.where(plain, number.ravel(), -1).astype(np.int64)


def _floors(given: Given) -> list[float]:
    """Greatest depth of the floor before each step of the price, and of all. [m]"""
    most = given.site.book.rules.number("max_depth_m")
    return [*(d for d in given.prices.step_depth.tolist() if d < most), most]


def _lowest_between(given: Given, single: Bound, pairs: _Pairs) -> Floats:
    """Invert that no pit between can have to be below. [m]"""
    candidates, most = given.candidates, given.site.book.rules.number("max_depth_m")
    low = candidates.ground - most + given.prices.under.max()
    at = candidates.tie_in >= 0
    root = given.tie_in_level[candidates.tie_in[at]] * given.site.project.level_step
    low[at] = root
    low = np.maximum(low, given.lowest_root)
    up, down = single.up[pairs.high], single.down[pairs.low]
    return np.asarray((1 - pairs.share) * low[up] + pairs.share * low[down])


def _of_kind(
    single: Bound, pairs: _Pairs, falls: Ints, kind: tuple[int, _Priced],
    kept: tuple[Ints, Floats],
) -> Sheet:  # fmt: skip
    """Doubles whose pit between is built for one thing and no deeper than a limit."""
    (role, priced), (keep, lowest) = kind, kept
    high, low = pairs.high[keep], pairs.low[keep]
    columns = {
        "up": single.up[high], "down": single.down[low],
        "length": single.length[high] + single.length[low],
        "ways": single.ways[high] & single.ways[low],
        "strict": single.strict[high] & single.strict[low],
        "chain": single.chain[high], "pipe": single.pipe[high], "falls": falls[keep],
        "price": priced.price[keep], "price_depth": priced.price_depth[keep],
        "parts": np.column_stack([high, low]), "between": np.full(len(keep), role),
        "rounding": priced.rounding[keep], "steeper": np.full(len(keep), -1),
    }  # fmt: skip
    return Sheet(columns, len(single.up) + keep, pairs.share[keep], lowest[keep])


def _prices(given: Given, single: Bound, pairs: _Pairs, role: int, rank: int) -> _Priced:
    """Price by drive and rates at the two ends, the pit between included."""
    own, per_level = _pit_between(given, pairs.middle, role, rank)
    ground = given.candidates.ground / given.site.project.level_step
    share, count = pairs.share, len(pairs.high)
    ends = single.up[pairs.high], single.down[pairs.low]
    above = ground[pairs.middle] - (1 - share) * ground[ends[0]] - share * ground[ends[1]]
    price, rounding = np.full((count, DRIVES), np.inf), np.zeros((count, DRIVES))
    rate = np.zeros((count, DRIVES, 2))
    for drive, (upper, lower) in HALVES[role].items():
        up, down = single.price_depth[pairs.high, upper], single.price_depth[pairs.low, lower]
        # per level of depth at the pit between, where the line is a mix of its ends
        middle = up[:, 1] + down[:, 0] + per_level
        rate[:, drive, 0] = up[:, 0] + (1 - share) * middle
        rate[:, drive, 1] = down[:, 1] + share * middle
        price[:, drive] = single.price[pairs.high, upper] + single.price[pairs.low, lower]
        price[:, drive] += own + middle * above
        rounding[:, drive] = middle
    return _Priced(price, rate, rounding)


def _pit_between(given: Given, middle: Ints, role: int, rank: int) -> tuple[Floats, Floats]:
    """Price of a pit without its manhole at an invert on the ground, and per level of depth."""
    prices, step = given.prices, given.site.project.level_step
    fixed = prices.pit[middle, role] - prices.manhole[role] + prices.step_price[:rank, role].sum()
    per_m = prices.pit_depth[middle, role] - prices.manhole_depth
    return fixed + per_m * prices.under[role], per_m * step


def _drop_dearer(
    given: Given, single: Bound, pairs: _Pairs, kinds: dict[int, _Priced]
) -> dict[int, _Priced]:
    """The kinds without what the other does as well, both ends launching, for no more."""
    site, tie_in = given.site, given.candidates.tie_in
    cover = np.array([bore_of(site, pipe).cover for pipe in given.piping.pipes])
    depth = cover[single.pipe[pairs.high]][:, None] / site.project.level_step
    ends = np.column_stack([single.up[pairs.high], single.down[pairs.low]])
    least = np.where(tie_in[ends] >= 0, 0.0, depth)
    drive = UP_TO_LAUNCH
    at_least = {
        role: priced.price[:, drive] + (priced.price_depth[:, drive] * least).sum(axis=1)
        for role, priced in kinds.items()
    }
    exit_rate, launch_rate = (kinds[role].price_depth[:, drive] for role in (EXIT, LAUNCH))
    no_dearer = (at_least[EXIT] <= at_least[LAUNCH]) & (exit_rate <= launch_rate).all(axis=1)
    price = kinds[LAUNCH].price.copy()
    price[no_dearer, drive] = np.inf
    return {EXIT: kinds[EXIT], LAUNCH: kinds[LAUNCH]._replace(price=price)}
