"""Turns a choice of streets into the chains that legs follow, and says what it cannot serve."""

from __future__ import annotations

import heapq
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.kernels.layout_instance import CARRIED, ENDED, TO_A, TO_B
from planner.model import Floats
from planner.records import Chain, Ints, StreetGraph
from planner.steps.layout.lines import SAMPLE_STEP, Line, Lines

COVER_WEIGHT = 15.0  # [m per m] street length that a metre of lost cover is worth
HEAD_WEIGHT = 12.0  # [m] street length that one more head pit is worth
HEAD_REACH = 20.01  # [m] a head pit may stop this short of the last property; off the stations
BEYOND = 15.01  # [m] and stand this far beyond it


@dataclass(frozen=True, eq=False)
class Arc:
    """A link walked upstream from node `down`; `up` is -1 when it ends inside the link."""

    link: int
    down: int
    up: int
    back: bool  # walked from the link's own end b
    properties: tuple[int, ...]
    whole: bool = False  # asked for from end to end, whatever it serves


@dataclass(frozen=True, eq=False)
class Tree:
    """The way down from each node, and the lowest invert from which it reaches a tie-in."""

    parent: dict[int, tuple[int, int]]  # node -> (link, downstream node)
    lowest: Floats


def find_roots(graph: StreetGraph, inverts: Floats, usable: NDArray[np.bool_]) -> dict[int, int]:
    """Node of each tie-in that may be used; of two at one node the lower one counts."""
    roots: dict[int, int] = {}
    for row, node in enumerate(graph.tie_in_node):
        if node >= 0 and usable[row] and (
            node not in roots or inverts[row] < inverts[roots[int(node)]]
        ):  # fmt: skip
            roots[int(node)] = row
    return roots


def climb_lowest(
    graph: StreetGraph, lines: Lines, roots: dict[int, int], inverts: Floats, slope: float
) -> Tree:
    """The way down from each node that asks for the least depth, whatever it costs."""
    at = _incident(graph)
    count = len(graph.node_xy)
    tree = Tree({}, np.full(count, np.inf))
    heap = [(float(inverts[row]), node, -1, -1) for node, row in roots.items()]
    heapq.heapify(heap)
    while heap:
        lowest, node, link, down = heapq.heappop(heap)
        if np.isfinite(tree.lowest[node]):
            continue
        tree.lowest[node] = lowest
        if link >= 0:
            tree.parent[node] = (link, down)
        for nxt in at[node]:
            line = lines.seen_from(nxt, node)
            if line.link.b != node and _climb(line, lowest, slope) == np.inf:
                higher = lowest + slope * line.link.length
                heapq.heappush(heap, (higher, line.link.b, nxt, node))
    return tree


def _incident(graph: StreetGraph) -> dict[int, list[int]]:
    at: dict[int, list[int]] = defaultdict(list)
    for i, link in enumerate(graph.links):
        if link.sewer_allowed:
            for node in {link.a, link.b}:
                at[node].append(i)
    return at


def _climb(line: Line, lowest: float, slope: float) -> float:
    """Station up to which a sewer from `lowest` keeps its cover. [m]"""
    short = line.highest < lowest + slope * line.stations - 1e-9
    return float(line.stations[np.argmax(short)]) if short.any() else np.inf


def _lost_cover(line: Line, upto: float, slope: float) -> float:
    """Extra depth at the downstream end of the shallowest sewer from station `upto`. [m]"""
    use = line.stations <= upto + SAMPLE_STEP
    return float(line.highest[0] - (line.highest - slope * line.stations)[use].min())


@dataclass(frozen=True, eq=False)
class Streets:
    """The streets, and what levels a sewer may have in them."""

    graph: StreetGraph
    lines: Lines  # by cover alone
    roots: dict[int, int]
    inverts: Floats  # (tie-ins,) [m]
    slope: float  # [m/m]
    climbed: Tree  # by level alone
    whole: frozenset[int] = frozenset()  # links that must carry a sewer from end to end


def plant_tree(streets: Streets, use: Ints, left_out: Ints) -> Tree:
    """The way down from every node that a layout uses.

    Parameters
    ----------
    streets
        The streets.
    use : (links,)
        The layout.
    left_out
        Links with frontage that it leaves out; they are given a way down, so that as much of them
        can be served as gravity can reach.
    """
    graph = streets.graph
    parent: dict[int, tuple[int, int]] = {}
    for e in np.flatnonzero((use >= CARRIED) & (use < ENDED)).tolist():
        link = graph.links[e]
        up, down = (link.a, link.b) if use[e] == CARRIED + TO_B else (link.b, link.a)
        parent[up] = (e, down)
    for e in left_out.tolist():
        for node in (graph.links[e].a, graph.links[e].b):
            here = node
            while here not in parent and here in streets.climbed.parent:
                parent[here] = streets.climbed.parent[here]
                here = parent[here][1]
    lowest = np.full(len(graph.node_xy), np.inf)
    for node, row in streets.roots.items():
        lowest[node] = streets.inverts[row]
    for node in parent:
        _lowest_of(node, parent, lowest, graph, streets.slope)
    return Tree(parent, lowest)


def _lowest_of(
    node: int, parent: dict[int, tuple[int, int]], lowest: Floats, graph: StreetGraph, slope: float
) -> None:
    way = []
    while not np.isfinite(lowest[node]) and node in parent:
        way.append(node)
        node = parent[node][1]
    for above in reversed(way):
        link, down = parent[above]
        lowest[above] = lowest[down] + slope * graph.links[link].length


