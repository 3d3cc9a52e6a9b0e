"""Bounds what any choice of streets costs by prices that no pits and legs can undercut.

The layout problem is stated once more, this time in favour of every layout: streets are as short
as corners and pits off their middle can make them, a metre costs what it costs at the least cover
with legs of the greatest length, nothing is charged for depth, and a sewer may lie as high as the
highest ground and the highest drain beside the street let it.
"""

from __future__ import annotations

from dataclasses import dataclass

import networkx as nx
import numpy as np

from planner.kernels.layout_instance import ONE_CLASS, Ends, Instance, Links, Nodes, TieIns
from planner.kernels.layout_plan import Effort, find_layout
from planner.model import Floats, Ground
from planner.records import Bools, Limits, Link, StreetGraph
from planner.steps.layout.arcs import HEAD_REACH
from planner.steps.layout.lines import Lines
from planner.steps.layout.pricing import stations_of

JUNCTION_REACH = 14.0  # [m] a junction's pit stands within this of its node
SLACK = 0.1  # [m] what samples of the ground may miss
FAR = 1e6  # [m]


@dataclass(frozen=True, eq=False)
class Favour:
    """What no layout can do better than."""

    ground: Ground
    limits: Limits  # least depth and least slope of any pipe
    per_m: float  # price of a metre of sewer
    deepest: float  # ground to invert [m]
    beside: float  # how far from a street's middle its sewer may lie [m]
    tie_in_inverts: Floats  # (tie-ins,) [m]
    tie_in_reach: Floats  # (tie-ins,) from the node to what a leg need not be bored beyond [m]
    drains: Floats  # (properties,) highest invert beside the street that it drains to [m]
    tie_in_price: float  # of one that is used, at least


@dataclass(frozen=True)
class StreetBound:
    """What any choice of streets costs at least."""

    price: float
    only_one: bool  # no other choice can serve the same properties


def bound_streets(graph: StreetGraph, served: Bools, favour: Favour) -> StreetBound:
    """What any choice of streets costs at least that serves some properties, connections aside.

    Parameters
    ----------
    graph
        The streets.
    served : (properties,)
        Properties that must be served, each from its own street.
    favour
        What no layout can do better than.
    """
    if is_only_choice(graph, served):
        return StreetBound(0.0, only_one=True)
    instance = _Favoured(graph, served, favour).state()
    found = find_layout(instance, Effort(rounds=1))
    held = not found.unserved.link.size and not found.walked.faults
    return StreetBound(found.bound if held else 0.0, only_one=False)


class _Favoured:
    def __init__(self, graph: StreetGraph, served: Bools, favour: Favour) -> None:
        self.graph, self.favour = graph, favour
        self.served = served & (graph.property_link >= 0)
        self.reach = _reaches(graph, favour)
        self.short = np.array([
            max(0.0, 1.0 - _saved(link, favour.beside, self.reach) / max(link.length, 1e-9))
            for link in graph.links
        ])  # fmt: skip
        self.lines = Lines(graph, favour.ground, favour.limits, beside=favour.beside)
        self.caps = _caps(graph, self.served, favour)

    def state(self) -> Instance:
        graph, favour = self.graph, self.favour
        roots: dict[int, int] = {}
        for row, node in enumerate(graph.tie_in_node.tolist()):
            if node >= 0 and (
                node not in roots or favour.tie_in_inverts[row] < favour.tie_in_inverts[roots[node]]
            ):
                roots[node] = row
        nodes = sorted(roots)
        inverts = favour.tie_in_inverts[[roots[node] for node in nodes]]
        count = len(nodes)
        ties = TieIns(
            np.array(nodes, np.int64),
            inverts,
            np.full(count, np.inf),
            np.full(count, favour.tie_in_price),
        )
        return Instance(self._nodes(), self._links(), self._ends(), ties, ONE_CLASS)

    def _nodes(self) -> Nodes:
        graph, favour = self.graph, self.favour
        count = len(graph.node_xy)
        top, low = np.full(count, -np.inf), np.full(count, np.inf)
        for e, link in enumerate(graph.links):
            for node in (link.a, link.b):
                line = self.lines.seen_from(e, node)
                near = line.stations <= JUNCTION_REACH + 5.0
                top[node] = max(top[node], line.highest[near].max())
                ground = line.ground[near]
                low[node] = min([low[node], *ground[~np.isnan(ground)]])
        known = np.isfinite(top)
        return Nodes(
            np.where(known, top + SLACK, 0.0),
            np.where(known, low - favour.deepest - SLACK, FAR), np.zeros(count),
            np.zeros(count), np.zeros(count),
        )  # fmt: skip

    def _links(self) -> Links:
        graph, favour = self.graph, self.favour
        count = len(graph.links)
        length = np.array([link.length for link in graph.links])
        least = length * self.short
        on = graph.property_link[self.served]
        cap = np.full((count, 2), FAR)
        for e, link in enumerate(graph.links):
            for column, node in enumerate((link.b, link.a)):
                cap[e, column] = self._arrival(e, node, back=link.a == link.b and column == 0)
        may = np.isfinite(cap) & np.array([link.sewer_allowed for link in graph.links])[:, None]
        both = np.ones((1, 2))
        return Links(
            np.array([link.a for link in graph.links], np.int64),
            np.array([link.b for link in graph.links], np.int64), length,
            np.bincount(on, minlength=count) > 0, np.zeros(count), may,
            (favour.limits.min_slope * least)[:, None] * both, np.where(may, cap, -FAR),
            (favour.per_m * least)[:, None] * both, np.zeros((count, 2)),
        )  # fmt: skip

    def _arrival(self, e: int, node: int, *, back: bool = False, far: float = np.inf) -> float:
        """Highest invert with which a sewer from a station on can arrive at a node."""
        line = self.lines.seen_from(e, node, back=back)
        slope = self.favour.limits.min_slope * self.short[e]
        use = line.stations <= far
        use[0] = True
        levels = (line.highest + SLACK - slope * line.stations)[use]
        best = float(levels.min())
        for station, level in self.caps.get(e, ()):
            s = (
                station
                if line.link.a == self.graph.links[e].a and not back
                else (line.link.length - station)
            )
            if s <= far:
                best = min(best, level - slope * max(s - JUNCTION_REACH, 0.0))
        return best

    def _ends(self) -> Ends:
        graph = self.graph
        count = len(graph.links)
        price = np.full((count, 3), np.inf)
        into_b, into_a = np.full((count, 3), np.inf), np.full((count, 3), np.inf)
        some = np.where(self.served, graph.property_link, -1)
        for e, at in stations_of(graph, some).items():
            link = graph.links[e]
            from_a = [self._end(e, link.a, s) for s in at]
            from_b = [self._end(e, link.b, link.length - s, back=link.a == link.b) for s in at]
            (price[e, 0], into_b[e, 0]), (price[e, 1], into_a[e, 1]) = from_b[0], from_a[-1]
            if len(at) > 1:
                price[e, 2] = min(a[0] + b[0] for a, b in zip(from_a[:-1], from_b[1:], strict=True))
                into_a[e, 2] = max(level for _, level in from_a[:-1])
                into_b[e, 2] = max(level for _, level in from_b[1:])
        return Ends(price, into_b, into_a)

    def _end(self, e: int, node: int, far: float, *, back: bool = False) -> tuple[float, float]:
        link = self.graph.links[e]
        saved = _saved(link, self.favour.beside, {**self.reach, _other(link, node, back=back): 0.0})
        least = max(0.0, far - HEAD_REACH - saved)
        return least * self.favour.per_m, self._arrival(e, node, back=back, far=far - HEAD_REACH)


