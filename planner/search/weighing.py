"""Weighs choices of streets against each other by exact legs, and bounds them all."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from planner.kernels.layout_instance import ENDED, SPLIT
from planner.kernels.optimum import find_cost
from planner.model import Site
from planner.records import Bools, Ints, Layout, Solution, StreetGraph
from planner.search.asking import bound_all_streets
from planner.search.serving import (
    Way,
    Wish,
    lay_out_streets,
    lay_out_what_passes,
    serve_properties,
    serve_what_can_be,
    tie_in_inverts,
    with_slopes,
)
from planner.steps.flows import shed_load
from planner.steps.layout import every_choice, is_only_choice, other_streets
from planner.steps.routing import Found, build_problem, settle_route, solve

MOST_WEIGHED = 12  # choices of streets that are priced by exact legs
MOST_DIVIDED, FEW_DIVIDED = 100, 4  # that divide streets: looked through, and weighed
MOST_IN_TIME = 2_000  # the same, where the user says how long
MOST_ALTERNATIVES = 2
SUBSTANCE = 0.2  # of the length in other streets or flowing the other way: another plan
PENNY = 0.01  # sums of money that differ by less are the same

Point = tuple[float, float]


@dataclass(frozen=True, eq=False)
class Weighed:
    """A choice of streets with its route."""

    way: Way
    solution: Solution


@dataclass(frozen=True, eq=False)
class Trial:
    """Another choice of streets, what it costs at least, and its route where that was sought."""

    way: Way
    least: float
    route: Solution | None = None


@dataclass(frozen=True, eq=False)
class Choice:
    """The best choice of streets, the others that were looked at, and what any costs at least."""

    best: Weighed
    trials: tuple[Trial, ...]  # the cheapest first
    others: tuple[Weighed, ...]  # of them the first that differ in substance
    lower_bound: float
    scope: str  # what the bound is over


def weigh_streets(
    site: Site, way: Way, wish: Wish, alternatives: int = MOST_ALTERNATIVES
) -> Choice:
    """The cheapest choice of streets by exact legs, among those that are looked at.

    Parameters
    ----------
    site
        The site.
    way
        The cheapest at usual prices.
    wish
        What is fixed beforehand.
    alternatives
        Most others that are wanted.
    """
    first = Weighed(way, serve_what_can_be(way.given, way.graph.property_xy))
    if not first.solution.legs:
        return Choice(first, (), (), 0.0, "")
    if is_only_choice(way.graph, first.solution.served) and not wish.choices.any:
        return Choice(first, (), (), first.solution.lower_bound, ONLY)
    return _Scales(site, first, wish).weigh(alternatives)


def bound_site(site: Site, graph: StreetGraph, served: Bools) -> Choice | None:
    """The cheapest way to serve some properties that is found, and what every way costs at least.

    Parameters
    ----------
    site
        The site.
    graph
        Its streets.
    served : (properties,)
        The properties.

    Returns
    -------
    The choice of streets; None where no legs serve them all.
    """
    way = lay_out_what_passes(site, graph, Wish())
    found = serve_properties(way.given, served)
    if found is None:
        return None
    first = Weighed(way, settle_route(found))
    if is_only_choice(way.graph, served):
        return Choice(first, (), (), first.solution.lower_bound, ONLY)
    return _Scales(site, first, Wish()).weigh(0)


class _Scales:
    """Other choices of streets, each held against the best one."""

    def __init__(self, site: Site, first: Weighed, wish: Wish) -> None:
        self.site, self.wish, self.best = site, wish, first
        self.served = first.solution.served
        self.trials: list[Trial] = []
        self.seen = {_name(first.way.given.layout)}

    def weigh(self, alternatives: int) -> Choice:
        first = self.best.way
        stop = self.wish.stop
        every = every_choice(first.posed, MOST_WEIGHED if stop is None else MOST_IN_TIME)
        uses = every
        if uses is None and first.found is not None:
            uses = other_streets(first.posed, first.found, max(alternatives, 1))
        for count, use in enumerate(uses or (), start=1):
            self.wish.say(f"choice of streets {count} of {len(uses or ())}, {self._best_words()}")
            if stop is not None and stop():
                every = None  # not all of them: no proof by trying
                break
            self._try(use)
        for use in self._divided():
            self.wish.say(f"streets divided at a crest, {self._best_words()}")
            self._try(use)
        self.trials.sort(key=lambda trial: trial.least)
        least = min([self.best.solution.lower_bound, *(trial.least for trial in self.trials)])
        scope = _of_all(len(uses or ()))
        if every is None:
            bound = bound_all_streets(
                self.site, first.graph, self.served, tie_in_inverts(self.site)
            )
            least, scope = min(least, bound.price), OF_PRICES
        return Choice(self.best, tuple(self.trials), self._that_differ(alternatives), least, scope)

    def _best_words(self) -> str:
        money = self.site.book.costs.text("currency")
        return f"the best so far {self.best.solution.cost:,.0f} {money}"

    def _divided(self) -> list[Ints]:
        """The cheapest uses, at usual prices, that divide a street at a crest."""
        every = every_choice(self.best.way.posed, MOST_DIVIDED, divided=True) or []
        return [use for use in every if (use == ENDED + SPLIT).any()][:FEW_DIVIDED]

    def _try(self, use: Ints) -> None:
        """See what a choice costs at least; where it could be the best, its route is settled."""
        memo = self.best.way.given.memo
        way = lay_out_streets(self.site, self.best.way.graph, self.wish, use, memo)
        given = way.given
        name = _name(given.layout)
        if name in self.seen or not given.layout.chains:
            return
        self.seen.add(name)
        if any(given.layout.why_not[row] for row in np.flatnonzero(self.served)):
            return
        if shed_load(self.site, given.layout, given.piping):
            return
        sloped = with_slopes(given, self.served)
        problem = build_problem(sloped, self.served)
        least = find_cost(problem.optimistic)
        if least == np.inf:
            return
        trial = Trial(way, least)
        if least < self.best.solution.cost - PENNY:
            trial = self._settled(trial, solve(sloped, self.served, problem))
        if trial.route is not None and trial.route.cost < self.best.solution.cost - PENNY:
            before, self.best = self.best, Weighed(way, trial.route)
            trial = Trial(before.way, before.solution.lower_bound, before.solution)
        self.trials.append(trial)

    def _settled(self, trial: Trial, found: Found | None) -> Trial:
        """A trial with its route, where one was found; what cannot be served stays so."""
        if found is None:
            return trial
        of_first = self.best.solution
        route = replace(settle_route(found), why_not=of_first.why_not, conflicts=of_first.conflicts)
        return Trial(trial.way, max(trial.least, route.lower_bound), route)

    def _that_differ(self, count: int) -> tuple[Weighed, ...]:
        """The cheapest trials that differ in substance from the best and from each other."""
        kept: list[Weighed] = []
        for trial in self.trials:
            if len(kept) == count:
                break
            if not all(_differ(trial.way, other.way) for other in (self.best, *kept)):
                continue
            settled = trial
            if trial.route is None:
                settled = self._settled(trial, serve_properties(trial.way.given, self.served))
            if settled.route is not None:
                self.trials[self.trials.index(trial)] = settled
                kept.append(Weighed(settled.way, settled.route))
        return tuple(kept)


ONLY = "there are no other streets or directions to choose from"
OF_PRICES = (
    "and over all other streets and directions at the least that sewers in them can cost, a "
    "metre as if all were straight, at the least cover and with legs of the greatest length"
)


def _of_all(count: int) -> str:
    return (
        f"and over all {count} choices of streets and directions whose sewers keep their cover "
        "along the streets' middle, with no street divided at a crest but as planned"
    )


def _differ(one: Way, other: Way) -> bool:
    """Whether two choices differ in substance: other tie-ins, or a good part of the length."""
    ends = [{c.down for c in w.given.layout.chains if c.down in w.given.layout.roots}
            for w in (one, other)]  # fmt: skip
    return ends[0] != ends[1] or share_apart(one, other) >= SUBSTANCE


def share_apart(one: Way, other: Way) -> float:
    """Share of the first's length that lies in other streets or flows the other way."""
    whole = sum(length for length, _ in _flows(one.given.layout).values())
    return sum(length for length, _ in _apart(one, other).values()) / whole if whole > 0 else 0.0


