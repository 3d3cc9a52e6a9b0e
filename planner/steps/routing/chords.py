"""Legs that could be: pairs of candidates in each chain, before their rows are known."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely

from planner.kernels.leg_houses import price_houses
from planner.kernels.pairs import BOTTOM, MOST_LEAN, ORDINARY, TOP, pair_pits
from planner.kernels.rows import Houses, LegEnds
from planner.kernels.turns import wrap
from planner.model import Floats, Site
from planner.records import Bools, ChainPits, Ints
from planner.steps.routing.given import GUARD, Bound, Given
from planner.steps.routing.leg_prices import price_legs
from planner.steps.routing.stacking import no_doubles, no_rows, stack_singles

MOST_ANGLE = math.cos(MOST_LEAN)  # legs leave the street's direction by less than this
LEAVE_REACH = 30.0  # [m] the last leg may leave the right of way this near to its tie-in
ARM_REACH = 20.0  # [m] a junction's arm points to where its street is after this
EVERYWHERE = 1e9  # [m]
BESIDE = 1.0  # [m] along the street: where another pit would stand in a fixed one's place


def lay_all(given: Given, served: Bools) -> Bound:
    """Legs of one drive of all chains in all their sizes, without rows."""
    chains = range(len(given.layout.chains))
    return stack_singles([part for k in chains for part in lay_chain(given, k, served)])


def lay_chain(given: Given, number: int, served: Bools) -> list[Bound]:
    """Legs of one drive of a chain without rows, one set a size."""
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
    keep = _may_run(given, xy, up, down, tie_in[down])
    keep &= _through_fixed_pits(given, pits, up, down)
    kept = np.flatnonzero(keep)
    ends = pits.pits[up[kept]], pits.pits[down[kept]]
    order = np.argsort(ends[1] * len(candidates.ground) + ends[0], kind="stable")
    kept, ends = kept[order], (ends[0][order], ends[1][order])
    apart = _arms_apart(given, number, *ends)
    kind = length[kept], ways.take(kept, axis=0), apart
    return _in_sizes(given, served, number, (ends, kind), given.piping.of_chain[number])


def _in_sizes(
    given: Given, served: Bools, number: int,
    legs: tuple[tuple[Ints, Ints], tuple[Floats, Bools, Bools]], pipes: Sequence[int],
) -> list[Bound]:  # fmt: skip
    """Legs of a chain in some sizes: upper and lower pits, and length, ways and ``strict``."""
    (up, down), (length, ways, strict) = legs
    ends, houses = leg_ends(given, number, up, down), np.empty(len(up))
    price_houses(ends, served_houses(given, number, served), houses)
    parts = []
    for pipe in pipes:
        price, price_depth = price_legs(given, pipe, (up, down), (length, ways), houses)
        rank = given.piping.of_chain[number].index(pipe)
        parts.append(Bound(
            up=up, down=down, length=length, ways=ways, strict=strict,
            chain=np.full(len(up), number), pipe=np.full(len(up), pipe),
            falls=_falls(given, number, rank, ends), row_of=np.zeros(len(up), np.int64),
            rows=no_rows(), price=price, price_depth=price_depth, doubles=no_doubles(),
        ))  # fmt: skip
    return parts


def lay_again(given: Given, served: Bools, bound: Bound, legs: Ints) -> Bound:
    """Some of the legs of one drive of a bound, with falls and prices from what is given now.

    Parameters
    ----------
    given, served
        As for `lay_all`, changed in what binds legs, not in candidates or pipes.
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
        kind = bound.length[own], bound.ways[own], bound.strict[own]
        parts += _in_sizes(given, served, number, ((bound.up[own], bound.down[own]), kind), [pipe])
    return stack_singles(parts)


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


def leg_ends(given: Given, number: int, up: Ints, down: Ints) -> LegEnds:
    """Legs of a chain by their pits, and the houses they pass."""
    pits, candidates = given.candidates.chains[number], given.candidates
    serves_from, serves_to = np.empty((2, int(pits.pits.max(initial=0)) + 1))
    serves_from[pits.pits] = np.where(pits.kind == BOTTOM, -EVERYWHERE, pits.station)
    serves_to[pits.pits] = np.where(pits.kind == TOP, EVERYWHERE, pits.station)
    ends = candidates.xy.take(np.column_stack([up, down]), axis=0).reshape(-1, 4)
    length = np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1])
    return LegEnds(ends, length, serves_from[down], serves_to[up], candidates.tie_in[down])


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


def served_houses(given: Given, number: int, served: Bools) -> Houses:
    """The houses of a chain that must drain to it."""
    houses = given.obstructions.houses[number]
    keep = served[given.layout.chains[number].properties]
    return houses._replace(
        xy=np.ascontiguousarray(houses.xy[keep]), station=houses.station[keep],
        invert=houses.invert[keep],
    )  # fmt: skip


def _may_run(given: Given, xy: Floats, up: Ints, down: Ints, tie_in: Ints) -> Bools:
    """Whether legs into a tie-in stay inside, or leave the right of way only near it; see rules."""
    keep = np.ones(len(up), bool)
    into = np.flatnonzero(tie_in >= 0)
    if not len(into):
        return keep
    ways = xy.take(np.column_stack([up[into], down[into]]), axis=0)
    lines = shapely.linestrings(ways)
    shapely.prepare(given.corridor.right_of_way)
    inside = shapely.covers(given.corridor.right_of_way, lines)
    leaving, ends = into[~inside], ways[~inside, 1]
    if len(leaving):
        outside = shapely.difference(lines[~inside], given.corridor.right_of_way)
        far = shapely.hausdorff_distance(shapely.points(ends), outside)
        keep[leaving] = shapely.is_empty(outside) | (far <= LEAVE_REACH)
    bearing = given.outlets.bearing[tie_in[into]]
    flow = np.degrees(np.arctan2(*(ways[:, 1] - ways[:, 0]).T[::-1]))
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
    end = chains[number].down
    others = [k for k, chain in enumerate(chains) if k != number and chain.down == end]
    last = np.flatnonzero(candidates.junction[down]) if others else np.zeros(0, np.int64)
    if not len(last):
        return keep
    delta = candidates.xy[up[last]] - candidates.xy[down[last]]
    bearing = np.degrees(np.arctan2(delta[:, 1], delta[:, 0]))
    apart = given.site.book.rules.number("min_leg_separation_deg")
    own = _arm(given, number, lower=True)
    for other in others:
        arm = _arm(given, other, lower=True)
        between = abs(float(wrap(np.array(own - arm))))
        keep[last] &= np.abs(wrap(bearing - arm)) >= (between + apart) / 2 - GUARD
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
