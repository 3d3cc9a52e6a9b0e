"""The layout as a mixed-integer programme for HiGHS, written anew from the plain arrays.

Depth accumulates by rows that are switched off with a large number, circles are excluded by an
order of the nodes: nothing here is taken from the planner but the arrays.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import highspy
import numpy as np

from planner.kernels.layout_instance import Instance

PROVEN = 1e-7  # share of the price to which the optimum is proven


class Judged(NamedTuple):
    """What HiGHS makes of an instance."""

    cost: float  # infinite where there is no layout
    proven: bool


def judge(instance: Instance, seconds: float = 60.0) -> Judged:
    """The least price of a layout."""
    model = _Model(instance)
    model.highs.setOptionValue("time_limit", seconds)
    model.highs.minimize(model.cost)
    status = model.highs.getModelStatus()
    if status == highspy.HighsModelStatus.kInfeasible:
        return Judged(math.inf, proven=True)
    done = status == highspy.HighsModelStatus.kOptimal
    return Judged(model.highs.getObjectiveValue(), done)


class _Model:
    """Variables and rows."""

    def __init__(self, instance: Instance) -> None:
        # another judge of the same process may have asked for another number of threads
        highspy.Highs.resetGlobalScheduler(True)
        self.highs: Any = highspy.Highs()  # type: ignore[no-untyped-call]
        for option, value in (("output_flag", False), ("threads", 1), ("mip_rel_gap", PROVEN)):
            self.highs.setOptionValue(option, value)
        self.instance = instance
        nodes, ties = instance.nodes, instance.ties
        self.row = {int(v): k for k, v in enumerate(ties.node)}
        room = nodes.top - nodes.floor
        room[ties.node] = nodes.top[ties.node] - ties.invert
        self.room, self.count = room, len(room)
        self.deep = [self.highs.addVariable(0, float(r)) for r in room]
        self.active = [self.highs.addBinary() for _ in room]
        self.order = [self.highs.addVariable(0, self.count) for _ in room]
        self.leaving: list[list[object]] = [[] for _ in room]
        self.cost = 0
        self._price_nodes()
        for e in range(len(instance.links.a)):
            self._link(e)
        for v in range(self.count):
            if v not in self.row and self.leaving[v]:
                self.highs.addConstr(sum(self.leaving[v]) == self.active[v])
            elif v not in self.row:
                self.highs.addConstr(self.active[v] <= 0)

    def _price_nodes(self) -> None:
        nodes, ties = self.instance.nodes, self.instance.ties
        for v in range(self.count):
            if v in self.row:
                self.cost += float(ties.price[self.row[v]]) * self.active[v]
            else:
                self.cost += float(nodes.price[v]) * self.active[v]
                self.cost += float(nodes.price_depth[v]) * self.deep[v]

    def _link(self, e: int) -> None:
        links = self.instance.links
        a, b = int(links.a[e]), int(links.b[e])
        uses = []
        for column, up, down in ((0, a, b), (1, b, a)):
            if links.may_carry[e, column] and a != b and up not in self.row:
                uses.append(self._carry(e, column, up, down))
        if links.required[e]:
            uses += self._ends(e, a, b)
            self.highs.addConstr(sum(uses) == 1)
        elif uses:
            self.highs.addConstr(sum(uses) <= 1)

    def _carry(self, e: int, column: int, up: int, down: int) -> object:
        links, nodes = self.instance.links, self.instance.nodes
        x = self.highs.addBinary()
        self.leaving[up].append(x)
        lift = float(nodes.top[down] - nodes.top[up] + links.fall[e, column])
        least = max(0.0, float(nodes.top[down] - links.cap[e, column]))
        drop = float(nodes.drop[down])
        large = float(self.room[up]) + abs(lift) + least + 1.0
        leave, arrive = self.highs.addVariable(0, large), self.highs.addVariable(0, large)
        add = self.highs.addConstr
        add(leave >= self.deep[up] - large * (1 - x))
        add(arrive >= self.deep[up] + lift * x - large * (1 - x))
        add(arrive >= least * x)
        add(self.deep[down] >= arrive + drop * x - 0.0)
        add(self.active[down] >= x)
        add(self.order[down] >= self.order[up] + 1 - (self.count + 1) * (1 - x))
        half = float(links.price_depth[e, column]) / 2
        self.cost += float(links.price[e, column]) * x + half * leave + half * arrive
        return x

    def _ends(self, e: int, a: int, b: int) -> list[object]:
        ends, nodes = self.instance.ends, self.instance.nodes
        found = []
        for way in np.flatnonzero(np.isfinite(ends.price[e])).tolist():
            w = self.highs.addBinary()
            self.cost += float(ends.price[e, way]) * w
            for node, level in ((b, ends.into_b[e, way]), (a, ends.into_a[e, way])):
                if math.isfinite(level):
                    at = max(0.0, float(nodes.top[node] - level)) + float(nodes.drop[node])
                    self.highs.addConstr(self.deep[node] >= at * w)
                    self.highs.addConstr(self.active[node] >= w)
            found.append(w)
        return found
