"""Changes of a layout that insert a whole path through streets not used before."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import inner, leaf
from planner.kernels.layout_instance import ENDED, Net
from planner.kernels.layout_moves import (
    NO_WAY,
    Seeds,
    change_end,
    draw,
    end_price,
    hang,
    is_active,
)
from planner.kernels.layout_tree import State, carry_price, is_below

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PIECES = 40  # most links that one change inserts as a path
NEAR, FAR, FAR_SHARE = 60, 600, 0.1  # nodes that a path is looked for among, now and then more
HEAP = 8 * FAR  # ways on that are remembered


class Work(NamedTuple):
    """Memory for looking for paths."""

    via: Ints  # (nodes,) arc by which each was reached
    stamp: Ints  # (nodes + 1,) number of the search that reached it; last, the present one
    path: Ints  # (PIECES,) arcs
    label: Floats  # (HEAP,) price of each way on
    node: Ints  # (HEAP,) where it leads
    arc: Ints  # (HEAP,) its last arc


def new_work(net: Net) -> Work:
    """Memory for an instance."""
    nodes = len(net.room)
    return Work(
        np.full(nodes, -1), np.zeros(nodes + 1, np.int64), np.zeros(PIECES, np.int64),
        np.zeros(HEAP), np.zeros(HEAP, np.int64), np.zeros(HEAP, np.int64),
    )  # fmt: skip


@leaf
def swap(work: Work, i: int, j: int) -> None:
    """Exchange two ways on."""
    label, node, arc = work.label[i], work.node[i], work.arc[i]
    work.label[i], work.node[i], work.arc[i] = work.label[j], work.node[j], work.arc[j]
    work.label[j], work.node[j], work.arc[j] = label, node, arc


@inner
def push(work: Work, count: int, label: float, node: int, arc: int) -> int:
    """Remember a way on, unless there are too many; how many there are."""
    if count == HEAP:
        return count
    work.label[count], work.node[count], work.arc[count] = label, node, arc
    k = count
    while k > 0 and work.label[k] < work.label[(k - 1) >> 1]:
        swap(work, k, (k - 1) >> 1)
        k = (k - 1) >> 1
    return count + 1


@leaf
def pop(work: Work, count: int) -> int:
    """Move the cheapest way on behind the others; how many others there are."""
    count -= 1
    swap(work, 0, count)
    k = 0
    while 2 * k + 1 < count:
        child = 2 * k + 1
        if child + 1 < count and work.label[child + 1] < work.label[child]:
            child += 1
        if work.label[child] >= work.label[k]:
            break
        swap(work, k, child)
        k = child
    return count


@inner
def find_path(net: Net, state: State, v: int, seed: Seeds, work: Work) -> int:
    """Last arc of a cheap path from a node through sleeping ones to one it may flow to, or -1."""
    work.stamp[-1] += 1
    now = work.stamp[-1]
    noise = 0.4 * draw(seed)
    most = FAR if draw(seed) < FAR_SHARE else NEAR
    count = push(work, 0, 0.0, v, -1)
    while count > 0 and most > 0:
        count = pop(work, count)
        at, u, arc = work.label[count], work.node[count], work.arc[count]
        if work.stamp[u] == now:
            continue
        work.stamp[u] = now
        work.via[u] = arc
        most -= 1
        if u != v and is_active(net, state, u):
            if is_below(net, state, v, u):
                continue
            return int(arc)
        for k in range(net.start[u], net.start[u + 1]):
            e = net.link_at[k]
            nxt = 2 * e if net.tail[2 * e] == u else 2 * e + 1
            use = state.use[e]
            known = work.stamp[net.head[nxt]] == now
            if not net.open[nxt] or nxt == state.out[v] or known or 0 <= use < ENDED:
                continue
            price = carry_price(net, nxt, 0.0, 0.0) - end_price(net, e, use)
            if use >= ENDED:
                price = max(price, 0.0)
            price = (price + net.pit[u]) * (1.0 + noise * draw(seed))
            count = push(work, count, at + price, net.head[nxt], nxt)
    return -1


@inner
def insert_path(net: Net, state: State, v: int, seed: Seeds, work: Work) -> float:
    """Let a node flow down a path through sleeping nodes, the cheapest that is near."""
    arc = find_path(net, state, v, seed, work)
    if arc < 0:
        return NO_WAY
    count = 0
    while arc >= 0:
        if count == PIECES:
            return NO_WAY
        work.path[count] = arc
        count += 1
        arc = work.via[net.tail[arc]]
    change = 0.0
    for k in range(count):  # from the lower end up, so that every step flows into what is active
        step = hang(net, state, net.tail[work.path[k]], work.path[k])
        if step == NO_WAY:
            return NO_WAY
        change += step
    return change


@inner
def serve_elsewhere(net: Net, state: State, e: int, c: int, seed: Seeds, work: Work) -> float:
    """Let a required link end in a sleeping node, which gets a path of its own down."""
    v = net.head[2 * e + c]
    row = 3 * e + c
    if net.end_at[row, c] < 0 or not net.end_price[row] < math.inf:
        return NO_WAY
    change = insert_path(net, state, v, seed, work)
    if change == NO_WAY or not state.use[e] >= ENDED:
        return change
    return change + change_end(net, state, e, ENDED + c)
