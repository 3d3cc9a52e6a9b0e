"""Writes a layout problem as a linear programme that carries depth downstream.

Every choice is a variable from 0 to 1: `carry` of an arc, `way` of an end, `tie` of a tie-in. An
arc that is carried has a lost cover with which it leaves and one with which it arrives; both are 0
where it is not carried, so a node's lost cover is the sum of those that leave it, and nothing large
has to be added to switch a row off. With whole numbers the programme is the problem itself (of one
flow class); with fractions its optimum is a lower bound.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array, vstack

from planner.kernels.layout_ascent import Ascent, Prices
from planner.kernels.layout_instance import Net

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


class Program(NamedTuple):
    """Least ``price @ x`` with ``rows @ x >= least`` (some equal) and ``0 <= x <= most``."""

    price: Floats  # (variables,)
    rows: csr_array  # (rows, variables)
    least: Floats  # (rows,)
    equal: Bools  # (rows,)
    most: Floats  # (variables,)
    whole: Bools  # (variables,) 0 or 1 in a layout
    carry: Ints  # (arcs,) variable of each arc, -1 where it cannot be carried
    way: Ints  # (3 links,) variable of each way of ends, -1 where there is none


class _Rows:
    """Rows as they are written."""

    def __init__(self) -> None:
        self.starts, self.columns = [0], list[int]()
        self.values, self.least = list[float](), list[float]()
        self.equal = list[bool]()

    def add(self, terms: list[tuple[int, float]], least: float, *, equal: bool = False) -> None:
        self.columns += [column for column, _ in terms]
        self.values += [value for _, value in terms]
        self.starts.append(len(self.columns))
        self.least.append(least)
        self.equal.append(equal)

    def matrix(self, variables: int) -> csr_array:
        shape = (len(self.least), variables)
        return csr_array((self.values, self.columns, self.starts), shape=shape)


class _Writer:
    """Variables of an instance: carry, leave, arrive of each arc; ways; tie-ins."""

    def __init__(self, net: Net) -> None:
        self.net = net
        arcs = np.flatnonzero(net.open)
        ways = np.flatnonzero(np.isfinite(net.end_price) & np.repeat(net.required, 3))
        ties = np.flatnonzero(net.tie)
        self.arcs, self.ways, self.ties = arcs, ways, ties
        self.carry, self.way = np.full(len(net.open), -1), np.full(len(net.end_price), -1)
        self.tie = np.full(len(net.room), -1)
        self.carry[arcs] = np.arange(len(arcs))
        self.way[ways] = 3 * len(arcs) + np.arange(len(ways))
        self.tie[ties] = 3 * len(arcs) + len(ways) + np.arange(len(ties))
        self.count = 3 * len(arcs) + len(ways) + len(ties)
        self.lift = net.lift - net.class_less.max() * np.repeat(net.length, 2)
        self.rows = _Rows()

    def leave(self, arc: int) -> int:
        return int(self.carry[arc]) + len(self.arcs)

    def arrive(self, arc: int) -> int:
        return int(self.carry[arc]) + 2 * len(self.arcs)

    def most(self) -> Floats:
        """Largest value of each variable."""
        net, arcs = self.net, self.arcs
        arrive = (net.room - net.drop)[net.head[arcs]]
        leave = np.minimum(net.room[net.tail[arcs]], arrive - self.lift[arcs])
        one = np.ones(len(self.ways) + len(self.ties))
        return np.concatenate(
            (np.ones(len(arcs)), np.maximum(leave, 0), np.maximum(arrive, 0), one)
        )

    def price(self) -> Floats:
        net, arcs = self.net, self.arcs
        half = net.price_depth[arcs] / 2
        carry = net.price[arcs] + net.pit[net.tail[arcs]]
        carry = carry + net.class_more.min() * net.length[arcs >> 1]
        return np.concatenate((
            carry, half + net.pit_depth[net.tail[arcs]], half, net.end_price[self.ways],
            net.pit[self.ties],
        ))  # fmt: skip

    def serve(self, e: int) -> None:
        """A required link is used in one way; another in one way at most."""
        uses = [int(self.carry[2 * e + c]) for c in range(2)]
        uses += [int(self.way[3 * e + w]) for w in range(3)]
        used = [variable for variable in uses if variable >= 0]
        if self.net.required[e]:
            self.rows.add([(variable, 1.0) for variable in used], 1.0, equal=True)
        elif used:
            self.rows.add([(variable, -1.0) for variable in used], -1.0)

    def follow(self, arc: int, most: Floats) -> None:
        """Lost covers of an arc that is carried."""
        x, leave, arrive = int(self.carry[arc]), self.leave(arc), self.arrive(arc)
        self.rows.add([(leave, -1.0), (x, float(most[leave]))], 0.0)
        self.rows.add([(arrive, -1.0), (x, float(most[arrive]))], 0.0)
        self.rows.add([(arrive, 1.0), (leave, -1.0), (x, -float(self.lift[arc]))], 0.0)
        if self.net.least[arc] > 0:
            self.rows.add([(arrive, 1.0), (x, -float(self.net.least[arc]))], 0.0)

    def meet(self, v: int) -> None:
        """What flows into a node leaves it by another link, at least as deep."""
        net = self.net
        at = net.link_at[net.start[v] : net.start[v + 1]].tolist()
        outs = [2 * e + c for e in at for c in range(2) if net.tail[2 * e + c] == v]
        outs = [arc for arc in outs if self.carry[arc] >= 0]
        if outs:
            self.rows.add([(int(self.carry[arc]), -1.0) for arc in outs], -1.0)
        for e in at:
            flows, deep = self._into(v, e)
            if not flows:
                continue
            if net.tie[v]:
                self.rows.add([*flows, (int(self.tie[v]), 1.0)], 0.0)
                continue
            others = [arc for arc in outs if arc >> 1 != e]
            self.rows.add([*flows, *((int(self.carry[arc]), 1.0) for arc in others)], 0.0)
            self.rows.add([*deep, *((self.leave(arc), 1.0) for arc in others)], 0.0)

    def _into(self, v: int, e: int) -> tuple[list[tuple[int, float]], list[tuple[int, float]]]:
        """Terms of all that a link sends into a node, and of its lost cover there."""
        net = self.net
        drop = float(net.drop[v])
        flows, deep = [], []
        for c in range(2):
            x = int(self.carry[2 * e + c])
            if net.head[2 * e + c] == v and x >= 0:
                flows.append((x, -1.0))
                deep += [(self.arrive(2 * e + c), -1.0), (x, -drop)]
        for w in range(3):
            x = int(self.way[3 * e + w])
            into = [net.end_at[3 * e + w, c] for c in range(2) if net.head[2 * e + c] == v]
            if x >= 0 and max(into) >= 0:
                flows.append((x, -1.0))
                deep.append((x, -float(max(into)) - drop))
        return flows, deep


def program_of(net: Net) -> Program:
    """The programme of an instance.

    Parameters
    ----------
    net
        The instance, narrowed to what can reach a tie-in. Where it has flow classes, the programme
        takes the best of each, and is a bound only.
    """
    writer = _Writer(net)
    most = writer.most()
    for e in range(len(net.required)):
        writer.serve(e)
    for v in range(len(net.room)):
        writer.meet(v)
    for arc in writer.arcs.tolist():
        writer.follow(arc, most)
    whole = np.ones(writer.count, bool)
    whole[len(writer.arcs) : 3 * len(writer.arcs)] = False
    rows = writer.rows
    return Program(
        writer.price(), rows.matrix(writer.count), np.array(rows.least, float),
        np.array(rows.equal, bool), most, whole, writer.carry, writer.way,
    )  # fmt: skip


def least_prices(net: Net) -> Prices:
    """Least price of each choice at any depth, as dual ascent takes them.

    Parameters
    ----------
    net
        The instance, narrowed to what can reach a tie-in.
    """
    lift = net.lift - net.class_less.max() * np.repeat(net.length, 2)
    carry = net.price + net.pit[net.tail] + net.price_depth * np.maximum(lift, net.least) / 2
    carry = carry + net.class_more.min() * np.repeat(net.length, 2)
    end = np.where(np.repeat(net.required, 3), net.end_price, np.inf)
    return Prices(np.where(net.open, carry, np.inf), end)


def with_cuts(net: Net, program: Program, ascents: Sequence[Ascent]) -> Program:
    """The programme with a row for every set that dual ascent grew: something must leave it.

    Parameters
    ----------
    net
        The instance.
    program
        Its programme.
    ascents
        What dual ascent found, with its cuts.
    """
    rows, seen = _Rows(), set()
    for ascent in ascents:
        for k, e in enumerate(ascent.cut_link.tolist()):
            nodes = ascent.cut_node[ascent.cut_start[k] : ascent.cut_start[k + 1]].tolist()
            leaving = _leaving(net, program, e, set(nodes))
            if leaving not in seen:
                seen.add(leaving)
                rows.add([(variable, 1.0) for variable in sorted(leaving)], 1.0)
    if not seen:
        return program
    added = rows.matrix(len(program.price))
    return program._replace(
        rows=vstack((program.rows, added), format="csr"),
        least=np.append(program.least, rows.least),
        equal=np.append(program.equal, rows.equal),
    )


def _leaving(net: Net, program: Program, e: int, inside: set[int]) -> frozenset[int]:
    """Variables of all that leaves a set of nodes around a required link."""
    found = []
    for c in range(2):
        if net.head[2 * e + c] not in inside:
            found.append(program.carry[2 * e + c])
            found += [program.way[3 * e + w] for w in range(3) if net.end_at[3 * e + w, c] >= 0]
    for v in inside:
        for f in net.link_at[net.start[v] : net.start[v + 1]].tolist():
            arc = 2 * f if net.tail[2 * f] == v else 2 * f + 1
            if f != e and net.head[arc] not in inside:
                found.append(program.carry[arc])
    return frozenset(int(variable) for variable in found if variable >= 0)
