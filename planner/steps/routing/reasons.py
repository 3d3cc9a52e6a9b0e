"""What fixes the inverts of a route, and what a small relaxation of it would save."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field

import numpy as np

from planner.kernels.optimum import Optimum, find_optimum
from planner.kernels.rows import LegEnds
from planner.model import Floats
from planner.records import Bools, Ints, Saving
from planner.steps.routing.binding import bind_ends
from planner.steps.routing.chords import leg_ends
from planner.steps.routing.doubles import bind_again, drives_of
from planner.steps.routing.given import Given, Problem
from planner.steps.routing.items import (
    COVER,
    DROP,
    PROPERTY,
    SERVICE,
    SLOPE,
    TIE_IN,
    Item,
    name_item,
    only_houses,
    only_services,
    relax,
)
from planner.steps.routing.pricing import make_problem

STEP_OF = {COVER: 0.1, PROPERTY: 0.1, SERVICE: 0.1, SLOPE: 0.001, DROP: 0.03, TIE_IN: 0.1}
# [m], of a slope [m/m]: a small relaxation of each kind of thing
NEAR = 4.0  # [m] services farther from a leg in plan than this do not bind it
FREE = 1.0 - 1e-6  # [levels] a row with at least this much left lets the leg be one level higher
ROUNDS = 1.0  # [levels] more, where two drives meet in line off the grid
MOST_SAVINGS = 8  # things whose relaxation is tried


@dataclass(frozen=True, eq=False)
class Reasons:
    """What fixes each pit and leg, in words, and what relaxing it saves."""

    pits: dict[int, str]  # by candidate
    legs: tuple[str, ...]
    savings: tuple[Saving, ...]


@dataclass(frozen=True, eq=False)
class _Leg:
    """A chosen leg of one drive at its levels."""

    number: int  # in the bound
    whole: tuple[int, int]  # the programme's leg that it is of, and the fall of that [levels]
    in_part: bool  # whether it runs on in line through a pit without a manhole
    up: int
    down: int
    z: int
    a: int
    chain: int
    pipe: int
    ends: LegEnds  # of this leg alone

    @property
    def free(self) -> float:
        """Least that a row must leave so that the leg can be one level higher. [levels]"""
        return FREE + ROUNDS * self.in_part


@dataclass
class _Causes:
    """Causes as they are found, from the heads down."""

    of_leg: dict[int, list[tuple[Item, float]]] = field(default_factory=dict)  # item, place
    of_pit: dict[int, tuple[Item, str] | None] = field(default_factory=dict)
    length: dict[Item, float] = field(default_factory=lambda: defaultdict(float))  # [m] fixed


def explain_levels(given: Given, served: Bools, problem: Problem, found: Optimum) -> Reasons:
    """What fixes the inverts of a route.

    A leg is fixed by a thing when it could not lie one step of the grid higher at both ends
    for it. Where the least slope carries a level on from further up, the thing there is named.

    Parameters
    ----------
    given, served
        What the route was chosen from.
    problem
        The programme's arrays of the chosen legs alone.
    found
        Their optimum.
    """
    legs = _legs_at(given, problem, found)
    causes = _Causes()
    into: dict[int, list[_Leg]] = defaultdict(list)
    for leg in legs:
        into[leg.down].append(leg)
        causes.of_leg[leg.number] = _tight(given, served, problem, leg)
    pits, words = {}, {}
    for leg in reversed(legs):  # heads first
        pits[leg.up] = _explain_pit(given, (problem, found), (causes, into), leg)
    for leg in legs:
        words[leg.number] = _explain_leg(given, causes, leg)
    for pit in found.level:  # a pit between is no pit of the programme
        pits.setdefault(pit, _root_words(given, pit))
    savings = _find_savings(given, served, problem, (found, causes))
    return Reasons(pits, tuple(words[leg.number] for leg in legs), savings)


def _root_words(given: Given, pit: int) -> str:
    tie_in = int(given.candidates.tie_in[pit])
    return "the existing manhole" if tie_in >= 0 else ""


def _legs_at(given: Given, problem: Problem, found: Optimum) -> list[_Leg]:
    """The optimum's drives, in its order: from the roots up."""
    falls = dict(zip(found.leg.tolist(), (found.up_level - found.down_level).tolist(), strict=True))
    bound, legs = problem.bound, []
    for drive in drives_of(problem, found):
        number = int(bound.chain[drive.leg])
        ends = leg_ends(given, number, np.array([drive.up]), np.array([drive.down]))
        whole = drive.whole, falls[drive.whole]
        legs.append(_Leg(
            drive.leg, whole, bool(problem.leg[drive.whole] >= bound.singles), drive.up,
            drive.down, drive.up_level, drive.down_level, number, int(bound.pipe[drive.leg]), ends,
        ))  # fmt: skip
    return legs


