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
    Singles,
    fall_above,
    find_midways,
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
from planner.steps.routing.binding import bind_rows, bore_of
from planner.steps.routing.chords import lay_again, lay_all, lay_chain
from planner.steps.routing.given import GUARD, Bound, Doubles, Given, Problem
from planner.steps.routing.stacking import join_columns, stack_singles

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
    whole: int  # in the programme: the double that it is a part of, or the leg itself
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


class _Kinds(NamedTuple):
    """Doubles to be, each (doubles,)."""

    pair: Ints
    between: Ints  # what the pit between is built for
    lowest: Floats  # least invert at the pit between, infinitely low for none [m]
    price: Floats
    price_depth: Floats
    rounding: Floats


class _Priced(NamedTuple):
    """Prices of doubles with one kind of pit between, as `Bound` has them."""

    price: Floats
    price_depth: Floats
    rounding: Floats


def lay_legs(given: Given, served: Bools) -> Bound:
    """Legs of all chains, of one drive and of two, without rows."""
    return with_doubles(given, lay_all(given, served))


def bind_all(given: Given, served: Bools) -> Bound:
    """Legs of all chains, of one drive and of two, with the rows that bind them."""
    return bind_rows(given, served, lay_legs(given, served))


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
    double = legs >= bound.singles
    parts = bound.doubles.parts[legs[double] - bound.singles]
    single = np.union1d(legs[~double], parts.ravel())
    single_again = lay_again(given, served, bound, single)
    return bind_rows(given, served, with_doubles(given, single_again))


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
    parts = [part for number in chains for part in lay_chain(given, number, served)]
    if len(firm):
        again = lay_again(given, served, bound, firm)
        parts.append(replace(again, strict=np.ones(len(again.up), bool)))
    single = stack_singles(parts)
    single = replace(single, strict=single.strict | _apart_from(given, single, bound, firm, chains))
    if shut is not None:
        closed = shut[single.up] | shut[single.down]
        single = replace(single, price=np.where(closed[:, None], np.inf, single.price))
    return bind_rows(given, served, with_doubles(given, single))


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


def drives_of(problem: Problem, found: Optimum) -> list[Drive]:
    """The optimum's drives, in its order: from the roots up, of a double the lower one first."""
    bound, drives = problem.bound, []
    columns = (found.leg, problem.leg[found.leg], found.drive, found.up_level, found.down_level)
    for whole, leg, drive, z, a in zip(*(column.tolist() for column in columns), strict=True):
        up, down, double = int(bound.up[leg]), int(bound.down[leg]), leg - bound.singles
        if double < 0:
            drives.append(Drive(leg, whole, up, down, z, a, drive))
            continue
        high, low = bound.doubles.parts[double].tolist()
        of_high, of_low = HALVES[int(bound.doubles.between[double])][drive]
        middle, level = int(bound.up[low]), z - fall_above(_share(bound, high, low), z - a)
        drives += [
            Drive(low, whole, middle, down, level, a, of_low),
            Drive(high, whole, up, middle, z, level, of_high),
        ]
    return drives


def price_of_rounding(problem: Problem, found: Optimum) -> float:
    """What pits between cost more than the programme counts, as they stand on the grid."""
    bound, total = problem.bound, 0.0
    columns = (problem.leg[found.leg], found.drive, found.up_level, found.down_level)
    for leg, drive, z, a in zip(*(column.tolist() for column in columns), strict=True):
        double = leg - bound.singles
        if double >= 0:
            share = _share(bound, *bound.doubles.parts[double].tolist())
            deeper = fall_above(share, z - a) - share * (z - a)
            total += float(bound.doubles.rounding[double, drive]) * deeper
    return total


def _share(bound: Bound, high: int, low: int) -> float:
    return float(bound.length[high] / (bound.length[high] + bound.length[low]))


