"""Finds exactly what gravity can serve: the head-room of every node, by one best-first search.

The head-room of a node is the largest lost cover from which a tie-in can still be reached. Lost
covers that meet at a node do not add, the largest counts; so the tree of the search, in which each
node keeps its own head-room, serves everything at once that can be served at all.
"""

from __future__ import annotations

import heapq
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import kernel
from planner.kernels.layout_instance import Instance, Net, net_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

SLACK = 1e-9  # [m]


class HeadRoom(NamedTuple):
    """How deep a sewer may lie at each node and still reach a tie-in."""

    depth: Floats  # (nodes,) greatest lost cover, -inf where no tie-in can be reached [m]
    out: Ints  # (nodes,) first arc of the way down, -1 at tie-ins and where there is none


class Unserved(NamedTuple):
    """What gravity cannot serve, and the way out that comes nearest."""

    link: Ints  # (unserved,) required links
    lack: Floats  # (unserved,) metres that its best way down lacks, infinite if there is none
    node: Ints  # (unserved,) where it lacks them, -1 if there is no way
    path: tuple[Ints, ...]  # (unserved,) nodes from the link down to a tie-in


@kernel
def climb(net: Net, less_slope: float, order: Floats) -> tuple[Floats, Ints]:
    """Head-room and way down of every node.

    Parameters
    ----------
    net
        The instance.
    less_slope
        Taken off the least slope; 0, or the most that any flow class takes off. [m/m]
    order : (nodes,)
        Level of each node's top, above which head-room is measured downward. [m]
    """
    count = len(net.room)
    depth = np.full(count, -np.inf)
    out = np.full(count, -1)
    done = np.zeros(count, np.bool_)
    heap = [(0.0, 0.0, -1, -1) for _ in range(0)]
    for v in range(count):
        if net.tie[v]:
            heapq.heappush(heap, (order[v] - net.room[v], net.room[v], v, -1))
    while len(heap) > 0:
        _, room, v, arc = heapq.heappop(heap)
        if done[v]:
            continue
        done[v] = True
        depth[v], out[v] = room, arc
        for k in range(net.start[v], net.start[v + 1]):
            e = net.link_at[k]
            for c in range(2):
                up_arc = 2 * e + c
                up = net.tail[up_arc]
                if net.head[up_arc] != v or not net.open[up_arc] or done[up]:
                    continue
                if net.least[up_arc] + net.drop[v] > room + SLACK:
                    continue
                lift = net.lift[up_arc] - less_slope * net.length[e]
                at = min(net.room[up], room - net.drop[v] - lift)
                if at >= -SLACK:
                    heapq.heappush(heap, (order[up] - at, at, up, up_arc))
    return depth, out


def find_headroom(net: Net, top: Floats, *, flattest: bool = False) -> HeadRoom:
    """The head-room of every node.

    Parameters
    ----------
    net
        The instance.
    top : (nodes,)
        Highest invert that leaves each node. [m]
    flattest
        With the least slope of the flow class that may lie flattest: what is then out of reach is
        so whatever flows.
    """
    less = float(net.class_less.max()) if flattest else 0.0
    return HeadRoom(*climb(net, less, top))


def servable(net: Net, room: HeadRoom) -> Bools:
    """Which links can be served: by an end, or carried from an upper node without inflow.

    Parameters
    ----------
    net
        The instance.
    room
        Its head-room.
    """
    at = net.end_at.reshape(-1, 3, 2)
    heads = net.head.reshape(-1, 2)
    spare = (room.depth - net.drop)[heads][:, None, :]
    fits = ((at < 0) | (at <= spare + SLACK)).all(axis=2) & (at >= 0).any(axis=2)
    fits &= np.isfinite(net.end_price.reshape(-1, 3))
    arrives = np.maximum(net.lift, net.least)
    carried = net.open & (arrives <= (room.depth - net.drop)[net.head] + SLACK)
    return np.asarray(fits.any(axis=1) | carried.reshape(-1, 2).any(axis=1))


def narrow(net: Net, room: HeadRoom) -> Net:
    """The instance less every choice that no tie-in can be reached from; no layout is lost.

    Parameters
    ----------
    net
        The instance.
    room
        Its head-room, by the flattest class.
    """
    depth = room.depth
    arrives = np.maximum(net.lift - net.class_less.max() * np.repeat(net.length, 2), net.least)
    spare = (depth - net.drop)[net.head]
    can = net.open & (depth[net.tail] > -np.inf) & (arrives <= spare + SLACK)
    at, left = net.end_at.reshape(-1, 3, 2), spare.reshape(-1, 1, 2)
    fits = ((at < 0) | (at <= left + SLACK)).all(axis=2).ravel()
    return net._replace(
        open=can, room=np.minimum(net.room, depth), end_price=np.where(fits, net.end_price, np.inf)
    )


