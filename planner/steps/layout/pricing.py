"""States the choice of streets as a layout problem on plain arrays, at usual prices."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.kernels.layout_instance import Ends, FlowClasses, Instance, Links, Nodes, TieIns
from planner.model import Floats
from planner.records import Ints, StreetGraph
from planner.steps.layout.lines import Line, Lines
from planner.steps.layout.tariff import Tariff

NOTHING = 1e9  # [m] deeper than any sewer
LEAST_PART = 0.25  # of a street's price that does not hang on the levels at its ends, at least


@dataclass(frozen=True, eq=False)
class Levels:
    """What fixes levels, beside the ground."""

    slope: float  # least [m/m]
    drop: float  # through a manhole [m]
    deepest: float  # ground to invert [m]


def state_layout(
    graph: StreetGraph, lines: Lines, people: Floats, ties: TieIns, levels: Levels, tariff: Tariff,
    classes: FlowClasses,
) -> Instance:  # fmt: skip
    """The layout problem of a graph of streets.

    Parameters
    ----------
    graph
        The streets.
    lines
        Their ground and highest inverts.
    people : (properties,)
        People, or as many as make a given flow.
    ties
        The tie-ins.
    levels
        Least slope, drop and greatest depth.
    tariff
        Prices.
    classes
        What changes with the people upstream.
    """
    return _Statement(graph, lines, levels, tariff).state(people, ties, classes)


class _Statement:
    def __init__(self, graph: StreetGraph, lines: Lines, levels: Levels, tariff: Tariff) -> None:
        self.graph, self.lines, self.levels, self.tariff = graph, lines, levels, tariff
        # a drop at every pit between the nodes makes a street a little steeper
        self.slope = levels.slope + levels.drop / tariff.spacing
        self.stations = stations_of(graph, graph.property_link)

    def state(self, people: Floats, ties: TieIns, classes: FlowClasses) -> Instance:
        links = self._links(people)
        return Instance(self._nodes(), links, self._ends(), ties, classes)

    def _nodes(self) -> Nodes:
        graph, tariff = self.graph, self.tariff
        count = len(graph.node_xy)
        top, arms = np.full(count, -np.inf), np.zeros(count, np.int64)
        for e, link in enumerate(graph.links):
            for node in (link.a, link.b):
                line = self.lines.seen_from(e, node)
                top[node] = max(top[node], line.highest[0])
                arms[node] += 1
        known = np.isfinite(top)
        top = np.where(known, top, 0.0)
        depth = self.lines.limits.least_depth
        floor = np.where(known, top + depth - self.levels.deepest, top + NOTHING)
        price = tariff.pit + tariff.pit_depth * depth + tariff.junction * (arms > 2)
        return Nodes(
            top, floor, np.full(count, self.levels.drop), np.asarray(price, float),
            np.full(count, tariff.pit_depth),
        )  # fmt: skip

    def _links(self, people: Floats) -> Links:
        graph = self.graph
        count = len(graph.links)
        on = graph.property_link >= 0
        length = np.array([link.length for link in graph.links])
        cap, price = np.full((count, 2), -np.inf), np.full((count, 2), np.inf)
        for e, link in enumerate(graph.links):
            for column, node in enumerate((link.b, link.a)):
                line = self.lines.seen_from(e, node, back=link.a == link.b and column == 0)
                under = line.envelope(self.slope)
                cap[e, column] = under[0]
                if np.isfinite(under).all():
                    whole = self._price(line, under, link.length, head=False)
                    lost = float(line.highest[0] - under[0]) / 2
                    part = whole - self._deeper(link.length) * lost
                    price[e, column] = max(part, LEAST_PART * whole)
        may = np.isfinite(price) & np.array([link.sewer_allowed for link in graph.links])[:, None]
        weight = np.bincount(graph.property_link[on], people[on], minlength=count).astype(float)
        return Links(
            np.array([link.a for link in graph.links], np.int64),
            np.array([link.b for link in graph.links], np.int64), length,
            np.bincount(graph.property_link[on], minlength=count) > 0, weight, may,
            np.repeat((self.slope * length)[:, None], 2, axis=1), np.where(may, cap, -NOTHING),
            np.where(may, price, 0.0),
            np.repeat(np.array([self._deeper(x) for x in length])[:, None], 2, axis=1),
        )  # fmt: skip

    def _ends(self) -> Ends:
        count = len(self.graph.links)
        price = np.full((count, 3), np.inf)
        into_b, into_a = np.full((count, 3), np.inf), np.full((count, 3), np.inf)
        for e, at in self.stations.items():
            link = self.graph.links[e]
            loop = link.a == link.b
            from_a = [self._end(self.lines.seen_from(e, link.a), s) for s in at]
            from_b = [
                self._end(self.lines.seen_from(e, link.b, back=loop), link.length - s) for s in at
            ]
            (price[e, 0], into_b[e, 0]), (price[e, 1], into_a[e, 1]) = from_b[0], from_a[-1]
            if len(at) > 1:
                both = [a[0] + b[0] for a, b in zip(from_a[:-1], from_b[1:], strict=True)]
                cut = int(np.argmin(both))
                price[e, 2] = both[cut]
                into_a[e, 2], into_b[e, 2] = from_a[cut][1], from_b[cut + 1][1]
        price[~np.isfinite(into_a).any(axis=1) & ~np.isfinite(into_b).any(axis=1)] = np.inf
        return Ends(price, into_b, into_a)

    def _end(self, line: Line, far: float) -> tuple[float, float]:
        """Price and arrival of a dead end from a station down; infinite without ground."""
        under = line.envelope(self.slope, far)
        use = line.stations <= far
        use[0] = True
        if not np.isfinite(under[use]).all():
            return np.inf, np.inf
        part = Line(line.link, line.stations[use], line.ground[use], line.highest[use])
        return self._price(part, under[use], far, head=True), float(under[0])

    def _price(self, line: Line, under: Floats, length: float, *, head: bool) -> float:
        """Price of a sewer along a line; of one with a head its pit too."""
        tariff = self.tariff
        depth = float((line.ground - under).mean())
        pits = self._pits(length) + head
        return length * (tariff.per_m + tariff.per_m_depth * depth) + pits * (
            tariff.pit + tariff.pit_depth * depth
        )

    def _pits(self, length: float) -> float:
        """Pits between the ends of a sewer of some length."""
        return max(0.0, length / self.tariff.spacing - 1.0)

    def _deeper(self, length: float) -> float:
        """Price of a metre more of depth all along a sewer."""
        return length * self.tariff.per_m_depth + self._pits(length) * self.tariff.pit_depth


def stations_of(graph: StreetGraph, link: Ints) -> dict[int, Floats]:
    """Stations of properties along each link that has some, ascending. [m]

    Parameters
    ----------
    graph
        The streets.
    link : (properties,)
        Link of each property; -1 for those left out.
    """
    found: dict[int, Floats] = {}
    for e in np.unique(link[link >= 0]).tolist():
        found[e] = np.unique(graph.property_station[link == e])
    return found