def _other(link: Link, node: int, *, back: bool) -> int:
    return -1 if link.a == link.b else (link.b if node == link.a and not back else link.a)


def _reaches(graph: StreetGraph, favour: Favour) -> dict[int, float]:
    """How much shorter a sewer may be at each node than its street. [m]

    A pit off the node shortens one arm at most by its distance along another and one by its
    distance across; where two arms or more meet, each is given half of both.
    """
    arms: dict[int, int] = {}
    for link in graph.links:
        for node in (link.a, link.b):
            arms[node] = arms.get(node, 0) + (1 if link.sewer_allowed else 0)
    half = (JUNCTION_REACH + favour.beside) / 2
    reach = {node: half if n > 1 else HEAD_REACH + favour.beside for node, n in arms.items()}
    for row, node in enumerate(graph.tie_in_node.tolist()):
        if node >= 0:
            reach[node] = max(reach.get(node, 0.0), float(favour.tie_in_reach[row]))
    return reach


def _saved(link: Link, beside: float, reach: dict[int, float]) -> float:
    """By how much a sewer may be shorter than a street: at its ends and on the inside of bends."""
    steps = np.diff(link.xy, axis=0)
    angle = np.arctan2(steps[:, 1], steps[:, 0])
    turn = np.abs((np.diff(angle) + np.pi) % (2 * np.pi) - np.pi)
    bends = float((2 * beside * np.tan(np.minimum(turn, 2.0) / 2)).sum())
    return bends + reach.get(link.a, 0.0) + reach.get(link.b, 0.0)


def _caps(
    graph: StreetGraph, served: Bools, favour: Favour
) -> dict[int, list[tuple[float, float]]]:
    """Station and highest invert of the sewer at each property served, by link."""
    found: dict[int, list[tuple[float, float]]] = {}
    for row in np.flatnonzero(served).tolist():
        at = (float(graph.property_station[row]), float(favour.drains[row]))
        found.setdefault(int(graph.property_link[row]), []).append(at)
    return found


def is_only_choice(graph: StreetGraph, served: Bools) -> bool:
    """Whether gravity has but one way to serve some properties: along a tree to one tie-in.

    Parameters
    ----------
    graph
        The streets.
    served : (properties,)
        Properties that must be served, each from its own street.
    """
    streets = nx.MultiGraph()
    for e, link in enumerate(graph.links):
        if link.sewer_allowed:
            streets.add_edge(link.a, link.b, number=e)
    needed = set(graph.property_link[served & (graph.property_link >= 0)].tolist())
    ties = {int(node) for node in graph.tie_in_node if node >= 0 and node in streets}
    for part in nx.connected_components(streets):
        own = streets.subgraph(part)
        wanted = {n for a, b, e in own.edges(data="number") if e in needed for n in (a, b)}
        if not wanted:
            continue
        if len(ties & part) != 1 or _has_loop(own, wanted | (ties & part), needed):
            return False
    return True


def _has_loop(streets: nx.MultiGraph, kept: set[int], needed: set[int]) -> bool:
    """Whether a circle of streets is left when what leads nowhere is taken away."""
    left = nx.MultiGraph(streets)
    loops = {a for a, b, e in left.edges(data="number") if a == b}
    if any(a == b and e in needed for a, b, e in left.edges(data="number")):
        return True
    left.remove_edges_from([(a, a) for a in loops])
    while True:
        bare = [n for n in left if left.degree(n) <= 1 and n not in kept]
        if not bare:
            break
        left.remove_nodes_from(bare)
    return bool(
        left.number_of_edges() != left.number_of_nodes() - nx.number_connected_components(left)
    )
