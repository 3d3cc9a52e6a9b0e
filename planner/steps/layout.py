"""Chooses which streets carry a sewer and which way each flows, as a tree to the tie-ins."""

from __future__ import annotations

import heapq
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.kernels.ground import sample_ground
from planner.model import Floats, Ground
from planner.records import Chain, Layout, Limits, Link, StreetGraph

SAMPLE_STEP = 5.0  # [m] between the points of a street where cover is looked at
COVER_WEIGHT = 15.0  # [m per m] street length that a metre of lost cover is worth
HEAD_WEIGHT = 12.0  # [m] street length that one more head pit is worth
HEAD_REACH = 20.01  # [m] a head pit may stop this short of the last property; off the stations
BEYOND = 15.01  # [m] and stand this far beyond it


@dataclass(frozen=True, eq=False)
class _Arc:
    """A link walked upstream from node `down`; `up` is -1 when it ends inside the link."""

    link: int
    down: int
    up: int
    back: bool  # walked from the link's own end b
    properties: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class _Walk:
    """A link seen from one of its ends: samples of the highest invert that keeps the cover."""

    link: Link
    stations: Floats
    highest: Floats


@dataclass(frozen=True, eq=False)
class _Tree:
    """Parent arc and lowest invert of each node that can be reached from a tie-in."""

    parent: dict[int, tuple[int, int]]  # node -> (link, downstream node)
    lowest: Floats
    label: Floats


def choose_layout(
    graph: StreetGraph, ground: Ground, tie_in_inverts: Floats, half_widths: Floats, limits: Limits
) -> Layout:
    """A tree of streets that serves every property that gravity can reach.

    Parameters
    ----------
    graph
        The streets.
    ground
        The ground.
    tie_in_inverts : (tie-ins,)
        Lowest invert that may arrive at each tie-in. [m]
    half_widths : (streets,)
        Half of each street's carriageway. [m]
    limits
        Depth and slope that the rules ask for.
    """
    walks = _Walks(graph, ground, limits)
    roots = _roots(graph, tie_in_inverts)
    tree = _grow_tree(graph, walks, roots, tie_in_inverts, by_cost=True)
    widest = _grow_tree(graph, walks, roots, tie_in_inverts, by_cost=False)
    if np.isfinite(tree.lowest).sum() < np.isfinite(widest.lowest).sum():
        tree = widest
    arcs, why_not = _cover_frontages(graph, walks, tree)
    chains = _join_arcs(graph, arcs, set(roots))
    return Layout(
        tuple(chains), roots, graph.node_xy, tree.lowest, tuple(why_not),
        _junctions(graph, half_widths),
    )  # fmt: skip


def _junctions(graph: StreetGraph, half_widths: Floats) -> Floats:
    """Nodes where three streets or more meet, with the widest carriageway's half width."""
    at: dict[int, list[float]] = defaultdict(list)
    for link in graph.links:
        for node, row in ((link.a, link.rows[0]), (link.b, link.rows[-1])):
            at[node].append(float(half_widths[row]))
    found = [
        (*graph.node_xy[node], max(halves))
        for node, halves in sorted(at.items())
        if len(halves) >= 3
    ]
    return np.array(found, float).reshape(-1, 3)


class _Walks:
    """Links seen from either end, sampled once."""

    def __init__(self, graph: StreetGraph, ground: Ground, limits: Limits) -> None:
        self.limits = limits
        self.links = graph.links
        self._ground = ground
        self._made: dict[tuple[int, bool], _Walk] = {}

    def seen_from(self, index: int, node: int, *, back: bool = False) -> _Walk:
        """The link walked away from a node; ``back`` for the second end of a loop."""
        link = self.links[index]
        forward = link.a == node and not back
        if (index, forward) not in self._made:
            walked = link if forward else link.reversed()
            count = max(2, int(np.ceil(link.length / SAMPLE_STEP)) + 1)
            at = np.linspace(0.0, link.length, count)
            x = np.interp(at, walked.stations, walked.xy[:, 0])
            y = np.interp(at, walked.stations, walked.xy[:, 1])
            g = self._ground
            level = sample_ground(
                g.values, g.mesh_x0, g.mesh_y0, g.mesh_step, g.mesh_col, g.mesh_row, x, y
            )
            highest = np.where(np.isnan(level), -np.inf, level - self.limits.least_depth)
            self._made[index, forward] = _Walk(walked, at, highest)
        return self._made[index, forward]