def rows_apart(one: Way, other: Way) -> set[int]:
    """Rows of `Site.streets` in which only one has a sewer, or where they flow another way."""
    return {row for _, row in _apart(one, other).values()}


def _apart(one: Way, other: Way) -> dict[frozenset[Point], tuple[float, int]]:
    """Pieces of street that two choices use otherwise; a piece turned round counts once."""
    own, others = _flows(one.given.layout), _flows(other.given.layout)
    return {frozenset(k): v for k, v in (own | others).items() if (k in own) != (k in others)}


def _flows(layout: Layout) -> dict[tuple[Point, Point], tuple[float, int]]:
    """Length and row of each piece of street with a sewer, from where it comes to where it goes."""
    found = {}
    for chain in layout.chains:
        end = chain.length if chain.up >= 0 else min(chain.length, chain.head_to)
        points = [(round(float(x), 3), round(float(y), 3)) for x, y in chain.xy]
        for k, (low, high) in enumerate(pairwise(points)):
            within = min(end, float(chain.stations[k + 1])) - float(chain.stations[k])
            if within > 0:
                found[high, low] = (within, int(chain.rows[k]))
    return found


def _name(layout: Layout) -> tuple[object, ...]:
    """What two layouts of one kind have in common."""
    return tuple(
        sorted(
            (chain.down, chain.up, chain.xy.tobytes(), np.sort(chain.properties).tobytes())
            for chain in layout.chains
        )
    )
