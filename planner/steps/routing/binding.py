"""Legs that could be: pairs of candidates in each chain, and all that binds their levels."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import shapely

from planner.kernels.midway import Rows
from planner.kernels.pairs import BOTTOM, MOST_LEAN, ORDINARY, TOP, pair_pits
from planner.kernels.rows import Bore, Houses, LegEnds, bind_legs
from planner.kernels.turns import wrap
from planner.model import Floats, Site
from planner.records import Bools, ChainPipe, ChainPits, Ints
from planner.steps.routing.given import GUARD, Bound, Given
from planner.steps.routing.leg_prices import price_legs
from planner.steps.routing.stacking import no_doubles, stack_singles

MOST_ANGLE = math.cos(MOST_LEAN)  # legs leave the street's direction by less than this
LEAVE_REACH = 30.0  # [m] the last leg may leave the right of way this near to its tie-in
ARM_REACH = 20.0  # [m] a junction's arm points to where its street is after this
EVERYWHERE = 1e9  # [m]
BESIDE = 1.0  # [m] along the street: where another pit would stand in a fixed one's place
FEW = 50  # legs: fewer are bound again faster than they are looked up


def bind_singles(given: Given, served: Bools) -> Bound:
    """Legs of one drive of all chains in all their sizes."""
    parts = [
        part
        for number in range(len(given.layout.chains))
        for part in bind_chain(given, number, served)
    ]
    return stack_singles(parts)


def bind_chain(given: Given, number: int, served: Bools) -> list[Bound]:
    """Legs of one drive of a chain, one set a size."""
    candidates, pits = given.candidates, given.candidates.chains[number]
    rules = given.site.book.rules
    tie_in = candidates.tie_in[pits.pits]
    xy = candidates.xy[pits.pits]
    place = np.column_stack([
        pits.station, xy, candidates.flow[pits.pits],
        candidates.fine[pits.pits].astype(float), (tie_in >= 0).astype(float),
    ])  # fmt: skip
    asked = (
        np.ascontiguousarray(place), pits.kind, rules.number("min_leg_length_m"),
        _longest(given.site), MOST_ANGLE, given.corridor.walls,
        given.corridor.obstacles, given.corridor.sizes,
    )  # fmt: skip
    up, down, length, ways = given.memo.of(("pairs", *asked), lambda: pair_pits(*asked))
    keep = _may_run(given, xy[up], xy[down], tie_in[down])
    keep &= _through_fixed_pits(given, pits, up, down)
    kept = np.flatnonzero(keep)
    kept = kept[np.argsort(pits.pits[down[kept]] * len(candidates.ground) + pits.pits[up[kept]])]
    up, down, length, ways = up[kept], down[kept], length[kept], ways[kept]
    apart = _arms_apart(given, number, pits.pits[up], pits.pits[down])
    ends = leg_ends(given, number, up, down)
    parts = []
    for rank, pipe in enumerate(given.piping.of_chain[number]):
        rows = bind_ends(given, (number, pipe), ends, _served_houses(given, number, served))
        places = pits.pits[up], pits.pits[down]
        kind = length, ways, apart, np.full(len(up), number), np.full(len(up), pipe)
        parts.append(_of_one_drive(given, places, kind, _falls(given, number, rank, ends), rows))
    return parts


def _of_one_drive(
    given: Given, ends: tuple[Ints, Ints],
    kind: tuple[Floats, Bools, Bools, Ints, Ints], falls: Ints, rows: tuple[Any, ...],
) -> Bound:  # fmt: skip
    """Legs of one drive with their prices; ``kind`` is length, ways, strict, chain and pipe."""
    length, ways, strict, chain, pipe = kind
    price, price_depth = price_legs(given, ends, (length, ways, pipe), rows[-1])
    return Bound(
        up=ends[0], down=ends[1], length=length, ways=ways, strict=strict, chain=chain, pipe=pipe,
        falls=falls, row_of=np.arange(len(length)), rows=Rows(*rows[:-1]), price=price,
        price_depth=price_depth, doubles=no_doubles(),
    )  # fmt: skip


def _through_fixed_pits(given: Given, pits: ChainPits, up: Ints, down: Ints) -> Bools:
    """Whether each leg leaves the sewer free to stand on every pit that is fixed beforehand."""
    keep = np.ones(len(up), bool)
    for place in np.flatnonzero(np.isin(pits.pits, given.fixed_pits)).tolist():
        own = pits.station[place]
        passes = (pits.station[down] < own - BESIDE) & (pits.station[up] > own + BESIDE)
        rivals = np.abs(pits.station - own) <= BESIDE
        if pits.kind[place] != ORDINARY:  # of one junction only one pit is built
            rivals |= pits.kind == pits.kind[place]
        rivals[place] = False
        passes |= rivals[up] | rivals[down]
        keep &= ~passes
    return keep


def bind_singles_again(given: Given, served: Bools, bound: Bound, legs: Ints) -> Bound:
    """Some of the legs of one drive of a bound, with rows from what is given now.

    Parameters
    ----------
    given, served
        As for `bind_singles`, changed in what binds legs, not in candidates or pipes.
    bound
        All legs.
    legs
        Those that are wanted.
    """
    parts, legs = [], np.sort(legs)
    of = bound.chain[legs] * len(given.piping.pipes) + bound.pipe[legs]
    for alike in np.unique(of).tolist():
        own = legs[of == alike]
        number, pipe = divmod(alike, len(given.piping.pipes))
        pits = given.candidates.chains[number].pits
        order = np.argsort(pits)
        up, down = (
            order[np.searchsorted(pits, ends, sorter=order)]
            for ends in (bound.up[own], bound.down[own])
        )
        ends = leg_ends(given, number, up, down)
        rows = bind_ends(given, (number, pipe), ends, _served_houses(given, number, served))
        rank = given.piping.of_chain[number].index(pipe)
        kind = (
            bound.length[own], bound.ways[own], bound.strict[own], bound.chain[own],
            bound.pipe[own],
        )  # fmt: skip
        places = bound.up[own], bound.down[own]
        parts.append(_of_one_drive(given, places, kind, _falls(given, number, rank, ends), rows))
    return stack_singles(parts)


def leg_ends(given: Given, number: int, up: Ints, down: Ints) -> LegEnds:
    """Legs of a chain by the places of their pits in its list, and the houses they pass."""
    pits = given.candidates.chains[number]
    xy = given.candidates.xy[pits.pits]
    serves_to = np.where(pits.kind == TOP, EVERYWHERE, pits.station)
    serves_from = np.where(pits.kind == BOTTOM, -EVERYWHERE, pits.station)
    ends = np.ascontiguousarray(np.hstack([xy[up], xy[down]]))
    length = np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1])
    tie_in = given.candidates.tie_in[pits.pits[down]]
    return LegEnds(ends, length, serves_from[down], serves_to[up], tie_in)


def bind_ends(
    given: Given, pipe: tuple[int, int], ends: LegEnds, houses: Houses
) -> tuple[Any, ...]:
    """Rows of legs of a chain and a pipe, and the price of the connections they serve."""
    around = given.obstructions
    bore, step = bore_of(given.site, given.piping.pipes[pipe[1]]), given.site.project.level_step
    asked = ends, bore, around.runs, around.zones, houses, around.water, step

    def bind() -> tuple[Any, ...]:
        return bind_legs(
            ends, around.ground, bore, around.runs, around.zones, houses, around.water, step
        )

    return bind() if len(ends.length) < FEW else given.memo.of(("rows", *asked), bind)


def _falls(given: Given, number: int, rank: int, ends: LegEnds) -> Ints:
    """Least and greatest fall by what joins above the lower pit, and their bounds. [levels]"""
    slopes, step = given.slopes[number], given.site.project.level_step
    below = np.searchsorted(slopes.stations, ends.serves_from, side="left")
    least, most, floor, ceiling = (
        table[rank][below] * ends.length / step
        for table in (slopes.least, slopes.most, slopes.floor, slopes.ceiling)
    )
    return np.column_stack([
        np.ceil(least - 1e-6), np.floor(most + 1e-6), np.ceil(floor - 1e-6),
        np.floor(ceiling + 1e-6),
    ]).astype(np.int64)  # fmt: skip


def _longest(site: Site) -> float:
    """Longest leg: manholes stand at both its ends, or nearer still. [m]"""
    rules = site.book.rules
    return min(rules.number("max_leg_length_m"), rules.number("max_manhole_spacing_m"))


def bore_of(site: Site, pipe: ChainPipe) -> Bore:
    """Measures of a pipe in its bore, and what covers it."""
    rules = site.book.rules
    cover = max(rules.number("min_cover_m"), rules.number("min_cover_bore_diameters") * pipe.bore)
    deepest = rules.optional("max_leg_depth_m")
    return Bore(
        pipe.inside, pipe.outside, pipe.bore, cover, rules.number("frost_depth_m"),
        np.inf if deepest is None else deepest, rules.number("max_slope_pct") / 100,
    )  # fmt: skip


def _served_houses(given: Given, number: int, served: Bools) -> Houses:
    houses = given.obstructions.houses[number]
    keep = served[given.layout.chains[number].properties]
    return houses._replace(
        xy=np.ascontiguousarray(houses.xy[keep]), station=houses.station[keep],
        invert=houses.invert[keep],
    )  # fmt: skip


def _may_run(given: Given, up: Floats, down: Floats, tie_in: Ints) -> Bools:
    """Whether legs into a tie-in stay inside, or leave the right of way only near it; see rules."""
    keep = np.ones(len(up), bool)
    into = np.flatnonzero(tie_in >= 0)
    if not len(into):
        return keep
    lines = shapely.linestrings(np.stack([up[into], down[into]], axis=1))
    shapely.prepare(given.corridor.right_of_way)
    leaving = into[~shapely.covers(given.corridor.right_of_way, lines)]
    lines = shapely.linestrings(np.stack([up[leaving], down[leaving]], axis=1))
    outside = shapely.difference(lines, given.corridor.right_of_way)
    far = shapely.hausdorff_distance(shapely.points(down[leaving]), outside)
    keep[leaving] = shapely.is_empty(outside) | (far <= LEAVE_REACH)
    bearing = given.site.tie_ins["outlet_bearing_deg"].to_numpy(float)[tie_in[into]]
    flow = np.degrees(np.arctan2(*(down[into] - up[into]).T[::-1]))
    turn = np.abs(wrap(flow - (90.0 - bearing)))
    most = given.site.book.rules.number("max_turn_deg")
    keep[into] &= np.isnan(bearing) | (turn <= most + GUARD)
    return keep


def _arm(given: Given, number: int, *, lower: bool) -> float:
    """Direction from a chain's end along its street. [deg]"""
    chain = given.layout.chains[number]
    reach = min(ARM_REACH, chain.length)
    at, end = (reach, 0.0) if lower else (chain.length - reach, chain.length)
    d = [np.interp(at, chain.stations, chain.xy[:, k]) for k in range(2)]
    e = [np.interp(end, chain.stations, chain.xy[:, k]) for k in range(2)]
    return float(np.degrees(np.arctan2(d[1] - e[1], d[0] - e[0])))


