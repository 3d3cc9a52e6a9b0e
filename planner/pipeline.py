"""The steps in order: from a site to a plan."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from planner.model import PLAN_COLUMNS, Floats, Plan, Site
from planner.records import Bools, Ints, Limits, Route, Solution, StreetGraph
from planner.rules import pipe_sizes
from planner.steps import clearances, connections, cost, findings, legs, naming, pits
from planner.steps.candidates import place_candidates
from planner.steps.corridor import find_corridor
from planner.steps.flows import choose_pipes, load_legs, pipe_in_bore, run_states
from planner.steps.layout import choose_layout
from planner.steps.obstruction import find_obstructions
from planner.steps.prices import price_candidates
from planner.steps.route import (
    Break,
    Given,
    find_breaks,
    find_route,
    floor_limits,
    upstream_properties,
)
from planner.steps.streets import build_graph

VERSION = "0.1.0"
MOST_LAYOUTS = 30  # rounds of leaving out what no legs can reach

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
    given, graph = _lay_out_what_passes(site, graph)
    tell("legs")
    solution = _serve_what_can_be(given, graph.property_xy)
    tell("assemble")
    return _assemble(given, solution, graph.property_xy)


def _lay_out_what_passes(site: Site, graph: StreetGraph) -> tuple[Given, StreetGraph]:
    """A layout in which every street can be joined to the tie-in by legs.

    Where no legs pass, what lies above is left out and the rest is laid out again.
    """
    for _ in range(MOST_LAYOUTS):
        given = _lay_out(site, graph)
        breaks = find_breaks(given) if given.layout.chains else ()
        why_not = _cut_off(given, breaks)
        if not why_not:
            break
        graph = replace(
            graph,
            property_link=np.where(
                np.isin(np.arange(len(graph.property_link)), list(why_not)), -1, graph.property_link
            ),
            property_why_not=tuple(
                why_not.get(i, text) for i, text in enumerate(graph.property_why_not)
            ),
        )
    return given, graph


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
    pipes = choose_pipes(site, layout)
    candidates = place_candidates(site, layout, corridor)
    return Given(
        site, layout, corridor, candidates,
        find_obstructions(site, layout, pipes, graph.property_xy), pipes,
        price_candidates(site, candidates, pipes, corridor), level,
    )  # fmt: skip


def _limits(site: Site) -> Limits:
    """Depth and slope of the smallest pipe, which the layout works with."""
    method = site.book.equipment.text("method")
    size = next(s for s in pipe_sizes(site.book) if s.method == method)
    pipe = pipe_in_bore(site.book, size, 0.0)
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
        return Solution((), {}, 0.0, np.zeros(len(margin), bool), _all_blocked(given, why_not), {})
    solution, dropped = found
    for i in dropped:
        why_not[int(i)] = (
            f"floor too low: no line of pits and legs keeps every rule and drains it; the lowest "
            f"straight sewer would leave {margin[i]:.2f} m, which crossings, drops and pits take up"
        )
    return Solution(
        solution.legs, solution.level, solution.cost, solution.served, why_not, solution.counts
    )


def _all_blocked(given: Given, why_not: dict[int, str]) -> dict[int, str]:
    text = "blocked: no line of pits and legs from here to the tie-in keeps every rule"
    return {i: why_not.get(i, text) for i in range(len(given.site.properties))}


def _drop_hardest(given: Given, served: Bools, margin: Floats) -> tuple[Solution, Ints] | None:
    """A route for as many properties as can be, the hardest left out first."""
    whole = find_route(given, served)
    if whole is not None:
        return whole, np.empty(0, np.int64)
    order = np.array([i for i in np.lexsort((np.arange(len(margin)), margin)) if served[i]])
    low, high, best = 1, len(order), None
    while low <= high:
        middle = (low + high) // 2
        fewer = served.copy()
        fewer[order[:middle]] = False
        route = find_route(given, fewer)
        if route is None:
            low = middle + 1
        else:
            best, high = (route, order[:middle]), middle - 1
    return best


def _assemble(given: Given, solution: Solution, property_xy: Floats) -> Plan:
    site, step = given.site, given.site.project.level_step
    route = naming.name_route(
        site, given.candidates, given.layout, given.pipes, solution, property_xy
    )
    shapes = pits.dig_pits(site, route, given.corridor.sizes)
    bored = pits.bored_lengths(route, shapes)
    streets = site.streets["street"].astype(str).tolist()
    pit_frame = pits.pit_frame(
        site, route, given.candidates, given.prices, _pit_streets(given, route, streets)
    )
    peak = load_legs(site, route).peak
    states = run_states(site.book, peak, route.leg_inside, legs.slopes(route, step))
    leg_frame = legs.leg_frame(
        site, route, _leg_streets(given, route, streets), (peak, states), bored, given.prices
    )
    services = clearances.prepare_services(site)
    houses = connections.connect_houses(site, route, services)
    found = clearances.find_conflicts(
        site, services, _leg_solids(route, step),
        _pit_solids(route, shapes, pit_frame), _house_solids(houses),
    )  # fmt: skip
    frames = {
        "pits": pit_frame, "legs": leg_frame, "connections": houses.frame,
        "conflicts": found.frame, "pit_footprints": pits.footprint_frame(pit_frame, shapes),
    }  # fmt: skip
    summary = _summarise(given, frames, found.own_pipes)
    return _bundle(site, frames, summary)


def _pit_streets(given: Given, route: Route, streets: list[str]) -> list[str]:
    rows = given.candidates.street[route.candidate].copy()
    points = shapely.points(route.pit_xy)
    for i in np.flatnonzero(rows < 0):
        rows[i] = int(np.argmin(shapely.distance(points[i], given.site.streets.geometry.array)))
    return [streets[row] for row in rows]


def _leg_streets(given: Given, route: Route, streets: list[str]) -> list[str]:
    middle = (route.pit_xy[route.leg_up] + route.pit_xy[route.leg_down]) / 2
    lines = np.asarray(given.site.streets.geometry.array)
    near = [int(np.argmin(shapely.distance(shapely.Point(p), lines))) for p in middle]
    return [streets[row] for row in near]


def _leg_solids(route: Route, step: float) -> clearances.Legs:
    up, down = legs.bore_axes(route, step)
    return clearances.Legs(
        np.array(route.leg_id, object),
        np.column_stack([route.pit_xy[route.leg_down], down]),
        np.column_stack([route.pit_xy[route.leg_up], up]),
        route.leg_bore, route.leg_outside, np.zeros(len(up), bool),
        route.pit_tie_in[route.leg_down],
    )  # fmt: skip


def _pit_solids(route: Route, shapes: list[Any], frame: gpd.GeoDataFrame) -> clearances.Pits:
    dug = route.pit_tie_in < 0
    holes = np.empty(int(dug.sum()), object)
    holes[:] = [shape for shape, use in zip(shapes, dug, strict=True) if use]
    floor = frame["floor_elev_m"].to_numpy(float)[dug]
    return clearances.Pits(
        np.array(route.pit_id, object)[dug], holes, floor, np.full(len(floor), -1)
    )


def _house_solids(houses: connections.Connections) -> clearances.Connections:
    return clearances.Connections(
        houses.connection_id, houses.sewer, houses.property, houses.outside_diameter,
        houses.pressure_rated,
    )  # fmt: skip


def _summarise(
    given: Given, frames: dict[str, gpd.GeoDataFrame],
    own_pipes: tuple[tuple[str, str, str], ...],
) -> dict[str, Any]:  # fmt: skip
    """Everything that `plan.json` holds but the timings."""
    site = given.site
    breaches = findings.find_breaches(
        site, frames["pits"], frames["legs"], frames["conflicts"],
        set(frames["connections"]["connection_id"].astype(str)),
    )  # fmt: skip
    breakdown = cost.add_costs(site, frames["pits"], frames["legs"], frames["connections"])
    served = int(frames["connections"]["served"].sum())
    broken = any(row["severity"] == "breach" for row in breaches)
    status = "breaks rules" if broken else "ok"
    if served < len(site.properties):
        status = "incomplete"
    return {
        "pitline": VERSION, "project": site.project.name, "status": status,
        "grid_to_ground": site.frame.k,
        "totals": _totals(site, frames, served, breakdown),
        "cost_breakdown": breakdown,
        "optimality": {"cost": None, "lower_bound": None, "gap_pct": None,
                       "scope": "", "not_bounded": []},
        "breaches": breaches,
        "assumptions": _assumptions(given, frames, own_pipes),
        "rules": _figures(site, ("rules", "equipment", "services", "traffic")),
        "costs": _figures(site, ("costs",)),
        "inputs": [{"path": f.path, "sha256": f.sha256, "rows": f.rows} for f in site.inputs],
    }  # fmt: skip


def _totals(
    site: Site, frames: dict[str, gpd.GeoDataFrame], served: int, breakdown: dict[str, float]
) -> dict[str, Any]:
    return {
        "legs": len(frames["legs"]),
        "length_m": round(float(frames["legs"]["length_m"].sum()), 6),
        "pits": int((frames["pits"]["kind"] == "pit").sum()),
        "properties": len(site.properties), "served": served,
        "cost": round(sum(breakdown.values()), 2), "social_cost": 0.0,
        "currency": site.book.costs.text("currency"), "working_days": 0,
    }  # fmt: skip


def _figures(site: Site, parts: tuple[str, ...]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for part in parts:
        for name, figure in getattr(site.book, part).items():
            found.setdefault(name, figure._asdict())
    return found


def _assumptions(
    given: Given, frames: dict[str, gpd.GeoDataFrame], own_pipes: tuple[tuple[str, str, str], ...]
) -> list[dict[str, Any]]:
    site = given.site
    found = [
        {"layer": e.layer, "rows": len(e.rows), "what": e.what}
        for e in site.ledger
        if e.kind in ("assumed", "repaired", "doubt")
    ]
    found += [
        {"layer": "utilities", "rows": 1, "what": f"{service} is a pipe of the manhole {tie_in}: "
         f"leg {leg}, which ends there, is not held to clearance from it"}
        for leg, service, tie_in in own_pipes
    ]  # fmt: skip
    frost = site.book.rules.number("frost_depth_m")
    found.append({"layer": "rules", "rows": 0, "what": f"frost depth {frost:g} m is assumed"})
    for tie_in in site.tie_ins.to_dict("records"):
        name = tie_in["tie_in_id"]
        if np.isnan(tie_in["spare_l_per_s"]):
            what = f"spare capacity of {name} is not given and was not checked"
            found.append({"layer": "tie_ins", "rows": 1, "what": what})
        last = frames["legs"][frames["legs"]["down_pit"] == name]["leg_id"].tolist()
        if last and not tie_in["may_launch"]:
            what = f"{', '.join(last)}: driven down to {name}, where an exit pit is dug against it"
            found.append({"layer": "tie_ins", "rows": 1, "what": what})
    return found


def _bundle(site: Site, frames: dict[str, gpd.GeoDataFrame], summary: dict[str, Any]) -> Plan:
    """The plan's frames, in the project's CRS."""
    made = {name: _to_crs(site, frames.get(name, _empty(name))) for name in PLAN_COLUMNS}
    return Plan(site=site, summary=summary, **made)


def _empty(layer: str) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({name: [] for name in PLAN_COLUMNS[layer]}, geometry=[])


def _to_crs(site: Site, frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    def move(xy: Floats) -> Floats:
        return np.column_stack(site.frame.to_crs(xy[:, 0], xy[:, 1]))

    moved = shapely.transform(frame.geometry.to_numpy(), move)
    return frame.set_geometry(gpd.GeoSeries(moved, index=frame.index), crs=site.frame.crs)
