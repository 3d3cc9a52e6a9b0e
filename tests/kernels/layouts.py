"""Makes small layout instances whose answer can be worked out on paper."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from planner.kernels.layout_headroom import HeadRoom, find_headroom, narrow, servable
from planner.kernels.layout_instance import (
    ONE_CLASS,
    Ends,
    FlowClasses,
    Instance,
    Links,
    Net,
    Nodes,
    TieIns,
    net_of,
)


def instance_of(
    tops: Sequence[float],
    streets: Sequence[tuple[int, int]],
    *,
    required: Sequence[bool] | None = None,
    tie_ins: Sequence[tuple[int, float]] = ((0, 90.0),),
    fall: float = 1.0,
    price: float = 100.0,
    price_depth: float = 0.0,
    end: float = 60.0,
    pit: float = 10.0,
    pit_depth: float = 0.0,
    drop: float = 0.0,
    room: float = 5.0,
    spare: float = np.inf,
    people: float = 10.0,
    classes: FlowClasses = ONE_CLASS,
) -> Instance:
    """An instance of alike streets of 100 m; a dead end starts level with its node's top."""
    top, pairs = np.array(tops, float), np.array(streets).reshape(-1, 2)
    count, nodes = len(pairs), len(top)
    must = np.ones(count, bool) if required is None else np.array(required)
    two = np.ones((count, 2))
    a, b = pairs.T
    links = Links(
        a.copy(), b.copy(), np.full(count, 100.0), must, people * must, np.ones((count, 2), bool),
        fall * two, np.column_stack((top[b], top[a])), price * two, price_depth * two,
    )  # fmt: skip
    ends = Ends(*(np.full((count, 3), np.inf) for _ in range(3)))
    ends.price[must, :2] = end
    ends.into_b[must, 0], ends.into_a[must, 1] = top[b][must], top[a][must]
    tie = np.array([node for node, _ in tie_ins], np.int64)
    level = np.array([invert for _, invert in tie_ins], float)
    flat = np.ones(nodes)
    return Instance(
        Nodes(top, top - room, drop * flat, pit * flat, pit_depth * flat), links, ends,
        TieIns(tie, level, np.full(len(tie), spare), np.zeros(len(tie))), classes,
    )  # fmt: skip


def narrowed(case: Instance) -> tuple[Instance, Net, HeadRoom]:
    """An instance without what gravity cannot serve, its narrowed net and its head-room."""
    net = net_of(case)
    room = find_headroom(net, case.nodes.top)
    required = net.required & servable(net, room)
    flattest = find_headroom(net, case.nodes.top, flattest=True)
    case = case._replace(links=case.links._replace(required=required))
    return case, narrow(net._replace(required=required), flattest), room