@kernel
def rooms_along(net: Net, out: Ints) -> Floats:
    """Head-room of each node by the tree that it hangs in, -inf outside of trees. [m]"""
    room = np.full(len(out), -np.inf)
    known = np.zeros(len(out), np.bool_)
    path = np.empty(len(out) + 1, np.int64)
    for v in range(len(out)):
        count, u = 0, v
        while not known[u] and not net.tie[u] and out[u] >= 0:
            path[count] = u
            count += 1
            u = net.head[out[u]]
        if net.tie[u]:
            room[u] = net.room[u]
        known[u] = True
        while count > 0:
            count -= 1
            u = path[count]
            down = net.head[out[u]]
            room[u] = min(net.room[u], room[down] - net.drop[down] - net.lift[out[u]])
            known[u] = True
    return room


def explain_unserved(net: Net, room: HeadRoom, top: Floats) -> Unserved:
    """The required links that gravity cannot serve, each with the way out that lacks least.

    Parameters
    ----------
    net
        The instance.
    room
        Its head-room.
    top : (nodes,)
        Highest invert that leaves each node. [m]
    """
    links = np.flatnonzero(net.required & ~servable(net, room))
    lack, at, parent, need = _climb_lacking(net, top)
    paths, lacks, places = [], [], []
    for e in links.tolist():
        best = (np.inf, -1, -1)
        for c in range(2):
            down = int(net.head[2 * e + c])
            arrives = net.end_at[3 * e : 3 * e + 3, c]
            ways = arrives[(arrives >= 0) & np.isfinite(net.end_price[3 * e : 3 * e + 3])]
            if net.open[2 * e + c]:
                ways = np.append(ways, max(net.lift[2 * e + c], net.least[2 * e + c]))
            if not len(ways) or not np.isfinite(lack[down]):
                continue
            short = float(ways.min()) + net.drop[down] - need[down]
            worst = (max(short, lack[down]), down, down if short > lack[down] else int(at[down]))
            best = min(best, worst)
        lacks.append(best[0])
        places.append(best[2])
        paths.append(_way_down(net, parent, best[1]))
    return Unserved(links, np.array(lacks, float), np.array(places, np.int64), tuple(paths))


def _climb_lacking(net: Net, top: Floats) -> tuple[Floats, Ints, Ints, Floats]:
    """For each node the way down that lacks least: metres, where, first arc, room it leaves."""
    count = len(net.room)
    lack, place = np.full(count, np.inf), np.full(count, -1)
    out, depth = np.full(count, -1), np.full(count, -np.inf)
    done = np.zeros(count, bool)
    heap = [(0.0, top[v] - net.room[v], int(v), -1, -1) for v in np.flatnonzero(net.tie)]
    heapq.heapify(heap)
    while heap:
        short, low, v, arc, where = heapq.heappop(heap)
        if done[v]:
            continue
        done[v] = True
        lack[v], out[v], depth[v], place[v] = short, arc, top[v] - low, where
        for e in net.link_at[net.start[v] : net.start[v + 1]].tolist():
            for up_arc in (2 * e, 2 * e + 1):
                up = int(net.tail[up_arc])
                if net.head[up_arc] != v or not net.open[up_arc] or done[up]:
                    continue
                room = depth[v] - net.drop[v]
                at = min(net.room[up], room - net.lift[up_arc])
                failed = max(net.least[up_arc] - room, -at, 0.0)
                worse = failed > max(short, SLACK)
                heapq.heappush(
                    heap,
                    (max(short, failed), top[up] - at, up, up_arc, up if worse else where),
                )
    return lack, place, out, depth


def _way_down(net: Net, out: Ints, v: int) -> Ints:
    path = []
    while v >= 0:
        path.append(v)
        v = int(net.head[out[v]]) if out[v] >= 0 else -1
    return np.array(path, np.int64)


def without_unserved(instance: Instance) -> tuple[Instance, Unserved, HeadRoom]:
    """The instance without the need to serve what gravity cannot, what that is, and the room.

    Parameters
    ----------
    instance
        The instance.
    """
    net, top = net_of(instance), instance.nodes.top
    room = find_headroom(net, top)
    unserved = explain_unserved(net, room, top)
    required = instance.links.required.copy()
    required[unserved.link] = False
    return instance._replace(links=instance.links._replace(required=required)), unserved, room
