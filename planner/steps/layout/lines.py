"""Streets seen from either end: ground, and the highest invert that a sewer may have along them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from planner.kernels.ground import sample_ground
from planner.model import Floats, Ground
from planner.records import Limits, Link, StreetGraph

SAMPLE_STEP = 5.0  # [m] between the points of a street where cover is looked at
FARTHEST = 20.0  # [m] from a street's centre within which its sewer lies, at most

Drains = Callable[[int], float]  # property -> highest invert [m]


@dataclass(frozen=True, eq=False)
class Line:
    """A link walked up from one of its ends, at every station that is looked at."""

    link: Link  # from its lower end up
    stations: Floats  # (stations,) [m]
    ground: Floats  # (stations,) [m]
    highest: Floats  # (stations,) invert [m]

    def envelope(self, slope: float, upto: float = np.inf) -> Floats:
        """Highest inverts of a sewer that falls at least at a slope from a station down. [m]"""
        own = self.highest - slope * self.stations
        own = np.where(self.stations <= upto + SAMPLE_STEP, own, np.inf)
        best = np.minimum.accumulate(own[::-1])[::-1]
        return np.asarray(best + slope * self.stations)


class Lines:
    """Links seen from either end, sampled once.

    Parameters
    ----------
    graph
        The streets.
    ground
        The ground.
    limits
        Depth and slope that the rules ask for.
    drains
        Highest invert at which a property drains, or infinite where it asks for nothing.
    beside
        How far from a street's centre its sewer may lie: ground and drains are then the most
        favourable within it. [m]
    """

    def __init__(
        self, graph: StreetGraph, ground: Ground, limits: Limits, drains: Drains | None = None,
        beside: float = 0.0,
    ) -> None:  # fmt: skip
        self.limits, self.links = limits, graph.links
        self._ground, self._drains, self._beside = ground, drains, beside
        self._houses: dict[int, list[tuple[int, float]]] = {}
        for row, link in enumerate(graph.property_link):
            station = float(graph.property_station[row])
            self._houses.setdefault(int(link), []).append((row, station))
        self._made: dict[tuple[int, bool], Line] = {}

    def seen_from(self, index: int, node: int, *, back: bool = False) -> Line:
        """The link walked away from a node; ``back`` for the second end of a loop."""
        forward = self.links[index].a == node and not back
        if (index, forward) not in self._made:
            there = self._sample(index)
            self._made[index, True] = there
            self._made[index, False] = Line(
                there.link.reversed(), there.link.length - there.stations[::-1],
                there.ground[::-1], there.highest[::-1],
            )  # fmt: skip
        return self._made[index, forward]

    def _sample(self, index: int) -> Line:
        link = self.links[index]
        count = max(2, int(np.ceil(link.length / SAMPLE_STEP)) + 1)
        at = np.linspace(0.0, link.length, count)
        levels = self._levels(link, at)
        highest = np.where(np.isnan(levels).all(axis=0), -np.inf, _most(levels))
        highest = highest - self.limits.least_depth
        if self._drains is not None:
            for row, station in self._houses.get(index, []):
                level = self._drains(row)
                near = np.abs(at - station) == np.abs(at - station).min()
                highest[near] = np.minimum(highest[near], level)
        low = np.where(np.isnan(levels).all(axis=0), np.nan, -_most(-levels))
        return Line(link, at, low, highest)

    def _levels(self, link: Link, at: Floats) -> Floats:
        """Ground across the street at stations. (offsets, stations) [m]"""
        x = np.interp(at, link.stations, link.xy[:, 0])
        y = np.interp(at, link.stations, link.xy[:, 1])
        part = np.clip(np.searchsorted(link.stations, at, "right") - 1, 0, len(link.rows) - 1)
        along = np.diff(link.xy, axis=0)[part]
        across = np.column_stack([-along[:, 1], along[:, 0]])
        across /= np.maximum(np.hypot(*across.T), 1e-9)[:, None]
        g = self._ground
        offsets = (-self._beside, 0.0, self._beside) if self._beside else (0.0,)
        return np.array([
            sample_ground(
                g.values, g.mesh_x0, g.mesh_y0, g.mesh_step, g.mesh_col, g.mesh_row,
                x + offset * across[:, 0], y + offset * across[:, 1],
            )
            for offset in offsets
        ])  # fmt: skip


def _most(levels: Floats) -> Floats:
    """Highest of the levels that are known, minus infinity where none is."""
    return np.asarray(np.where(np.isnan(levels), -np.inf, levels).max(axis=0))