# --- what is tight along a leg


def _tight(given: Given, served: Bools, problem: Problem, leg: _Leg) -> list[tuple[Item, float]]:
    """Things for which a leg cannot be one level higher, and where along it from its upper end."""
    houses = given.obstructions.houses[leg.chain]
    nobody, every = np.zeros(0, np.int64), np.arange(len(houses.station))
    near = _near_services(given, leg)
    found = []
    bare = _Asked(given, leg, nobody, nobody)
    room, place = bare.room()
    if room < leg.free:
        found.append((Item(COVER), place))
    rows = given.layout.chains[leg.chain].properties
    passed = (houses.station >= leg.ends.serves_from[0]) & (houses.station < leg.ends.serves_to[0])
    for k in every[passed & served[rows]]:
        room, place = _Asked(given, leg, np.array([k]), nobody).room()
        if room < leg.free <= bare.room()[0]:
            found.append((Item(PROPERTY, int(rows[k])), place))
    for row in near:
        room, place = _Asked(given, leg, nobody, np.array([row])).room()
        if room < leg.free <= bare.room()[0]:
            found.append((Item(SERVICE, int(row)), place))
    whole, fall = leg.whole
    if fall <= problem.strict.legs.least_fall[whole]:
        found.append((Item(SLOPE), 0.0))
    return found


def _near_services(given: Given, leg: _Leg) -> Ints:
    """Services with a run whose box comes near the leg's."""
    runs, ends = given.obstructions.runs, leg.ends.ends[0]
    low = np.minimum(runs.ends[:, :2], runs.ends[:, 2:]) - NEAR - runs.half_width[:, None]
    high = np.maximum(runs.ends[:, :2], runs.ends[:, 2:]) + NEAR + runs.half_width[:, None]
    a, b = np.minimum(ends[:2], ends[2:]), np.maximum(ends[:2], ends[2:])
    return np.unique(runs.service[((low <= b) & (high >= a)).all(axis=1)])


@dataclass(frozen=True, eq=False)
class _Asked:
    """A leg with only some houses and services round it."""

    given: Given
    leg: _Leg
    houses: Ints
    services: Ints

    def room(self) -> tuple[float, float]:
        """How many levels the leg could rise, and the place along it that says so."""
        given, leg = self.given, self.leg
        alone = only_services(given, self.services)
        houses = only_houses(given.obstructions.houses[leg.chain], self.houses)
        rows = bind_ends(alone, (leg.chain, leg.pipe), leg.ends, houses)
        room, place = self._least(rows.row_t, rows.row_h)
        for band in range(int(rows.band_start[1])):
            below = slice(int(rows.band_low[band]), int(rows.band_high[band]))
            left, where = self._least(rows.band_t[below], rows.band_h[below])
            if -FREE <= left < room:
                room, place = left, where
        return room, place

    def _least(self, t: Floats, h: Floats) -> tuple[float, float]:
        line = (1 - t) * self.leg.z + t * self.leg.a
        left = h - line
        k = int(np.argmin(left))
        return float(left[k]), float(t[k])


# --- words


def _explain_leg(given: Given, causes: _Causes, leg: _Leg) -> str:
    """What fixes a leg: what is tight along it, and what the least slope hands down to it."""
    length = float(leg.ends.length[0])
    words = [
        f"{_passing(given, item)} {(1 - place) * length:.1f} m from its lower pit"
        for item, place in causes.of_leg[leg.number]
        if item.kind != SLOPE
    ]
    if any(item.kind == SLOPE for item, _ in causes.of_leg[leg.number]):
        above = causes.of_pit.get(leg.up)
        words.append("least slope" + (f" below {above[1]}" if above and not words else ""))
    return "; ".join(dict.fromkeys(words)) or "the levels of its pits"