def cover_frontages(
    streets: Streets, tree: Tree, use: Ints, cures: dict[int, str]
) -> tuple[list[Arc], list[str]]:
    """Arcs that pass every frontage that can be reached, and those needed to get there.

    Parameters
    ----------
    streets, tree
        The streets, and the way down from every node that is used.
    use : (links,)
        How each link is used.
    cures
        Of links that cannot be served: what would let gravity serve them.

    Returns
    -------
    The arcs, and why each property is not served.
    """
    graph = streets.graph
    why_not = list(graph.property_why_not)
    on_link: dict[int, list[int]] = defaultdict(list)
    for i, link in enumerate(graph.property_link):
        if link >= 0:
            on_link[int(link)].append(i)
    tree_arc = {link: (down, node) for node, (link, down) in tree.parent.items()}
    arcs: list[Arc] = []
    needed: set[int] = set()
    for index, properties in sorted(on_link.items()):
        if index in tree_arc:
            needed.add(tree_arc[index][1])
            continue
        before = list(why_not)
        pieces = _dead_ends(streets, tree, index, properties, int(use[index]), why_not)
        for row in properties:
            if why_not[row] != before[row] and index in cures:
                why_not[row] += f"; {cures[index]}"
        arcs += pieces
        needed |= {piece.down for piece in pieces}
    needed |= {tree_arc[index][1] for index in streets.whole if index in tree_arc}
    for node in sorted(needed):
        arcs += _arcs_down(streets, tree, node, on_link, {arc.link for arc in arcs})
    return arcs, why_not


def _arcs_down(
    streets: Streets,
    tree: Tree,
    node: int,
    on_link: dict[int, list[int]],
    have: set[int],
) -> Iterator[Arc]:
    """The tree's arcs from a node down to its tie-in, as far as they are not there yet."""
    while node in tree.parent:
        link, down = tree.parent[node]
        if link in have:
            return
        back = streets.graph.links[link].a != down
        own = tuple(on_link.get(link, ()))
        yield Arc(link, down, node, back, own, link in streets.whole)
        node = down


def _dead_ends(
    streets: Streets, tree: Tree, index: int, properties: list[int], use: int, why_not: list[str]
) -> list[Arc]:
    """One or two dead ends that serve a street which is not on the way of anything else."""
    graph, lines = streets.graph, streets.lines
    link = graph.links[index]
    order = sorted(properties, key=lambda i: (graph.property_station[i], i))
    from_a = graph.property_station[order]
    ends = []
    for node, stations, back in ((link.a, from_a, False), (link.b, link.length - from_a, True)):
        reach = -1.0
        line = lines.seen_from(index, node, back=back and link.a == link.b)
        if np.isfinite(tree.lowest[node]):
            reach = _climb(line, tree.lowest[node], streets.slope)
        ends.append((line, stations, reach))
    split = _best_split(ends, streets.slope, _cuts(use, len(order)))
    _say_unreached(ends, order, split, why_not)
    arcs = []
    for back, (line, _, _), chosen in zip((False, True), ends, split, strict=True):
        if chosen.any():
            rows = tuple(np.array(order)[chosen].tolist())
            arcs.append(Arc(index, line.link.a, -1, back, rows))
    return arcs


def _cuts(use: int, count: int) -> range:
    """How many properties may drain to a street's first end."""
    if use == ENDED + TO_A:
        return range(count, count + 1)
    if use == ENDED + TO_B:
        return range(1)
    return range(count + 1)


def _best_split(
    ends: list[tuple[Line, Floats, float]], slope: float, cuts: range
) -> list[NDArray[np.bool_]]:
    """Which properties of a street drain to its first end and which to its second."""
    (line_a, from_a, reach_a), (line_b, from_b, reach_b) = ends
    count = len(from_a)
    best, choice = np.inf, 0
    for cut in cuts:
        to_a, to_b = np.arange(count) < cut, np.arange(count) >= cut
        served = (to_a & (from_a <= reach_a)).sum() + (to_b & (from_b <= reach_b)).sum()
        cost = -1e9 * served
        for line, stations, chosen, reach in (
            (line_a, from_a, to_a, reach_a),
            (line_b, from_b, to_b, reach_b),
        ):
            chosen = chosen & (stations <= reach)  # noqa: PLW2901
            if chosen.any():
                far = float(stations[chosen].max())
                lost = max(0.0, _lost_cover(line, far, slope))
                cost += far + HEAD_WEIGHT + COVER_WEIGHT * lost
        if cost < best - 1e-9:
            best, choice = cost, cut
    first = np.arange(count) < choice
    return [first & (from_a <= reach_a), ~first & (from_b <= reach_b)]


def _say_unreached(
    ends: list[tuple[Line, Floats, float]],
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
            else "no tie-in: 0 sewers that keep cover and least slope lead from this street to one"
        )


def join_arcs(graph: StreetGraph, arcs: list[Arc], roots: dict[int, int]) -> list[Chain]:
    """String arcs through nodes where nothing else joins; upstream chains first."""
    into: dict[int, list[Arc]] = defaultdict(list)
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


def _chain_of(graph: StreetGraph, string: list[Arc], up: int) -> Chain:
    """The chain along a string of arcs, trimmed to what its properties need when it is a head."""
    xy = [np.empty((0, 2))]
    rows, flipped, properties, stations = [], [], [], []
    start, whole = 0.0, 0.0
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
        whole = start if arc.whole else whole
    at = np.concatenate(stations)
    far = max(float(at.max()), whole) if len(at) else start
    return Chain(
        np.vstack(xy), np.concatenate(rows), np.concatenate(flipped), string[0].down, up,
        np.array(properties, np.int64), at, far - HEAD_REACH, far + BEYOND,
    )  # fmt: skip
