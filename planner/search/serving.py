"""On given streets: what can be served at all, and the cheapest pits and legs that serve it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from planner.kernels.layout_plan import Effort
from planner.kernels.layout_plan import Found as FoundStreets
from planner.model import Floats, Site
from planner.records import Bools, Candidates, Ints, Solution, StreetGraph, Unserved
from planner.search.asking import ask
from planner.steps.candidates import place_candidates
from planner.steps.connections import find_too_large
from planner.steps.corridor import find_corridor
from planner.steps.flows import lay_pipes, shed_load, slopes_along
from planner.steps.layout import NO_CHOICES, Choices, Posed, lay_out, pose
from planner.steps.obstruction import find_obstructions
from planner.steps.prices import price_candidates
from planner.steps.routing import (
    Break,
    Found,
    Given,
    Memo,
    explain,
    find_breaks,
    find_route,
    floor_limits,
    outlets_of,
    settle_route,
    upstream_properties,
)

PIT_REACH = 3.0  # [m] from a pit that must stand to the place where it can
MOST_LAYOUTS = 30  # rounds of leaving out what no legs can reach
MOST_EXPLAINED = 2  # things that cannot be served whose conflict is looked for


def _say_nothing(_: str) -> None:
    """Nobody wants to know how far the search is."""


@dataclass(frozen=True)
class Wish:
    """What is settled beforehand, and how long the search may take.

    Without ``stop`` the search ends by itself, and the same site gives the same plan; with it, as
    many choices of streets are weighed as there are, until it says so.
    """

    choices: Choices = NO_CHOICES
    pits: tuple[tuple[float, float], ...] = ()  # that must stand [m]
    effort: Effort = field(default_factory=Effort)
    stop: Callable[[], bool] | None = None
    say: Callable[[str], None] = _say_nothing  # how far the search is


@dataclass(frozen=True, eq=False)
class Way:
    """One choice of streets and what stands in them."""

    posed: Posed
    use: Ints  # (links,)
    found: FoundStreets | None  # None where the use was handed in
    graph: StreetGraph  # without what cannot be served whatever is built
    given: Given
    barred: tuple[Unserved, ...]  # stretches that no legs pass, and why


def lay_out_what_passes(site: Site, graph: StreetGraph, wish: Wish, use: Ints | None = None) -> Way:
    """Streets in which every property can be joined to the tie-in by legs.

    Where no legs pass, what lies above is left out and the rest is laid out again.

    Parameters
    ----------
    site
        The site.
    graph
        Its streets.
    wish
        What is fixed beforehand.
    use : (links,)
        The choice of streets; without it the cheapest that is found.
    """
    barred: list[Unserved] = []
    memo = Memo()
    graph = _without(graph, find_too_large(site))
    for _ in range(MOST_LAYOUTS):
        way = lay_out_streets(site, graph, wish, use, memo)
        given = way.given
        shed = shed_load(site, given.layout, given.piping)
        breaks = find_breaks(given) if given.layout.chains and not shed else ()
        why_not = shed or _cut_off(given, breaks)
        if not why_not:
            break
        barred += _explain_breaks(given, breaks, why_not)[: MOST_EXPLAINED - len(barred)]
        graph = _without(graph, why_not)
        wish.say(f"again without {len(why_not)} properties that no legs reach")
    return replace(way, barred=tuple(barred))


def lay_out_streets(
    site: Site, graph: StreetGraph, wish: Wish, use: Ints | None = None, memo: Memo | None = None
) -> Way:
    """Streets, and all that pits and legs in them are chosen from.

    Parameters
    ----------
    site, graph, wish, use
        As for `lay_out_what_passes`.
    memo
        What other choices of streets computed.
    """
    posed = pose(ask(site, graph, wish.choices, wish.effort, tie_in_inverts(site)))
    found = None
    if use is None:
        found = posed.find(wish.stop, lambda *now: wish.say(_streets_words(*now)))
        use = found.use
    layout = lay_out(posed, use)
    corridor = find_corridor(site)
    piping = lay_pipes(site, layout)
    candidates = place_candidates(site, layout, corridor)
    everyone = np.ones(len(site.properties), bool)
    given = Given(
        site, layout, corridor, candidates,
        find_obstructions(site, layout, piping.pipes, graph.property_xy), piping,
        slopes_along(site, layout, piping, everyone),
        price_candidates(site, candidates, piping.pipes, corridor), tie_in_levels(site),
        outlets_of(site), fixed_pits_of(candidates, wish), memo or Memo(),
    )  # fmt: skip
    return Way(posed, use, found, graph, given, ())


def _streets_words(tried: int, cost: float, bound: float) -> str:
    """How far the search for streets is, at usual prices."""
    if not tried and cost <= bound:
        return "all choices of streets listed at usual prices"
    off = 100 * (cost - bound) / cost if cost > 0 else 0.0
    return f"{tried:,} changes tried, at most {off:.1f} % above the cheapest at usual prices"


def fixed_pits_of(candidates: Candidates, wish: Wish) -> tuple[int, ...]:
    """The candidate pit nearest to each that must stand, where one is near enough."""
    found = []
    for x, y in wish.pits:
        apart = np.hypot(candidates.xy[:, 0] - x, candidates.xy[:, 1] - y)
        apart[candidates.tie_in >= 0] = np.inf
        if len(apart) and apart.min() <= PIT_REACH:
            found.append(int(apart.argmin()))
    return tuple(found)


def tie_in_levels(site: Site) -> Ints:
    """Lowest invert that may arrive at each tie-in, in steps of the grid of levels."""
    step = site.project.level_step
    invert = site.tie_ins["invert_elev_m"].to_numpy(float)
    return np.asarray(np.ceil(invert / step - 1e-6).astype(np.int64))


def tie_in_inverts(site: Site) -> Floats:
    """Lowest invert that may arrive at each tie-in. [m]"""
    return np.asarray(tie_in_levels(site) * site.project.level_step, float)


def serve_properties(given: Given, served: Bools) -> Found | None:
    """The cheapest route that serves some properties, or None where there is none."""
    return find_route(with_slopes(given, served), served)


def with_slopes(given: Given, served: Bools) -> Given:
    """What is given, with the slopes that the flow of some properties asks for."""
    slopes = slopes_along(given.site, given.layout, given.piping, served)
    return replace(given, slopes=slopes)


def _without(graph: StreetGraph, why_not: dict[int, str]) -> StreetGraph:
    """The graph with some properties left out, and why."""
    out = np.isin(np.arange(len(graph.property_link)), list(why_not))
    words = (why_not.get(i, text) for i, text in enumerate(graph.property_why_not))
    return replace(
        graph,
        property_link=np.where(out, -1, graph.property_link),
        property_why_not=tuple(words),
    )


def _explain_breaks(
    given: Given, breaks: tuple[Break, ...], why_not: dict[int, str]
) -> list[Unserved]:
    """Why no sewer passes each break, whatever it serves."""
    streets = given.site.streets["street"].astype(str).tolist()
    ids = given.site.properties["property_id"].astype(str).tolist()
    found = []
    for cut in breaks[:MOST_EXPLAINED]:
        conflict = explain(given, cut.chain, np.empty(0, np.int64))
        if conflict is not None:
            above = upstream_properties(given.layout, cut.chain).tolist()
            left = tuple(ids[row] for row in above if row in why_not)
            found.append(Unserved(streets[given.layout.chains[cut.chain].rows[0]], left, conflict))
    return found


def _cut_off(given: Given, breaks: tuple[Break, ...]) -> dict[int, str]:
    """Properties above each break, or all of its chain where none lies above it."""
    streets = given.site.streets["street"].astype(str).tolist()
    rules = given.site.book.rules
    turn, drop = rules.number("max_turn_deg"), rules.number("max_drop_structure_m")
    why_not: dict[int, str] = {}
    for cut in breaks:
        chain = given.layout.chains[cut.chain]
        rows = upstream_properties(given.layout, cut.chain)
        beyond = np.setdiff1d(rows, chain.properties[chain.property_stations < cut.station])
        street = streets[chain.rows[0]]
        what = (
            f"blocked: the sewer of {street} cannot meet the others at its lower end: no place for "
            f"a pit there has all legs turn by at most {turn:g} degrees and drop by at most "
            f"{drop:g} m"
            if cut.alone
            else f"blocked: no leg that keeps the rules passes the stretch of {street} below "
            f"{cut.station:.0f} m from its lower end"
        )
        why_not |= dict.fromkeys((beyond if len(beyond) else rows).tolist(), what)
    return why_not


def serve_what_can_be(given: Given, property_xy: Floats) -> Solution:
    """The cheapest route that serves all it can: the fewest hardest properties are left out.

    Properties are ordered by how far below the lowest possible sewer their drain would be; those
    that no sewer can reach go first, then the smallest number from the hard end that makes a
    route possible, found by halving.
    """
    why_not = {i: text for i, text in enumerate(given.layout.why_not) if text}
    margin, reasons = floor_limits(given, property_xy)
    served = np.array([i not in why_not for i in range(len(margin))], bool)
    impossible = served & (margin < 0)
    for i in np.flatnonzero(impossible):
        why_not[int(i)] = reasons[int(i)]
    served &= ~impossible
    found = _drop_hardest(given, served, margin) if given.layout.chains else None
    if found is None:
        nobody = np.zeros(len(margin), bool)
        blocked = _all_blocked(given, why_not)
        return Solution((), {}, 0.0, 0.0, nobody, blocked, {}, (), {}, (), ())
    whole, dropped = found
    solution = settle_route(whole)
    for i in dropped:
        why_not[int(i)] = (
            f"floor too low: no line of pits and legs keeps every rule and drains it; the lowest "
            f"straight sewer would leave {margin[i]:.2f} m, which crossings, drops and pits take up"
        )
    asked = [*np.flatnonzero(impossible).tolist(), *dropped.tolist()]
    return replace(solution, why_not=why_not, conflicts=_explain_hardest(given, asked, margin))


def _explain_hardest(given: Given, rows: list[int], margin: Floats) -> tuple[Unserved, ...]:
    """Why the hardest property of each chain cannot be served; the others there are named."""
    ids = given.site.properties["property_id"].astype(str).tolist()
    found: list[Unserved] = []
    for number, chain in enumerate(given.layout.chains):
        own = sorted((row for row in rows if row in chain.properties), key=lambda r: margin[r])
        if own and len(found) < MOST_EXPLAINED:
            conflict = explain(given, number, np.array(own[:1]))
            if conflict is not None:
                found.append(Unserved(ids[own[0]], tuple(ids[r] for r in own), conflict))
    return tuple(found)


def _all_blocked(given: Given, why_not: dict[int, str]) -> dict[int, str]:
    text = "blocked: no line of pits and legs from here to the tie-in keeps every rule"
    return {i: why_not.get(i, text) for i in range(len(given.site.properties))}


def _drop_hardest(given: Given, served: Bools, margin: Floats) -> tuple[Found, Ints] | None:
    """A route for as many properties as can be, the hardest left out first."""
    whole = serve_properties(given, served)
    if whole is not None:
        return whole, np.empty(0, np.int64)
    order = np.array([i for i in np.lexsort((np.arange(len(margin)), margin)) if served[i]])
    low, high, best = 1, len(order), None
    while low <= high:
        middle = (low + high) // 2
        fewer = served.copy()
        fewer[order[:middle]] = False
        route = serve_properties(given, fewer)
        if route is None:
            low = middle + 1
        else:
            best, high = (route, order[:middle]), middle - 1
    return best
