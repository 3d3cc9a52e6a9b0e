"""Finds the cheapest choice of streets at usual prices, and the next best that differ."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from planner.kernels.layout_alternatives import find_alternatives
from planner.kernels.layout_best import find_best_layout
from planner.kernels.layout_headroom import explain_unserved, find_headroom, without_unserved
from planner.kernels.layout_instance import FlowClasses, Instance, TieIns, net_of
from planner.kernels.layout_list import list_layouts
from planner.kernels.layout_plan import Effort, Found, Progress, Stop
from planner.model import Floats, Ground
from planner.records import Ints, Layout, Limits, StreetGraph
from planner.steps.layout.arcs import (
    Streets,
    climb_lowest,
    cover_frontages,
    find_roots,
    join_arcs,
    plant_tree,
)
from planner.steps.layout.fixed import NO_CHOICES, Choices, fix_choices
from planner.steps.layout.lines import Lines
from planner.steps.layout.pricing import Levels, state_layout
from planner.steps.layout.tariff import Tariff


@dataclass(frozen=True, eq=False)
class Question:
    """What a choice of streets hangs on."""

    graph: StreetGraph
    ground: Ground
    limits: Limits  # of the smallest pipe
    levels: Levels
    tariff: Tariff
    classes: FlowClasses
    tie_in_inverts: Floats  # (tie-ins,) lowest that may arrive [m]
    spare_people: Floats  # (tie-ins,) infinite where it is not known
    tie_in_price: float
    people: Floats  # (properties,)
    drains: Floats  # (properties,) highest invert of a sewer under the street's middle [m]
    half_widths: Floats  # (streets,) of the carriageway [m]
    names: tuple[str, ...]  # (streets,)
    choices: Choices = NO_CHOICES
    effort: Effort = field(default_factory=Effort)


@dataclass(frozen=True, eq=False)
class Posed:
    """The choice of streets as a layout problem."""

    question: Question
    streets: Streets
    instance: Instance

    def find(self, stop: Stop | None = None, progress: Progress | None = None) -> Found:
        """The cheapest choice of streets that is found at usual prices."""
        return find_best_layout(self.instance, self.question.effort, progress, stop)


def pose(question: Question) -> Posed:
    """State the choice of streets as a layout problem.

    Parameters
    ----------
    question
        What it hangs on.
    """
    graph, limits = question.graph, question.limits
    lines = Lines(graph, question.ground, limits)
    roots = find_roots(graph, question.tie_in_inverts, _usable(question))
    climbed = climb_lowest(graph, lines, roots, question.tie_in_inverts, limits.min_slope)
    streets = Streets(graph, lines, roots, question.tie_in_inverts, limits.min_slope, climbed)
    lowest = _lowest_along(streets)

    def drains(row: int) -> float:
        level = float(question.drains[row])
        return level if level >= lowest[row] else np.inf

    instance = state_layout(
        graph, Lines(graph, question.ground, limits, drains), question.people,
        _tie_ins(question, roots), question.levels, question.tariff, question.classes,
    )  # fmt: skip
    instance, whole = fix_choices(instance, graph, question.choices)
    return Posed(question, replace(streets, whole=frozenset(whole)), instance)


def _usable(question: Question) -> np.ndarray:
    usable = np.ones(len(question.tie_in_inverts), bool)
    usable[list(question.choices.shut_tie_ins)] = False
    return usable


def _lowest_along(streets: Streets) -> Floats:
    """Lowest invert of a sewer that reaches a tie-in, at each property. [m]"""
    graph, lowest = streets.graph, streets.climbed.lowest
    found = np.full(len(graph.property_link), np.inf)
    for row, e in enumerate(graph.property_link.tolist()):
        if e >= 0:
            link, s = graph.links[e], float(graph.property_station[row])
            found[row] = min(
                lowest[link.a] + streets.slope * s,
                lowest[link.b] + streets.slope * (link.length - s),
            )
    return found


def _tie_ins(question: Question, roots: dict[int, int]) -> TieIns:
    node = np.array(sorted(roots), np.int64)
    row = np.array([roots[n] for n in node.tolist()], np.int64)
    return TieIns(
        node, question.tie_in_inverts[row] - question.levels.drop, question.spare_people[row],
        np.full(len(node), question.tie_in_price),
    )  # fmt: skip


def other_streets(posed: Posed, found: Found, count: int) -> list[Ints]:
    """Uses of streets that differ in substance from the one found, the cheapest first."""
    effort = posed.question.effort._replace(nodes=0)  # nothing of them is proven
    others = find_alternatives(posed.instance, found, count, effort)
    return [other.found.use for other in others]


def every_choice(posed: Posed, most: int, *, divided: bool = False) -> list[Ints] | None:
    """Every use of streets that serves what gravity can, the cheapest at usual prices first.

    Parameters
    ----------
    posed
        The layout problem.
    most
        Most uses that are wanted.
    divided
        Whether streets may be divided at a crest.

    Returns
    -------
    Uses of the links; None where there are more.
    """
    return list_layouts(without_unserved(posed.instance)[0], most, divided=divided)


def lay_out(posed: Posed, use: Ints) -> Layout:
    """The chains of a choice of streets.

    Parameters
    ----------
    posed
        What it is a choice of.
    use : (links,)
        How each link is used.
    """
    streets = posed.streets
    required = posed.instance.links.required[: len(use)]
    left_out = np.flatnonzero(required & (use < 0))
    tree = plant_tree(streets, use, left_out)
    cures = cures_of(posed) if len(left_out) else {}
    arcs, why_not = cover_frontages(streets, tree, use, cures)
    return Layout(
        tuple(join_arcs(streets.graph, arcs, streets.roots)), streets.roots,
        streets.graph.node_xy, tree.lowest, tuple(why_not),
        _junctions(streets.graph, posed.question.half_widths),
    )  # fmt: skip


def cures_of(posed: Posed) -> dict[int, str]:
    """What would let gravity serve each link that it cannot serve, in words."""
    net, top = net_of(posed.instance), posed.instance.nodes.top
    unserved = explain_unserved(net, find_headroom(net, top), top)
    return {
        int(e): _cure(posed, float(lack), path.tolist())
        for e, lack, path in zip(unserved.link, unserved.lack, unserved.path, strict=True)
    }


def _cure(posed: Posed, lack: float, path: list[int]) -> str:
    if not np.isfinite(lack):
        return (
            "no street with a sewer allowed joins it to a tie-in: a tie-in at these streets would"
        )
    graph, names = posed.question.graph, posed.question.names
    between = {frozenset((link.a, link.b)): link for link in reversed(graph.links)}
    rows = [
        between[frozenset(pair)].rows[0] for pair in pairwise(path) if frozenset(pair) in between
    ]
    ways = list(dict.fromkeys(names[row] for row in rows))
    by = f" by {', '.join(ways)}" if ways else ""
    short = f"{max(lack, 0.01):.2f} m"
    return f"the way down{by} that lacks least lacks {short}: a tie-in that much lower would do"


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
