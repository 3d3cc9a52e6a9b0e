"""Walks a layout again from its plain figures, by code that the search does not share."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from planner.kernels.layout_instance import ENDED, Instance

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ROUND_OFF = 1e-6  # [m] what rounding may spoil of a level


class Walked(NamedTuple):
    """What a layout costs and where its levels lie."""

    cost: float
    invert: Floats  # (nodes,) of active nodes and used tie-ins, NaN elsewhere [m]
    arrive: Floats  # (links, 2) invert arriving at b, at a, NaN where nothing does [m]
    people: Floats  # (nodes,) who join at or above
    tie: Ints  # (nodes,) row of the tie-in it drains to, -1 where none
    faults: tuple[str, ...]  # what makes it no layout; empty when it is one


def walk_layout(instance: Instance, use: Ints) -> Walked:
    """Levels, people and price of a layout, and what is wrong with it.

    Parameters
    ----------
    instance
        The instance.
    use : (links,)
        How each link is used, as `planner.kernels.layout_instance` numbers it.
    """
    return _Walk(instance, np.asarray(use)).run()


class _Walk:
    """One walk, from the heads down to the tie-ins."""

    def __init__(self, instance: Instance, use: Ints) -> None:
        self.instance, self.use = instance, use.tolist()
        count = len(instance.nodes.top)
        self.faults: list[str] = []
        self.cost = 0.0
        self.invert = np.full(count, np.nan)
        self.people = np.zeros(count)
        self.tie = np.full(count, -1)
        self.arrive = np.full((len(use), 2), np.nan)
        self.out: dict[int, tuple[int, int]] = {}  # node -> link, lower node
        self.into: dict[int, list[tuple[float, float]]] = {}  # node -> arrival, people
        self.root = {int(v): row for row, v in enumerate(instance.ties.node)}

    def run(self) -> Walked:
        links = self.instance.links
        for e, use in enumerate(self.use):
            if 0 <= use < ENDED:
                a, b = int(links.a[e]), int(links.b[e])
                self._carry(e, use, *((a, b) if use == 0 else (b, a)))
            elif use >= ENDED:
                self._end(e, use - ENDED)
            elif links.required[e]:
                self.faults.append(f"link {e} is required and not served")
        order = self._downward()
        for v in order:
            self._leave(v)
        self._check_ties(order)
        return Walked(
            self.cost, self.invert, self.arrive, self.people, self.tie, tuple(self.faults)
        )

    def _carry(self, e: int, column: int, up: int, down: int) -> None:
        if not self.instance.links.may_carry[e, column] or up == down or up in self.root:
            self.faults.append(f"link {e} may not carry this way")
        if up in self.out:
            self.faults.append(f"two links leave node {up}")
        self.out[up] = (e, down)

    def _end(self, e: int, way: int) -> None:
        ends, links = self.instance.ends, self.instance.links
        if not links.required[e] or not np.isfinite(ends.price[e, way]):
            self.faults.append(f"link {e} has no end of this kind")
            return
        self.cost += float(ends.price[e, way])
        arrivals = [
            (column, int(node), float(level))
            for column, node, level in (
                (0, links.b[e], ends.into_b[e, way]),
                (1, links.a[e], ends.into_a[e, way]),
            )
            if np.isfinite(level)
        ]
        for column, node, level in arrivals:
            self.arrive[e, column] = min(level, float(self.instance.nodes.top[node]))
            share = float(links.people[e]) / len(arrivals)
            self.into.setdefault(node, []).append((self.arrive[e, column], share))

    def _downward(self) -> list[int]:
        """Nodes with something above or below them, each after all that flows into it."""
        above: dict[int, int] = {}
        for _, down in self.out.values():
            above[down] = above.get(down, 0) + 1
        nodes = sorted(set(self.out) | set(above) | set(self.into))
        ready = [v for v in nodes if v not in above]
        order = []
        while ready:
            v = ready.pop()
            order.append(v)
            if v in self.out:
                down = self.out[v][1]
                above[down] -= 1
                if not above[down]:
                    ready.append(down)
        if len(order) < len(nodes):
            self.faults.append(f"links run in a circle through {len(nodes) - len(order)} nodes")
        return order

    def _leave(self, v: int) -> None:
        """Level and price of a node, and what it sends down."""
        nodes, ties = self.instance.nodes, self.instance.ties
        into = self.into.get(v, [])
        level = float(nodes.top[v])
        for arrives, people in into:
            level = min(level, arrives - float(nodes.drop[v]))
            self.people[v] += people
        self.invert[v] = level
        if v in self.root:
            row = self.root[v]
            self.cost += float(ties.price[row])
            if level < ties.invert[row] - ROUND_OFF:
                self.faults.append(f"tie-in {row} lies {ties.invert[row] - level:.3f} m too high")
            return
        self.cost += float(nodes.price[v] + nodes.price_depth[v] * (nodes.top[v] - level))
        if level < nodes.floor[v] - ROUND_OFF:
            self.faults.append(f"node {v} lies {nodes.floor[v] - level:.3f} m too deep")
        if v not in self.out:
            self.faults.append(f"nothing leaves node {v}")
            return
        self._send(v, level)

    def _send(self, v: int, level: float) -> None:
        nodes, links, classes = self.instance.nodes, self.instance.links, self.instance.classes
        e, down = self.out[v]
        column = self.use[e]
        people = self.people[v] + float(links.people[e])
        k = int(np.searchsorted(classes.people, people, side="right")) - 1
        fall = float(links.fall[e, column] - classes.less_fall[k] * links.length[e])
        arrives = min(level - fall, float(links.cap[e, column]), float(nodes.top[down]))
        depth = (nodes.top[v] - level + nodes.top[down] - arrives) / 2
        self.cost += float(links.price[e, column] + links.price_depth[e, column] * depth)
        self.cost += float(classes.more_price[k] * links.length[e])
        self.arrive[e, column] = arrives
        self.into.setdefault(down, []).append((arrives, people))

    def _check_ties(self, order: list[int]) -> None:
        for v in reversed(order):
            if v in self.root:
                self.tie[v] = self.root[v]
            elif v in self.out:
                self.tie[v] = self.tie[self.out[v][1]]


def over_capacity(instance: Instance, walked: Walked) -> Floats:
    """People that each tie-in is given beyond what it can take.

    Parameters
    ----------
    instance
        The instance.
    walked
        A layout of it.
    """
    ties = instance.ties
    return np.maximum(walked.people[ties.node] - ties.spare, 0.0)
