"""Makes the layouts that a search starts from."""

from __future__ import annotations

import heapq
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import helper, kernel
from planner.kernels.layout_headroom import HeadRoom, rooms_along
from planner.kernels.layout_instance import Net
from planner.kernels.layout_moves import best_end, hang, is_active, trim
from planner.kernels.layout_tree import State, is_below, new_state, price_all

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

SLACK = 1e-9  # [m]


def grow_by_price(net: Net) -> tuple[Ints, Bools]:
    """Grow a tree from the tie-ins: the link that is nearest by price joins it next.

    Nodes of a path that joins keep the head-room that the path leaves them, so the tree is never
    too deep; links out of its reach are left over.

    Parameters
    ----------
    net
        The instance.

    Returns
    -------
    tuple
        The arc down from each node of the tree, and which required links it serves.
    """
    ends = net.end_price.reshape(-1, 3)
    least = np.where(net.required, ends.min(axis=1), np.inf)
    extra = net.price + net.pit[net.tail]
    extra = extra + net.price_depth * np.maximum(net.lift, net.least) / 2
    saved = np.repeat(least, 2)
    extra = np.where(np.isfinite(saved), np.maximum(extra - saved, 0.0), extra)
    ending = net.required & (np.isfinite(ends[:, 0]) | np.isfinite(ends[:, 1]))
    wanted = np.zeros(len(net.room), np.bool_)
    both = np.column_stack((net.tail[::2], net.head[::2]))
    wanted[both[ending].ravel()] = True
    return _grow(net, extra, wanted, ending)


@kernel
def _grow(net: Net, extra: Floats, wanted: Bools, ending: Bools) -> tuple[Ints, Bools]:
    """As `grow_by_price`, from what each arc costs and which nodes have links to serve."""
    count = len(net.room)
    label, room = np.full(count, np.inf), np.full(count, -np.inf)
    via, joined = np.full(count, -1), np.zeros(count, np.bool_)
    served = np.zeros(len(net.required), np.bool_)
    heap = [(0.0, -1) for _ in range(0)]
    for v in range(count):
        if net.tie[v]:
            label[v], room[v], joined[v] = 0.0, net.room[v], True
            heapq.heappush(heap, (0.0, v))
    while len(heap) > 0:
        at, v = heapq.heappop(heap)
        if at > label[v]:
            continue
        e = via[v] >> 1
        found = via[v] >= 0 and net.required[e] and not served[e] and not ending[e]
        if wanted[v]:
            found = _serves(net, v, room[v], served) or found
        if found:
            at = 0.0
            u = v
            while not joined[u]:
                joined[u] = True
                label[u] = 0.0
                heapq.heappush(heap, (0.0, u))
                served[via[u] >> 1] = True
                u = net.head[via[u]]
        for k in range(net.start[v], net.start[v + 1]):
            e = net.link_at[k]
            arc = 2 * e if net.head[2 * e] == v else 2 * e + 1
            up = net.tail[arc]
            if joined[up] or not net.open[arc]:
                continue
            price = at + extra[arc]
            if price >= label[up]:
                continue
            left = min(net.room[up], room[v] - net.drop[v] - net.lift[arc])
            if left >= -SLACK and net.least[arc] + net.drop[v] <= room[v] + SLACK:
                label[up], room[up], via[up] = price, left, arc
                heapq.heappush(heap, (price, up))
    for v in range(count):
        if not joined[v]:
            via[v] = -1
    return via, served


@helper
def _serves(net: Net, v: int, room: float, served: Bools) -> bool:
    """Whether a node brings links into reach that are not served yet; marks them."""
    found = False
    for k in range(net.start[v], net.start[v + 1]):
        e = net.link_at[k]
        if not net.required[e] or served[e]:
            continue
        for c in range(2):
            at = net.end_at[3 * e + c, c]
            fits = 0 <= at <= room - net.drop[v] + SLACK and net.end_price[3 * e + c] < np.inf
            if net.head[2 * e + c] == v and fits:
                served[e] = True
                found = True
    return found


@kernel
def mend_reach(net: Net, out: Ints, served: Bools, widest: Ints) -> None:
    """Turn a tree onto the ways of the most head-room below the links that it leaves over."""
    for e in range(len(net.required)):
        if served[e] or not net.required[e]:
            continue
        for w in range(3):
            row = 3 * e + w
            if net.end_price[row] == np.inf:
                continue
            for c in range(2):
                v = net.head[2 * e + c]
                while net.end_at[row, c] >= 0 and widest[v] >= 0:
                    out[v] = widest[v]
                    v = net.head[out[v]]
            break


@kernel
def lay_tree(net: Net, state: State, out: Ints, room: Floats) -> float:
    """Carry the arcs of a tree, serve the rest by ends, take away what is useless; the price.

    Parameters
    ----------
    net
        The instance, with the head-room of the tree for its rooms.
    state
        Filled.
    out : (nodes,)
        Arc down from each node.
    room : (nodes,)
        Room of each node by the instance. [m]
    """
    state.use[:] = -1
    state.out[:] = out
    for v in range(len(out)):
        if out[v] >= 0:
            state.use[out[v] >> 1] = out[v] & 1
    price_all(net, state)
    for e in range(len(net.required)):
        if not net.required[e] or state.use[e] >= 0:
            continue
        use = best_end(net, state, e, -1)
        if use >= 0:
            state.use[e] = use
        elif not _force(net, state, e):
            return np.inf
    price_all(net, state)
    for v in range(len(out)):
        trim(net, state, v)
        state.logged[0] = 0
    net.room[:] = room
    return price_all(net, state)


@helper
def _force(net: Net, state: State, e: int) -> bool:
    """Carry a link that has no ends, whatever flowed down from its upper node before."""
    for c in range(2):
        arc = 2 * e + c
        v, down = net.tail[arc], net.head[arc]
        if net.open[arc] and is_active(net, state, down) and not is_below(net, state, v, down):
            price_all(net, state)
            done = hang(net, state, v, arc) < np.inf
            state.logged[0] = 0
            if done:
                return True
    return False


def start_state(net: Net, room: HeadRoom, guides: Sequence[Floats] = ()) -> tuple[State, float]:
    """The cheapest of several trees, and its price: by price, by each guide, by head-room.

    Parameters
    ----------
    net
        The instance, less what gravity cannot serve.
    room
        Its head-room.
    guides : (arcs,) each
        Prices to grow a tree by instead of the true ones.

    Raises
    ------
    ValueError
        Where no tree serves every required link.
    """
    trees = []
    for guided in (net, *(_guided(net, guide) for guide in guides)):
        out, served = grow_by_price(guided)
        mend_reach(net, out, served, room.out)
        trees.append(out)
    best, lowest = None, np.inf
    for out in (*trees, room.out):
        state = new_state(net)
        cost = lay_tree(net._replace(room=rooms_along(net, out)), state, out, net.room)
        if cost < lowest:
            best, lowest = state, cost
    if best is None:
        raise ValueError("required links are left that neither tree serves")
    return best, lowest


def _guided(net: Net, guide: Floats) -> Net:
    """The instance with other prices of carrying, all else free."""
    flat, free = np.zeros(len(net.pit)), np.where(np.isfinite(net.end_price), 0.0, np.inf)
    return net._replace(price=guide, pit=flat, price_depth=np.zeros(len(guide)), end_price=free)
