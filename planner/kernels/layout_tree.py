"""Prices a layout, and keeps its levels and price up to date while it is changed."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import inner, kernel, leaf
from planner.kernels.layout_instance import ENDED, UNUSED, Net

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FORBIDDEN = 1e9  # price of each node that lies too deep and of each tie-in that is too full,
TOO_DEEP = 1e9  # and per metre too deep,
TOO_MANY = 1e6  # and per person too many, so that the search leaves such layouts
SLACK = 1e-9  # [m] what rounding may spoil of a depth limit


class State(NamedTuple):
    """A layout that is being changed, with a log to take changes back."""

    use: Ints  # (links,) as `planner.kernels.layout_instance` numbers it
    out: Ints  # (nodes,)
    depth: Floats  # (nodes,) lost cover [m]
    people: Floats  # (nodes,)
    inflows: Ints  # (nodes,) links that flow into it
    log_kind: Ints  # (log,) 0 use, 1 out, 2 depth, 3 people, 4 inflows
    log_at: Ints  # (log,)
    log_was: Floats  # (log,)
    logged: Ints  # (1,)


def new_state(net: Net) -> State:
    """A state in which nothing is used."""
    nodes, links = len(net.room), len(net.required)
    log = 16 * nodes + 4096
    return State(
        np.full(links, UNUSED), np.full(nodes, -1), np.zeros(nodes), np.zeros(nodes),
        np.zeros(nodes, np.int64), np.zeros(log, np.int64), np.zeros(log, np.int64),
        np.zeros(log), np.zeros(1, np.int64),
    )  # fmt: skip


@leaf
def note(state: State, kind: int, at: int, was: float) -> None:
    """Write the old value of an entry into the log."""
    k = state.logged[0]
    if k < len(state.log_kind):
        state.log_kind[k], state.log_at[k], state.log_was[k] = kind, at, was
    state.logged[0] = k + 1


@leaf
def take_back(state: State) -> None:
    """Undo everything in the log."""
    for k in range(state.logged[0] - 1, -1, -1):
        at, was = state.log_at[k], state.log_was[k]
        kind = state.log_kind[k]
        if kind == 0:
            state.use[at] = int(was)
        elif kind == 1:
            state.out[at] = int(was)
        elif kind == 2:
            state.depth[at] = was
        elif kind == 3:
            state.people[at] = was
        else:
            state.inflows[at] = int(was)
    state.logged[0] = 0


@inner
def class_terms(
    from_people: Floats, less_fall: Floats, more_price: Floats, people: float, length: float
) -> tuple[float, float]:
    """Fall that a flow's class takes off a link, and price that it adds. [m, price]"""
    k = len(from_people) - 1
    while k > 0 and people < from_people[k]:
        k -= 1
    return less_fall[k] * length, more_price[k] * length


@inner
def arrival(net: Net, arc: int, depth: float, people: float) -> float:
    """Lost cover with which a carried link arrives, from that of its upper node. [m]"""
    lift = net.lift[arc]
    if len(net.class_people) > 1:
        e = arc >> 1
        flow = people + net.people[e]
        less, _ = class_terms(net.class_people, net.class_less, net.class_more, flow, net.length[e])
        lift -= less
    return float(max(depth + lift, net.least[arc]))


@inner
def carry_price(net: Net, arc: int, depth: float, people: float) -> float:
    """Price of a carried link, from the lost cover of its upper node."""
    lift, price = net.lift[arc], net.price[arc]
    if len(net.class_people) > 1:
        e = arc >> 1
        flow = people + net.people[e]
        less, more = class_terms(
            net.class_people, net.class_less, net.class_more, flow, net.length[e]
        )
        lift -= less
        price += more
    mean = 0.5 * (depth + max(depth + lift, net.least[arc]))
    return float(price + net.price_depth[arc] * mean)


