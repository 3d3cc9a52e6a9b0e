"""The steps in order: from a site to a plan."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import geopandas as gpd
import numpy as np

from planner.assembly import Drawn, Search, assemble, optimality
from planner.model import Floats, Plan, Site
from planner.records import Bools, Ints, Limits, Solution, StreetGraph, Unserved
from planner.rules import pipe_sizes
from planner.steps import naming
from planner.steps.candidates import place_candidates
from planner.steps.connections import find_too_large
from planner.steps.corridor import find_corridor
from planner.steps.design import take_design
from planner.steps.flows import lay_pipes, pipe_in_bore, shed_load, slopes_along
from planner.steps.layout import choose_layout
from planner.steps.obstruction import find_obstructions
from planner.steps.prices import price_candidates
from planner.steps.routing import (
    Break,
    Found,
    Given,
    explain,
    find_breaks,
    find_route,
    floor_limits,
    settle_route,
    upstream_properties,
)
from planner.steps.search_cost import cost_as_searched
from planner.steps.streets import build_graph

MOST_LAYOUTS = 30  # rounds of leaving out what no legs can reach
PENNY = 0.01  # sums of money that differ by less are the same
MOST_EXPLAINED = 2  # things that cannot be served whose conflict is looked for

OnStage = Callable[[str], None]


def make_plan(site: Site, on_stage: OnStage | None = None) -> Plan:
    """Propose a sewer for a site.

    Parameters
    ----------
    site
        The site, as `planner.read_site` gives it.
    on_stage
        Called with the name of each stage as it begins.

    Returns
    -------
    The plan. Properties that cannot be served stand in it with the reason.
    """
    tell = on_stage or (lambda _: None)
    tell("layout")
    graph = build_graph(site, site.book.rules.number("connection_max_length_m"))
    given, graph, barred = _lay_out_what_passes(site, graph)
    tell("legs")
    solution = _serve_what_can_be(given, graph.property_xy)
    solution = replace(solution, conflicts=barred + solution.conflicts)
    tell("assemble")
    route = naming.name_route(
        site, given.candidates, given.layout, given.piping.pipes, solution, graph.property_xy
    )
    return assemble(
        site,
        Drawn(route, given.candidates, given.prices, given.corridor.sizes, _search(solution)),
    )


def _search(solution: Solution) -> Search:
    """What was proven of a route, and why some things cannot be served."""
    if not solution.legs:
        return Search(None, None, "", (), solution.conflicts)
    counts, served = solution.counts, int(solution.served.sum())
    scope = (
        f"all ways to serve these {served} properties by straight legs between the "
        f"{counts['pits']:,} places for pits that were looked at, in these streets and these "
        f"directions of flow: {counts['legs']:,} legs at every invert of the printed grid, in "
        "every size that the flow asks for and driven either way, at the stated prices"
    )
    return Search(solution.cost, solution.lower_bound, scope, solution.savings, solution.conflicts)


def check_design(
    site: Site,
    pits: gpd.GeoDataFrame,
    legs: gpd.GeoDataFrame,
    connections: gpd.GeoDataFrame | None = None,
    on_stage: OnStage | None = None,
) -> Plan:
    """A plan of a person's own pits and legs: what follows from them, and what they break.

    Parameters
    ----------
    site
        The site, as `planner.read_site` gives it.
    pits, legs
        Layers with at least the geometry and ``pit_id``; ``leg_id``, ``up_pit``, ``down_pit``,
        ``invert_up_m``, ``invert_down_m``, ``diameter_mm``; in any CRS. What else a plan's layers
        have is taken where it is a choice, and held against what follows where it is a figure.
    connections
        Layer with ``property_id`` and ``joins``, the leg or pit; without it each property joins
        the leg along its street.
    on_stage
        Called with the name of each stage as it begins.

    Raises
    ------
    InputError
        Where a column, a geometry, a name or a number is missing.
    """
    tell = on_stage or (lambda _: None)
    tell("assemble")
    graph = build_graph(site, site.book.rules.number("connection_max_length_m"))
    layers = {"pits": pits, "legs": legs}
    design = take_design(
        site, layers if connections is None else layers | {"connections": connections}, graph
    )
    corridor = find_corridor(site)
    prices = price_candidates(site, design.places, design.pipes, corridor)
    plan = assemble(
        site,
        Drawn(
            design.route, design.places, prices, corridor.sizes, None, design.faults,
            design.assumed, design.stated,
        ),
    )  # fmt: skip
    drained = plan.connections[plan.connections["served"].astype(bool)]["property_id"]
    served = site.properties["property_id"].isin(set(drained)).to_numpy(bool)
    cost = cost_as_searched(site, design.route, prices, served)
    bound = _bound_site((site, graph), served, cost, tell)
    return replace(plan, summary={**plan.summary, "optimality": optimality(bound)})


def _bound_site(
    place: tuple[Site, StreetGraph], served: Bools, cost: float, tell: OnStage
) -> Search | None:
    """What a design costs, and the least that the planner's streets can serve its houses for.

    Nothing where they cannot serve them all, or where the design is cheaper than all that was
    looked over, as one that breaks rules or lies elsewhere can be.
    """
    if not served.any():
        return None
    tell("layout")
    given, _, _ = _lay_out_what_passes(*place)
    tell("legs")
    slopes = slopes_along(given.site, given.layout, given.piping, served)
    found = find_route(replace(given, slopes=slopes), served)
    solution = None if found is None else settle_route(found)
    if solution is None or solution.lower_bound > cost + PENNY:
        return None
    return Search(cost, min(cost, solution.lower_bound), f"the site: {_search(solution).scope}")


def _lay_out_what_passes(
    site: Site, graph: StreetGraph
) -> tuple[Given, StreetGraph, tuple[Unserved, ...]]:
    """A layout in which every street can be joined to the tie-in by legs.

    Where no legs pass, what lies above is left out and the rest is laid out again.
    """
    barred: list[Unserved] = []
    graph = _without(graph, find_too_large(site))
    for _ in range(MOST_LAYOUTS):
        given = _lay_out(site, graph)
        shed = shed_load(site, given.layout, given.piping)
        breaks = find_breaks(given) if given.layout.chains and not shed else ()
        why_not = shed or _cut_off(given, breaks)
        if not why_not:
            break
        barred += _explain_breaks(given, breaks, why_not)[: MOST_EXPLAINED - len(barred)]
        graph = _without(graph, why_not)
    return given, graph, tuple(barred)


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


def _lay_out(site: Site, graph: StreetGraph) -> Given:
    step = site.project.level_step
    level = np.ceil(site.tie_ins["invert_elev_m"].to_numpy(float) / step - 1e-6).astype(np.int64)
    half = (site.streets["lanes"] * site.streets["lane_width_m"] / 2).to_numpy(float)
    layout = choose_layout(graph, site.ground, level * step, half, _limits(site))
    corridor = find_corridor(site)
    piping = lay_pipes(site, layout)
    candidates = place_candidates(site, layout, corridor)
    everyone = np.ones(len(site.properties), bool)
    return Given(
        site, layout, corridor, candidates,
        find_obstructions(site, layout, piping.pipes, graph.property_xy), piping,
        slopes_along(site, layout, piping, everyone),
        price_candidates(site, candidates, piping.pipes, corridor), level,
    )  # fmt: skip


def _limits(site: Site) -> Limits:
    """Depth and slope of the smallest pipe, which the layout works with."""
    method = site.book.equipment.text("method")
    size = next(s for s in pipe_sizes(site.book) if s.method == method)
    pipe = pipe_in_bore(site.book, size)
    rules = site.book.rules
    cover = max(rules.number("min_cover_m"), rules.number("min_cover_bore_diameters") * pipe.bore)
    return Limits(cover + pipe.bore - (pipe.outside - pipe.inside) / 2, pipe.min_slope)


def _serve_what_can_be(given: Given, property_xy: Floats) -> Solution:
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

    def route_of(some: Bools) -> Found | None:
        slopes = slopes_along(given.site, given.layout, given.piping, some)
        return find_route(replace(given, slopes=slopes), some)

    whole = route_of(served)
    if whole is not None:
        return whole, np.empty(0, np.int64)
    order = np.array([i for i in np.lexsort((np.arange(len(margin)), margin)) if served[i]])
    low, high, best = 1, len(order), None
    while low <= high:
        middle = (low + high) // 2
        fewer = served.copy()
        fewer[order[:middle]] = False
        route = route_of(fewer)
        if route is None:
            low = middle + 1
        else:
            best, high = (route, order[:middle]), middle - 1
    return best