def _passing(given: Given, item: Item) -> str:
    name = name_item(given.site, item)
    return f"passing below {name}" if item.kind == SERVICE else name


def _explain_pit(
    given: Given, solved: tuple[Problem, Optimum], known: tuple[_Causes, dict[int, list[_Leg]]],
    leg: _Leg,
) -> str:  # fmt: skip
    """What fixes the level at which the sewer leaves a pit by a leg."""
    (problem, found), (causes, into) = solved, known
    if leg.up not in found.level:
        return _explain_between(given, causes, into[leg.up][0], leg)
    level = found.level[leg.up]
    cause: tuple[Item, str] | None = None
    word = ""
    for other in into[leg.up]:
        if other.a - level <= _asked_drop(problem, leg, other):
            cause = _lower_cause(given, causes, other) or cause
            word = "drop from the leg above" + (f", fixed by {cause[1]}" if cause else "")
            break
    if not word:
        rows = [(i, p) for i, p in causes.of_leg[leg.number] if i.kind != SLOPE]
        if rows:
            item = rows[0][0]
            cause = (item, name_item(given.site, item))
            word = cause[1]
        elif level >= problem.strict.pits.high[leg.up]:
            cause, word = (Item(COVER), "least cover"), "least cover"
    causes.of_pit[leg.up] = cause
    if cause is not None:
        causes.length[cause[0]] += float(leg.ends.length[0])
    return word or "the levels of the legs below"


def _explain_between(given: Given, causes: _Causes, above: _Leg, leg: _Leg) -> str:
    """What fixes the level of a pit without a manhole: what fixes the line that it stands on."""
    cause = _lower_cause(given, causes, above)
    if cause is None:
        rows = [item for item, _ in causes.of_leg[leg.number] if item.kind != SLOPE]
        cause = (rows[0], name_item(given.site, rows[0])) if rows else None
    causes.of_pit[leg.up] = cause
    if cause is not None:
        causes.length[cause[0]] += float(leg.ends.length[0])
    return "in line between its neighbours" + (f", fixed by {cause[1]}" if cause else "")


def _lower_cause(given: Given, causes: _Causes, leg: _Leg) -> tuple[Item, str] | None:
    """What fixes the level at which a leg arrives: a thing along it, or what fixes its top."""
    tight = causes.of_leg[leg.number]
    for item, _ in tight:
        if item.kind != SLOPE:
            return item, name_item(given.site, item)
    return causes.of_pit.get(leg.up) if tight else None


def _asked_drop(problem: Problem, leg: _Leg, other: _Leg) -> int:
    """Drop that the rules ask for between two legs at a pit. [levels]"""
    groups, legs = problem.strict.groups, problem.strict.legs
    out, into = int(legs.out_group[leg.whole[0]]), int(legs.in_group[other.whole[0]])
    first, last = groups.turn_start[out], groups.turn_start[out + 1]
    pair = first + int(np.flatnonzero(groups.turn_in[first:last] == into)[0])
    return int(groups.turn_drop[pair])


# --- savings


def _find_savings(
    given: Given, served: Bools, problem: Problem, known: tuple[Optimum, _Causes]
) -> tuple[Saving, ...]:
    """What the same pits and legs would save if one thing were a little less strict.

    Other pits might save more: the sums are the least that relaxing it is worth.
    """
    found, causes = known
    ranked = sorted(causes.length.items(), key=lambda pair: (-pair[1], pair[0]))
    items = [item for item, _ in ranked[:MOST_SAVINGS]]
    items += [Item(kind) for kind in (SLOPE, DROP) if Item(kind) not in items]
    savings = []
    for item in items:
        by = STEP_OF[item.kind]
        easier = relax(given, item, by)
        legs = bind_again(easier, served, problem.bound, problem.leg[found.leg])
        best = find_optimum(make_problem(easier, legs).strict)
        if best is not None and found.cost - best.cost > 0.5:
            savings.append(Saving(
                item.kind, item.row, name_item(given.site, item), by, found.cost - best.cost,
                causes.length.get(item, 0.0),
            ))  # fmt: skip
    return tuple(sorted(savings, key=lambda s: (-s.saves, s.what)))