@inner
def node_price(net: Net, state: State, v: int) -> float:
    """Price of a node's pit and of the carried link that leaves it, at its present depth."""
    depth = state.depth[v]
    arc = state.out[v]
    if arc < 0 and not (net.tie[v] and state.inflows[v] > 0):
        return 0.0
    price = net.pit[v] + net.pit_depth[v] * depth
    if arc >= 0:
        price += carry_price(net, arc, depth, state.people[v])
    if depth > net.room[v] + SLACK:
        price += FORBIDDEN + TOO_DEEP * (depth - net.room[v])
    if net.counts_people and state.people[v] > net.spare[v]:
        price += FORBIDDEN + TOO_MANY * (state.people[v] - net.spare[v])
    return float(price)


@inner
def settle(net: Net, state: State, v: int) -> float:
    """Bring depth and people up to date from a node downward; the change in price.

    Parameters
    ----------
    net
        The instance.
    state
        What flows into the node may have changed; the price it stood at must be that of its
        present `depth`, `people` and `out`.
    v
        The node.
    """
    change = 0.0
    while True:
        depth, people, inflows = 0.0, 0.0, 0
        for k in range(net.start[v], net.start[v + 1]):
            e = net.link_at[k]
            use = state.use[e]
            if use < 0:
                continue
            if use < ENDED:
                arc = 2 * e + use
                if net.head[arc] != v:
                    continue
                up = net.tail[arc]
                arrives = arrival(net, arc, state.depth[up], state.people[up])
                people += state.people[up] + net.people[e]
            else:
                row = 3 * e + use - ENDED
                arrives = -1.0
                parts = 0
                for c in range(2):
                    if net.end_at[row, c] >= 0:
                        parts += 1
                        if net.head[2 * e + c] == v:
                            arrives = max(arrives, net.end_at[row, c])
                if arrives < 0:
                    continue
                people += net.people[e] / parts
            inflows += 1
            depth = max(depth, arrives + net.drop[v])
        if not net.counts_people:
            people = 0.0
        same = depth == state.depth[v] and people == state.people[v]
        if same and inflows == state.inflows[v]:
            return change
        change -= node_price(net, state, v)
        if depth != state.depth[v]:
            note(state, 2, v, state.depth[v])
            state.depth[v] = depth
        if people != state.people[v]:
            note(state, 3, v, state.people[v])
            state.people[v] = people
        if inflows != state.inflows[v]:
            note(state, 4, v, state.inflows[v])
            state.inflows[v] = inflows
        change += node_price(net, state, v)
        if same or state.out[v] < 0:
            return change
        v = net.head[state.out[v]]


@inner
def is_below(net: Net, state: State, v: int, start: int) -> bool:
    """Whether going down from a node meets another one (itself counts)."""
    while start != v:
        if state.out[start] < 0:
            return False
        start = net.head[state.out[start]]
    return True


@kernel
def price_all(net: Net, state: State) -> float:
    """Price of a state, levels worked out anew; infinite where it is no layout.

    Required links that are not served at all are not counted; there is one place to forbid them,
    the search's start.
    """
    nodes = len(net.room)
    waiting = np.zeros(nodes, np.int64)
    for v in range(nodes):
        if state.out[v] >= 0:
            waiting[net.head[state.out[v]]] += 1
    state.depth[:] = 0.0
    state.people[:] = 0.0
    state.inflows[:] = 0
    ready = [v for v in range(nodes) if waiting[v] == 0]
    done = 0
    total = 0.0
    while len(ready) > 0:
        v = ready.pop()
        done += 1
        out = state.out[v]
        state.out[v] = -1  # settle this node alone
        settle(net, state, v)
        state.logged[0] = 0
        state.out[v] = out
        total += node_price(net, state, v)
        if out < 0 and state.inflows[v] > 0 and not net.tie[v]:
            return np.inf
        if out >= 0:
            down = net.head[out]
            waiting[down] -= 1
            if waiting[down] == 0:
                ready.append(down)
    for e in range(len(net.required)):
        if state.use[e] >= ENDED:
            total += net.end_price[3 * e + state.use[e] - ENDED]
    return total if done == nodes else np.inf
