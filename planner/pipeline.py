"""The steps in order: from a site to a plan."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from planner.assembly import Drawn, assemble
from planner.model import Floats, Plan, Register, Site
from planner.records import Bools, StreetGraph
from planner.search.again import PlanAgain
from planner.search.regrade import DesignAgain
from planner.search.serving import Wish, lay_out_what_passes
from planner.search.ways_out import price_options
from planner.search.weighing import (
    Choice,
    Weighed,
    bound_site,
    rows_apart,
    share_apart,
    weigh_streets,
)
from planner.steps import naming
from planner.steps.candidates import refused_places
from planner.steps.corridor import find_corridor
from planner.steps.design import take_design
from planner.steps.layout import choices_of
from planner.steps.prices import price_candidates
from planner.steps.search_cost import cost_as_searched
from planner.steps.streets import build_graph
from planner.summary import Search, optimality

PENNY = 0.01  # sums of money that differ by less are the same

OnStage = Callable[[str], None]
OnProgress = Callable[[str], None]


def make_plan(  # noqa: PLR0913  (what a run may ask for, each by its name)
    site: Site,
    on_stage: OnStage | None = None,
    *,
    alternatives: int = 0,
    register: Register | None = None,
    stop: Callable[[], bool] | None = None,
    on_progress: OnProgress | None = None,
) -> Plan:
    """Propose a sewer for a site.

    Parameters
    ----------
    site
        The site, as `planner.read_site` gives it.
    on_stage
        Called with the name of each stage as it begins.
    alternatives
        Most plans in other streets that are worked out in full beside the best; without them the
        summary only says what they cost.
    register
        Register of conflicts of an earlier plan, whose numbers and statuses are kept.
    stop
        Asked between two choices of streets; true ends the search with the best so far. Without
        it the search ends by itself, and the same site gives the same plan.
    on_progress
        Called with how far a stage is, in words.

    Returns
    -------
    The plan. Properties that cannot be served stand in it with the reason.
    """
    tell = on_stage or (lambda _: None)
    tell("layout")
    graph = build_graph(_as_settled(site), site.book.rules.number("connection_max_length_m"))
    wish = _wish_of(site, stop, on_progress or (lambda _: None))
    way = lay_out_what_passes(site, graph, wish)
    tell("legs")
    choice = weigh_streets(site, way, wish)
    settled = _price_of_settled(site, choice, wish)
    tell("assemble")
    search = _search(choice)
    best = _assembled(site, choice.best, search, register, solve_again=True)
    others = [
        _assembled(site, other, replace(search, **_of_other(other)))
        for other in choice.others[:alternatives]
    ]
    summary = {**best.summary, "alternatives": _differences(site, choice)}
    if settled:
        summary["settled_beforehand"] = settled
    return replace(best, summary=summary, alternatives=tuple(others))


def _as_settled(site: Site) -> Site:
    """The site without sewers in streets that the project forbids."""
    shut = site.streets["street"].astype(str).isin(site.fixed.forbid)
    kept = site.streets["sewer"].where(~shut, "forbidden")
    return replace(site, streets=site.streets.assign(sewer=kept)) if shut.any() else site


def _wish_of(site: Site, stop: Callable[[], bool] | None, say: OnProgress) -> Wish:
    xy = np.array(site.fixed.pits, float).reshape(-1, 2)
    x, y = site.frame.to_local(xy[:, 0], xy[:, 1])
    pits = tuple(zip(x.tolist(), y.tolist(), strict=True))
    return Wish(choices_of(site), pits, stop=stop, say=say)


def _price_of_settled(site: Site, choice: Choice, wish: Wish) -> dict[str, Any]:
    """What the project settles beforehand, and what that costs against a free choice."""
    if not site.fixed:
        return {}
    graph = build_graph(site, site.book.rules.number("connection_max_length_m"))
    wish.say("as if nothing were settled beforehand, to tell what that costs")
    at_will = Wish(stop=wish.stop, say=wish.say)
    way = lay_out_what_passes(site, graph, at_will)
    free = weigh_streets(site, way, at_will, 0).best.solution
    mine = choice.best.solution
    return {
        "what": _settled_words(site), "costs_more": round(mine.cost - free.cost, 2),
        "serves_fewer": int(free.served.sum() - mine.served.sum()),
    }  # fmt: skip


def _settled_words(site: Site) -> list[str]:
    fixed = site.fixed
    return [
        *(f"{name}: a sewer from end to end" for name in fixed.carry),
        *(f"{name}: no sewer" for name in fixed.forbid),
        *(f"{name}: flows {'as' if drawn else 'against how'} it is drawn"
          for name, drawn in fixed.flow),
        *(f"tie-in {name}: no others are used" for name in fixed.tie_ins),
        *(f"tie-in {name}: not used" for name in fixed.no_tie_ins),
        *(f"a pit at {x:.1f}, {y:.1f}" for x, y in fixed.pits),
    ]  # fmt: skip


def _assembled(
    site: Site, weighed: Weighed, search: Search, register: Register | None = None,
    *, solve_again: bool = False,
) -> Plan:  # fmt: skip
    way = weighed.way
    given = way.given
    route = naming.name_route(
        site, given.candidates, given.layout, given.piping.pipes, weighed.solution,
        way.graph.property_xy,
    )  # fmt: skip
    plan = assemble(
        site,
        Drawn(
            route,
            given.candidates,
            given.prices,
            given.corridor.sizes,
            search,
            earlier=_in_frame(site, register),
            no_pits=refused_places(site, given.layout, given.corridor),
        ),
    )
    again = PlanAgain(site, weighed, route) if solve_again and len(plan.conflicts) else None
    return replace(plan, conflicts=price_options(site, plan, again))


def _in_frame(site: Site, register: Register | None) -> Register | None:
    """A register in the site's frame."""
    if register is None:
        return None

    def move(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        known = frame.to_crs(site.frame.crs) if frame.crs is not None else frame

        def local(xy: Floats) -> Floats:
            return np.column_stack(site.frame.to_local(xy[:, 0], xy[:, 1]))

        moved = shapely.transform(known.geometry.to_numpy(), local)
        return known.set_geometry(gpd.GeoSeries(moved, index=known.index), crs=None)

    return Register(move(register.conflicts), move(register.superseded))


def _search(choice: Choice) -> Search:
    """What was proven of a plan, and why some things cannot be served."""
    solution = choice.best.solution
    conflicts = choice.best.way.barred + solution.conflicts
    if not solution.legs:
        return Search(None, None, "", (), conflicts)
    counts, served = solution.counts, int(solution.served.sum())
    scope = (
        f"all ways to serve these {served} properties by straight legs between the "
        f"{counts['pits']:,} places for pits that were looked at in these streets: "
        f"{counts['legs']:,} legs at every invert of the printed grid, in every size that the "
        "flow asks for and driven either way, at the stated prices; where one drive does not reach "
        "from manhole to manhole, with two that meet at a pit without one, at the places where it "
        f"can be the shallowest; {choice.scope}"
    )
    return Search(
        solution.cost, choice.lower_bound, scope, solution.savings, conflicts,
        solution.lower_bound,
    )  # fmt: skip


def _of_other(other: Weighed) -> dict[str, Any]:
    """What differs in the proof of an alternative."""
    solution = other.solution
    return {
        "cost": solution.cost, "on_these_streets": solution.lower_bound,
        "savings": solution.savings,
    }  # fmt: skip


def _differences(site: Site, choice: Choice) -> list[dict[str, Any]]:
    """Other choices of streets that were looked at, as the summary lists them."""
    names = site.streets["street"].astype(str).tolist()
    best = choice.best.way
    planned = [other.way for other in choice.others]
    return [
        {
            "streets": sorted({names[row] for row in rows_apart(best, trial.way)}),
            "other_length_pct": round(100 * share_apart(best, trial.way), 1),
            "costs_at_least": round(trial.least, 2),
            "cost": None if trial.route is None else round(trial.route.cost, 2),
            "in_substance": any(trial.way is way for way in planned),
        }
        for trial in choice.trials
    ]  # fmt: skip


def check_design(  # noqa: PLR0913  (layers of a design are arguments of their own)
    site: Site,
    pits: gpd.GeoDataFrame,
    legs: gpd.GeoDataFrame,
    connections: gpd.GeoDataFrame | None = None,
    on_stage: OnStage | None = None,
    *,
    register: Register | None = None,
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

    register
        Register of conflicts of an earlier plan, whose numbers and statuses are kept.

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
    drawn = Drawn(
        design.route, design.places, prices, corridor.sizes, faults=design.faults,
        assumed=design.assumed, earlier=_in_frame(site, register), stated=design.stated,
    )  # fmt: skip
    plan = assemble(site, drawn)
    again = DesignAgain(
        site, design.route, prices, plan, lambda moved: assemble(site, replace(drawn, route=moved))
    )
    plan = replace(plan, conflicts=price_options(site, plan, again))
    drained = plan.connections[plan.connections["served"].astype(bool)]["property_id"]
    served = site.properties["property_id"].isin(set(drained)).to_numpy(bool)
    cost = cost_as_searched(site, design.route, prices, served)
    bound = _bound_site((site, graph), served, cost, tell)
    return replace(plan, summary={**plan.summary, "optimality": optimality(bound)})


def _bound_site(
    place: tuple[Site, StreetGraph], served: Bools, cost: float, tell: OnStage
) -> Search | None:
    """What a design costs, and the least that the site's streets can serve its houses for.

    Nothing where they cannot serve them all, or where the design is cheaper than all that was
    looked over, as one that breaks rules or lies elsewhere can be.
    """
    if not served.any():
        return None
    tell("layout")
    tell("legs")
    choice = bound_site(*place, served)
    if choice is None or choice.lower_bound > cost + PENNY:
        return None
    found = _search(choice)
    return Search(cost, min(cost, choice.lower_bound), f"the site: {found.scope}")
