"""Asks the step that chooses streets, and prices what it answers by exact legs."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import shapely

from planner.kernels.layout_instance import FlowClasses
from planner.kernels.layout_plan import Effort
from planner.model import Floats, Site
from planner.records import Bools, ChainPipe, Limits, StreetGraph
from planner.steps.corridor import find_corridor
from planner.steps.flows import people_of, people_within, pipe_in_bore, sizes_by_people
from planner.steps.layout import (
    Choices,
    Favour,
    Levels,
    Question,
    StreetBound,
    bound_streets,
    depths_of,
    generic_places,
    least_price,
    usual_tariff,
)
from planner.steps.prices import price_candidates, tie_in_price

LITRES = 1000.0


class Pipes(NamedTuple):
    """Sizes that the streets may need, the smallest first, and from how many people on."""

    pipes: tuple[ChainPipe, ...]
    people: tuple[float, ...]


def ask(
    site: Site, graph: StreetGraph, choices: Choices, effort: Effort, tie_in_inverts: Floats
) -> Question:
    """What the choice of streets hangs on.

    Parameters
    ----------
    site
        The site.
    graph
        Its streets.
    choices
        What is fixed beforehand.
    effort
        How long to search.
    tie_in_inverts : (tie-ins,)
        Lowest invert that may arrive. [m]
    """
    rules, costs = site.book.rules, site.book.costs
    people = people_of(site) * rules.number("future_people_factor")
    on = graph.property_link >= 0
    sizes = needed_pipes(site, float(people[on].sum()))
    corridor = find_corridor(site)
    prices = price_candidates(site, generic_places(), sizes.pipes, corridor)
    pipe = sizes.pipes[0]
    limits = Limits(float(depths_of(site.book, sizes.pipes)[0]), pipe.min_slope)
    half = (site.streets["lanes"] * site.streets["lane_width_m"] / 2).to_numpy(float)
    return Question(
        graph, site.ground, limits,
        Levels(
            pipe.min_slope, float(min(rules.table("min_manhole_drop_m").values())),
            rules.number("max_depth_m") - float(prices.under.min()),
        ),
        usual_tariff(site.book, prices, 0), _classes(sizes, prices.leg), tie_in_inverts,
        _spare_people(site), tie_in_price(costs), people,
        highest_drains(site, graph, pipe), half,
        tuple(site.streets["street"].astype(str)), choices, effort,
    )  # fmt: skip


def needed_pipes(site: Site, most_people: float) -> Pipes:
    """Sizes that some of so many people may need, in their bores."""
    found = sizes_by_people(site.book, most_people)
    return Pipes(
        tuple(pipe_in_bore(site.book, size) for size, _ in found), tuple(n for _, n in found)
    )


def _classes(sizes: Pipes, price: Floats) -> FlowClasses:
    slope = np.array([pipe.min_slope for pipe in sizes.pipes])
    return FlowClasses(
        np.array(sizes.people, float), np.maximum(slope[0] - slope, 0.0),
        np.maximum(price - price[0], 0.0),
    )  # fmt: skip


def _spare_people(site: Site) -> Floats:
    """People that each tie-in can take beside those it has; infinite where it is not known."""
    spare = site.tie_ins["spare_l_per_s"].to_numpy(float) / LITRES
    return np.array([
        np.inf if np.isnan(one) else people_within(site.book, max(one, 0.0)) for one in spare
    ])  # fmt: skip


def highest_drains(site: Site, graph: StreetGraph, pipe: ChainPipe, spared: float = 0.0) -> Floats:
    """Highest invert of a sewer in its street's middle that each property drains to. [m]

    Parameters
    ----------
    site
        The site.
    graph
        Its streets.
    pipe
        The smallest pipe.
    spared
        How much nearer to the property than the street's middle the sewer may lie. [m]
    """
    rules, step = site.book.rules, site.project.level_step
    table = rules.table("connection_min_slope_pct")
    slope = min(table.values()) / 100 if spared else max(table.values()) / 100
    floor = site.properties["floor_elev_m"].to_numpy(float)
    start = np.floor((floor - rules.number("connection_floor_drop_m")) / step + 1e-9) * step
    found = np.full(len(start), np.inf)
    for row, e in enumerate(graph.property_link.tolist()):
        if e >= 0:
            line = shapely.LineString(graph.links[e].xy)
            d = max(0.0, float(line.distance(shapely.Point(graph.property_xy[row]))) - spared)
            found[row] = start[row] - slope * d - pipe.inside / 2
    return found


def bound_all_streets(
    site: Site, graph: StreetGraph, served: Bools, tie_in_inverts: Floats
) -> StreetBound:
    """What any choice of streets costs at least, connections of what is served included.

    Parameters
    ----------
    site
        The site.
    graph
        Its streets.
    served : (properties,)
        Properties that must be served.
    tie_in_inverts : (tie-ins,)
        Lowest invert that may arrive. [m]
    """
    rules, costs = site.book.rules, site.book.costs
    beside = float(site.streets["row_width_m"].max()) / 2
    people = people_of(site) * rules.number("future_people_factor")
    pipes = needed_pipes(site, float(people.sum())).pipes
    prices = price_candidates(site, generic_places(), pipes, find_corridor(site))
    manhole = costs.number("manhole_fixed"), costs.number("manhole_per_m")
    limits = Limits(float(depths_of(site.book, pipes).min()), min(pipe.min_slope for pipe in pipes))
    found = bound_streets(graph, served, Favour(
        site.ground, limits, least_price(site.book, prices, pipes, manhole),
        rules.number("max_depth_m") - float(prices.under.min()), beside, tie_in_inverts,
        _tie_in_reach(site, graph, float(prices.face.max())),
        highest_drains(site, graph, pipes[0], beside), tie_in_price(costs),
    ))  # fmt: skip
    houses = _least_connections(site, graph, served, beside)
    return StreetBound(found.price + houses, found.only_one)


def _tie_in_reach(site: Site, graph: StreetGraph, face: float) -> Floats:
    """How much nearer than its node each tie-in may be, its manhole and exit pit included. [m]"""
    xy = shapely.get_coordinates(site.tie_ins.geometry)
    node = graph.node_xy[graph.tie_in_node]
    manhole = site.tie_ins["manhole_diameter_m"].to_numpy(float) / 2
    return np.asarray(np.hypot(*(xy - node).T) + manhole + 2 * face)


def _least_connections(site: Site, graph: StreetGraph, served: Bools, beside: float) -> float:
    """Price of the connections, were every sewer on the near side of its street."""
    costs, method = site.book.costs, "shaft and saddle"
    total = 0.0
    for row in np.flatnonzero(served & (graph.property_link >= 0)).tolist():
        line = shapely.LineString(graph.links[graph.property_link[row]].xy)
        d = max(0.0, float(line.distance(shapely.Point(graph.property_xy[row]))) - beside)
        total += (
            costs.entry("connection_fixed", method) + costs.entry("connection_per_m", method) * d
        )
    return total
