"""A lower bound by dual ascent on the flat problem, in which depth costs and forbids nothing.

Around each required link a set of nodes grows. Something must leave the set, so the cheapest way
out can be charged to the bound and taken off the price of every way out. A way out whose price is
used up lets the set grow; when every set has grown to a tie-in, the sum of what was charged is a
lower bound on the price of any layout.
"""

from __future__ import annotations

import heapq
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import helper, kernel
from planner.kernels.layout_instance import Net

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


class Prices(NamedTuple):
    """Least price of each choice, whatever its depth; infinite where it is out of the question."""

    carry: Floats  # (arcs,) with the pit of the upper node
    end: Floats  # (3 links,)


class Ascent(NamedTuple):
    """What dual ascent found."""

    bound: float
    carry: Floats  # (arcs,) what is left of the price: the reduced cost
    end: Floats  # (3 links,) likewise
    cut_link: Ints  # (cuts,) required link of each set of two nodes or more
    cut_start: Ints  # (cuts + 1,)
    cut_node: Ints  # nodes of the sets


@kernel
def ascend(
    net: Net, carry: Floats, end: Floats, order: Floats, most_nodes: int
) -> tuple[float, list[int], list[int], list[int]]:
    """Charge what leaves each set until all of them reach a tie-in.

    Parameters
    ----------
    net
        The instance.
    carry : (arcs,)
        Prices; on return what is left of them.
    end : (3 links,)
        Likewise.
    order : (links,)
        From 0 to 1: breaks ties in the order in which sets of one size grow.
    most_nodes
        Largest set that is kept as a cut.
    """
    nodes = len(net.room)
    bound = 0.0
    cut_link, cut_end, cut_node = (
        [0 for _ in range(0)],
        [0 for _ in range(0)],
        [0 for _ in range(0)],
    )
    heap = [(0.0, 0) for _ in range(0)]
    for e in range(len(net.required)):
        if net.required[e]:
            heapq.heappush(heap, (order[e], e))
    inside = np.full(nodes, -1)
    members = np.empty(nodes, np.int64)
    ways = np.empty(len(carry) + 8, np.int64)
    now = 0
    while len(heap) > 0:
        rank, e = heapq.heappop(heap)
        now += 1
        count, reached = _spread(net, carry, end, e, inside, members, now)
        if reached:
            continue
        found, least = _ways_out(net, carry, end, e, inside, members, count, ways, now)
        if found == 0 or least == np.inf:
            continue  # out of the question altogether: charged nothing
        size = float(found) + order[e]
        if len(heap) > 0 and size > heap[0][0] + 0.5 and size > rank + 0.5:
            heapq.heappush(heap, (size, e))
            continue
        bound += least
        for k in range(found):
            if ways[k] < len(carry):
                carry[ways[k]] -= least
            else:
                end[ways[k] - len(carry)] -= least
        if 2 <= count <= most_nodes:
            cut_link.append(e)
            cut_node.extend(members[:count])
            cut_end.append(len(cut_node))
        heapq.heappush(heap, (size, e))
    return bound, cut_link, cut_end, cut_node


@helper
def _spread(
    net: Net, carry: Floats, end: Floats, e: int, inside: Ints, members: Ints, now: int
) -> tuple[int, bool]:
    """Nodes that the link's set has grown to, and whether a tie-in is among them."""
    count = 0
    for c in range(2):
        v = net.head[2 * e + c]
        free = carry[2 * e + c] <= 0.0
        for w in range(3):
            free = free or (end[3 * e + w] <= 0.0 and net.end_at[3 * e + w, c] >= 0)
        if free and inside[v] != now:
            inside[v] = now
            members[count] = v
            count += 1
    k = 0
    while k < count:
        v = members[k]
        k += 1
        if net.tie[v]:
            return count, True
        for i in range(net.start[v], net.start[v + 1]):
            f = net.link_at[i]
            arc = 2 * f if net.tail[2 * f] == v else 2 * f + 1
            if carry[arc] <= 0.0 and inside[net.head[arc]] != now:
                inside[net.head[arc]] = now
                members[count] = net.head[arc]
                count += 1
    return count, False


@helper
def _ways_out(
    net: Net,
    carry: Floats,
    end: Floats,
    e: int,
    inside: Ints,
    members: Ints,
    count: int,
    ways: Ints,
    now: int,
) -> tuple[int, float]:
    """Choices that leave a link's set, and the least of their prices."""
    found, least = 0, np.inf
    for c in range(2):
        arc = 2 * e + c
        if inside[net.head[arc]] != now and carry[arc] < np.inf:
            ways[found] = arc
            found += 1
            least = min(least, carry[arc])
    for w in range(3):
        row = 3 * e + w
        if end[row] == np.inf:
            continue
        leaves = False
        for c in range(2):
            leaves = leaves or (net.end_at[row, c] >= 0 and inside[net.head[2 * e + c]] != now)
        if leaves:
            ways[found] = len(carry) + row
            found += 1
            least = min(least, end[row])
    for k in range(count):
        v = members[k]
        for i in range(net.start[v], net.start[v + 1]):
            f = net.link_at[i]
            arc = 2 * f if net.tail[2 * f] == v else 2 * f + 1
            if f != e and inside[net.head[arc]] != now and carry[arc] < np.inf:
                ways[found] = arc
                found += 1
                least = min(least, carry[arc])
    return found, least


def dual_ascent(net: Net, prices: Prices, order: Floats, most_nodes: int = 0) -> Ascent:
    """A lower bound on any layout's price from least prices.

    Parameters
    ----------
    net
        The instance.
    prices
        Least price of each choice.
    order : (links,)
        From 0 to 1; another order gives another bound.
    most_nodes
        Largest set that is kept as a cut.
    """
    carry, end = prices.carry.copy(), prices.end.copy()
    bound, link, stop, node = ascend(net, carry, end, order, most_nodes)
    start = np.concatenate((np.zeros(1, np.int64), np.array(stop, np.int64)))
    return Ascent(bound, carry, end, np.array(link, np.int64), start, np.array(node, np.int64))