def _roots(graph: StreetGraph, inverts: Floats) -> dict[int, int]:
    """Node of each tie-in; of two at one node the lower one counts."""
    roots: dict[int, int] = {}
    for row, node in enumerate(graph.tie_in_node):
        if node >= 0 and (node not in roots or inverts[row] < inverts[roots[int(node)]]):
            roots[int(node)] = row
    return roots


def _incident(graph: StreetGraph) -> dict[int, list[int]]:
    at: dict[int, list[int]] = defaultdict(list)
    for i, link in enumerate(graph.links):
        if link.sewer_allowed:
            for node in {link.a, link.b}:
                at[node].append(i)
    return at


def _climb(walk: _Walk, lowest: float, slope: float) -> float:
    """Station up to which a sewer from `lowest` keeps its cover. [m]"""
    short = walk.highest < lowest + slope * walk.stations - 1e-9
    return float(walk.stations[np.argmax(short)]) if short.any() else np.inf


def _lost_cover(walk: _Walk, upto: float, slope: float) -> float:
    """Extra depth at the downstream end of the shallowest sewer from station `upto`. [m]"""
    use = walk.stations <= upto + SAMPLE_STEP
    return float(walk.highest[0] - (walk.highest - slope * walk.stations)[use].min())


def _grow_tree(
    graph: StreetGraph, walks: _Walks, roots: dict[int, int], inverts: Floats, *, by_cost: bool
) -> _Tree:
    """Best-first search upstream from the tie-ins, by price or by room for depth alone."""
    at = _incident(graph)
    count = len(graph.node_xy)
    tree = _Tree({}, np.full(count, np.inf), np.full(count, np.inf))
    heap = [
        (0.0 if by_cost else float(inverts[row]), float(inverts[row]), node, -1, -1)
        for node, row in roots.items()
    ]
    heapq.heapify(heap)
    while heap:
        label, lowest, node, link, down = heapq.heappop(heap)
        if np.isfinite(tree.label[node]):
            continue
        tree.label[node], tree.lowest[node] = label, lowest
        if link >= 0:
            tree.parent[node] = (link, down)
        for nxt in at[node]:
            walk = walks.seen_from(nxt, node)
            other = walk.link.b
            slope = walks.limits.min_slope
            if other == node or _climb(walk, lowest, slope) < np.inf:
                continue
            higher = lowest + slope * walk.link.length
            lost = max(0.0, _lost_cover(walk, walk.link.length, slope))
            cost = label + walk.link.length + COVER_WEIGHT * lost
            heapq.heappush(heap, (cost if by_cost else higher, higher, other, nxt, node))
    return tree


def _cover_frontages(
    graph: StreetGraph, walks: _Walks, tree: _Tree
) -> tuple[list[_Arc], list[str]]:
    """Arcs that pass every frontage that can be reached, and those needed to get there."""
    why_not = list(graph.property_why_not)
    on_link: dict[int, list[int]] = defaultdict(list)
    for i, link in enumerate(graph.property_link):
        if link >= 0:
            on_link[int(link)].append(i)
    tree_arc = {link: (down, node) for node, (link, down) in tree.parent.items()}
    arcs: list[_Arc] = []
    needed: set[int] = set()
    for index, properties in sorted(on_link.items()):
        if index in tree_arc:
            _, up = tree_arc[index]
            needed.add(up)
            continue
        pieces = _dead_ends(graph, walks, tree, index, properties, why_not)
        arcs += pieces
        needed |= {piece.down for piece in pieces}
    for node in sorted(needed):
        arcs += _arcs_down(graph, tree, node, on_link, {arc.link for arc in arcs})
    return arcs, why_not


def _arcs_down(
    graph: StreetGraph,
    tree: _Tree,
    node: int,
    on_link: dict[int, list[int]],
    have: set[int],
) -> Iterator[_Arc]:
    """The tree's arcs from a node down to its tie-in, as far as they are not there yet."""
    while node in tree.parent:
        link, down = tree.parent[node]
        if link in have:
            return
        back = graph.links[link].a != down
        yield _Arc(link, down, node, back, tuple(on_link.get(link, ())))
        node = down