def with_doubles(given: Given, single: Bound) -> Bound:
    """Legs of one drive without rows, and behind them those that two of them make up."""
    pairs = _find_pairs(given, single)
    if not len(pairs.high):
        return single
    falls = [
        window_falls(
            pairs.share, np.ascontiguousarray(single.falls[pairs.high, k : k + 2]),
            np.ascontiguousarray(single.falls[pairs.low, k : k + 2]),
        )
        for k in (0, 2)
    ]  # fmt: skip
    kinds = _kinds_of(given, single, pairs)
    high, low = pairs.high[kinds.pair], pairs.low[kinds.pair]
    none = np.zeros(len(high), np.int64)
    double = replace(
        single, up=single.up[high], down=single.down[low],
        length=single.length[high] + single.length[low],
        ways=single.ways[high] & single.ways[low], strict=single.strict[high] & single.strict[low],
        chain=single.chain[high], pipe=single.pipe[high], falls=np.hstack(falls)[kinds.pair],
        row_of=none, price=kinds.price, price_depth=kinds.price_depth,
    )  # fmt: skip
    doubles = Doubles(
        np.column_stack([high, low]), kinds.between, kinds.rounding, kinds.pair, kinds.lowest, none
    )
    return Bound(**join_columns([single, double]), rows=single.rows, doubles=doubles)


def _kinds_of(given: Given, single: Bound, pairs: _Pairs) -> _Kinds:
    """Doubles of all pairs, by what the pit between is built for and how deep it may be."""
    step, limits = given.site.project.level_step, _floors(given)
    lowest_between = _lowest_between(given, single, pairs)
    shallow = {role: _prices(given, single, pairs, role) for role in (EXIT, LAUNCH)}
    made = []
    for rank, floor in enumerate(limits):
        steps = given.prices.step_price[:rank].sum(axis=0)
        kinds = _drop_dearer(given, single, pairs, {
            role: priced._replace(price=priced.price + steps[role])
            for role, priced in shallow.items()
        })  # fmt: skip
        for role, priced in kinds.items():
            ground, under = given.candidates.ground[pairs.middle], given.prices.under[role]
            lowest = ground - floor + under + GUARD
            above = ground - limits[rank - 1] + under if rank else np.full(len(lowest), np.inf)
            needed = lowest_between - step < above  # else the rank before serves, for less
            keep = np.flatnonzero(np.isfinite(priced.price).any(axis=1) & needed)
            free = lowest_between - step >= lowest
            made.append(_Kinds(
                keep, np.full(len(keep), role), np.where(free, -np.inf, lowest)[keep],
                priced.price[keep], priced.price_depth[keep], priced.rounding[keep],
            ))  # fmt: skip
    return _Kinds(*(np.concatenate(parts) for parts in zip(*made, strict=True)))


def _find_pairs(given: Given, single: Bound) -> _Pairs:
    """Legs in line that may make up a double."""
    candidates = given.candidates
    pits = len(candidates.ground)
    usable = single.falls[:, 2] <= single.falls[:, 3]
    usable &= np.isfinite(single.price[:, UP_TO_EXIT]) | np.isfinite(single.price[:, DOWN])
    pairs = find_midways(
        Singles(
            np.searchsorted(single.down, np.arange(pits + 1)), single.up,
            np.where(usable, single.pipe, -1),
            single.strict * 4 + single.ways[:, 0] * 2 + single.ways[:, 1],
            np.ascontiguousarray(single.falls[:, :2]),
        ),
        candidates.xy, candidates.ground, _alike(given),
        given.site.book.rules.number("max_manhole_spacing_m"),
    )  # fmt: skip
    high, low = pairs[:, 0], pairs[:, 1]
    share = single.length[high] / (single.length[high] + single.length[low])
    return _Pairs(high, low, single.up[low], share)


def _alike(given: Given) -> Ints:
    """One number for all pits of one fixed price and rate; -1 for those that keep a manhole."""
    candidates = given.candidates
    plain = np.zeros(len(candidates.ground), bool)
    for pits in candidates.chains:
        plain[pits.pits[pits.kind == ORDINARY]] = True
    return np.where(plain, given.prices.alike, -1)


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


def _prices(given: Given, single: Bound, pairs: _Pairs, role: int) -> _Priced:
    """Price by drive and rates at the two ends, a shallow pit between included."""
    own, per_level = _pit_between(given, pairs.middle, role)
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


def _pit_between(given: Given, middle: Ints, role: int) -> tuple[Floats, Floats]:
    """Price of a pit without its manhole at an invert on the ground, and per level of depth."""
    prices, step = given.prices, given.site.project.level_step
    fixed = prices.pit[middle, role] - prices.manhole[role]
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