def _arms_apart(given: Given, number: int, up: Ints, down: Ints) -> Bools:
    """Whether legs into a shared pit keep far enough from the strings that meet them there.

    Each of two arms keeps to its own side of the angle between them, so that any leg of the one
    and any leg of the other are at least ``min_leg_separation_deg`` apart.
    """
    keep = np.ones(len(up), bool)
    chains, candidates = given.layout.chains, given.candidates
    last = candidates.junction[down]
    delta = candidates.xy[up] - candidates.xy[down]
    bearing = np.degrees(np.arctan2(delta[:, 1], delta[:, 0]))
    apart = given.site.book.rules.number("min_leg_separation_deg")
    own = _arm(given, number, lower=True)
    for other, chain in enumerate(chains):
        if other != number and chain.down == chains[number].down:
            arm = _arm(given, other, lower=True)
            between = abs(float(wrap(np.array(own - arm))))
            keep &= ~last | (np.abs(wrap(bearing - arm)) >= (between + apart) / 2 - GUARD)
    return keep


def inlets_apart(given: Given, bound: Bound) -> Bools:
    """Whether each of a few legs keeps far enough from other strings' into its lower pit."""
    delta = given.candidates.xy[bound.last_up] - given.candidates.xy[bound.down]
    bearing = np.degrees(np.arctan2(delta[:, 1], delta[:, 0]))
    near = np.abs(wrap(bearing[:, None] - bearing)) < (
        given.site.book.rules.number("min_leg_separation_deg") - GUARD
    )
    meet = (bound.down[:, None] == bound.down) & (bound.chain[:, None] != bound.chain)
    return np.asarray(~(near & meet).any(axis=1))