def _dead_ends(
    graph: StreetGraph,
    walks: _Walks,
    tree: _Tree,
    index: int,
    properties: list[int],
    why_not: list[str],
) -> list[_Arc]:
    """One or two dead ends that serve a street which is not on the way of anything else."""
    link = graph.links[index]
    order = sorted(properties, key=lambda i: (graph.property_station[i], i))
    from_a = graph.property_station[order]
    ends = []
    for node, stations, back in ((link.a, from_a, False), (link.b, link.length - from_a, True)):
        reach = -1.0
        walk = walks.seen_from(index, node, back=back and link.a == link.b)
        if np.isfinite(tree.lowest[node]):
            reach = _climb(walk, tree.lowest[node], walks.limits.min_slope)
        ends.append((walk, stations, reach))
    split = _best_split(ends, walks.limits.min_slope)
    _say_unreached(ends, order, split, why_not)
    arcs = []
    for back, (walk, _, _), chosen in zip((False, True), ends, split, strict=True):
        if chosen.any():
            rows = tuple(np.array(order)[chosen].tolist())
            arcs.append(_Arc(index, walk.link.a, -1, back, rows))
    return arcs


def _best_split(ends: list[tuple[_Walk, Floats, float]], slope: float) -> list[NDArray[np.bool_]]:
    """Which properties of a street drain to its first end and which to its second."""
    (walk_a, from_a, reach_a), (walk_b, from_b, reach_b) = ends
    count = len(from_a)
    best, choice = np.inf, 0
    for cut in range(count + 1):
        to_a, to_b = np.arange(count) < cut, np.arange(count) >= cut
        served = (to_a & (from_a <= reach_a)).sum() + (to_b & (from_b <= reach_b)).sum()
        cost = -1e9 * served
        for walk, stations, chosen, reach in (
            (walk_a, from_a, to_a, reach_a),
            (walk_b, from_b, to_b, reach_b),
        ):
            chosen = chosen & (stations <= reach)  # noqa: PLW2901
            if chosen.any():
                far = float(stations[chosen].max())
                lost = max(0.0, _lost_cover(walk, far, slope))
                cost += far + HEAD_WEIGHT + COVER_WEIGHT * lost
        if cost < best - 1e-9:
            best, choice = cost, cut
    first = np.arange(count) < choice
    return [first & (from_a <= reach_a), ~first & (from_b <= reach_b)]


def _say_unreached(
    ends: list[tuple[_Walk, Floats, float]],
    order: list[int],
    split: list[NDArray[np.bool_]],
    why_not: list[str],
) -> None:
    connected = any(reach >= 0 for _, _, reach in ends)
    furthest = max(reach for _, _, reach in ends)
    for i, row in enumerate(order):
        if split[0][i] or split[1][i]:
            continue
        why_not[row] = (
            f"ground: a sewer that reaches the tie-in keeps its cover only up to {furthest:.0f} m "
            f"from the end of this street"
            if connected
            else "no tie-in: 0 sewers from this street keep cover and least slope down to one"
        )


def _join_arcs(graph: StreetGraph, arcs: list[_Arc], roots: set[int]) -> list[Chain]:
    """String arcs through nodes where nothing else joins; upstream chains first."""
    into: dict[int, list[_Arc]] = defaultdict(list)
    for arc in arcs:
        into[arc.down].append(arc)
    chains: list[Chain] = []

    def visit(node: int) -> None:
        for arc in sorted(into[node], key=lambda a: (a.link, a.up, a.properties)):
            string = [arc]
            while string[-1].up >= 0 and len(into[string[-1].up]) == 1:
                string.append(into[string[-1].up][0])
            top = string[-1].up
            if top >= 0 and into[top]:
                visit(top)
            chains.append(_chain_of(graph, string, top if top >= 0 and into[top] else -1))

    for root in sorted(roots):
        visit(root)
    return chains


def _chain_of(graph: StreetGraph, string: list[_Arc], up: int) -> Chain:
    """The chain along a string of arcs, trimmed to what its properties need when it is a head."""
    xy = [np.empty((0, 2))]
    rows, flipped, properties, stations = [], [], [], []
    start = 0.0
    for arc in string:
        link = graph.links[arc.link]
        walked = link.reversed() if arc.back else link
        along = graph.property_station[list(arc.properties)]
        stations.append(start + (link.length - along if arc.back else along))
        properties += list(arc.properties)
        xy.append(walked.xy if len(xy) == 1 else walked.xy[1:])
        rows.append(walked.rows)
        flipped.append(walked.flipped)
        start += link.length
    at = np.concatenate(stations)
    far = float(at.max()) if len(at) else start
    return Chain(
        np.vstack(xy), np.concatenate(rows), np.concatenate(flipped), string[0].down, up,
        np.array(properties, np.int64), at, far - HEAD_REACH, far + BEYOND,
    )  # fmt: skip
