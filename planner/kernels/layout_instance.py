"""States the layout problem on plain arrays: which streets carry a sewer, and which way.

A *node* is where streets meet or end. A *link* is a piece of street between two nodes, ``a`` and
``b``. Everything that has a direction has two columns: ``TO_B`` (the sewer flows from a to b) and
``TO_A``. What is decided:

* A link is **carried** one way, or not. A node that anything flows into is a tie-in, or exactly
  one carried link leaves it; a node without inflow may be the head of one. Going down from any
  node ends at a tie-in: the carried links are trees that hang from the tie-ins.
* A **required** link (one with frontage) that is not carried is served by one of its ways of
  `Ends`: a dead end into b, a dead end into a, or split at a crest into both. An end can only
  flow into a node that has a way down (an *active* node).

Levels follow from that. Inverts are as high as they can be:

* the arrival of a carried link is ``min(invert at its upper node - fall, cap)``;
* a node's invert is the least of its top and of every arrival less the node's drop;
* no node's invert may lie below its floor, no tie-in's arrival (less drop) below its invert.

The *lost cover* of a node is its top less its invert; a sewer that arrives has one too. The price
of a layout is the sum of

* active nodes: ``price + price_depth x lost cover``; of tie-ins that are used: their price;
* carried links: ``price + price_depth x (lost cover leaving above + lost cover arriving) / 2``;
* ends: the price of the way chosen.

Where flow classes are given, a carried link's class is the largest whose threshold the people at
and above it reach; it lowers the least fall and raises the price by the metre.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

TO_B, TO_A, SPLIT = 0, 1, 2  # columns: flows into b, into a; of `Ends` also: into both
UNUSED, CARRIED, ENDED = -1, 0, 2
"""How a link is used, as one number: -1 not at all; 0 or 1 carried to b or a; 2, 3 or 4 ended."""


class Nodes(NamedTuple):
    """Where streets meet or end."""

    top: Floats  # (nodes,) highest invert that leaves with its cover kept [m]
    floor: Floats  # (nodes,) lowest invert that the depth limit allows [m]
    drop: Floats  # (nodes,) least fall through the node's manhole [m]
    price: Floats  # (nodes,) of the pit at the top
    price_depth: Floats  # (nodes,) of the pit, per metre of lost cover


class Links(NamedTuple):
    """Streets between nodes."""

    a: Ints  # (links,)
    b: Ints  # (links,)
    length: Floats  # (links,) [m]
    required: Bools  # (links,) has frontage, so it must get a sewer
    people: Floats  # (links,) who join along it
    may_carry: Bools  # (links, 2) a sewer may run through, by direction
    fall: Floats  # (links, 2) least fall from node to node [m]
    cap: Floats  # (links, 2) highest invert at which it can arrive [m]
    price: Floats  # (links, 2) of carrying
    price_depth: Floats  # (links, 2) of carrying, per metre of mean lost cover


class Ends(NamedTuple):
    """Ways to serve a required link without carrying: into b, into a, or split into both."""

    price: Floats  # (links, 3) head pit included; infinite where not offered
    into_b: Floats  # (links, 3) invert that arrives at b, infinite where nothing does [m]
    into_a: Floats  # (links, 3) invert that arrives at a, infinite where nothing does [m]


class TieIns(NamedTuple):
    """Nodes where everything ends; no two at one node."""

    node: Ints  # (tie-ins,)
    invert: Floats  # (tie-ins,) lowest invert that may arrive, less the node's drop [m]
    spare: Floats  # (tie-ins,) people it can take, infinite where unknown
    price: Floats  # (tie-ins,) of using it


class FlowClasses(NamedTuple):
    """What changes with the people upstream; the first threshold is 0."""

    people: Floats  # (classes,) from which it holds, ascending
    less_fall: Floats  # (classes,) taken off the least slope [m/m]
    more_price: Floats  # (classes,) added to the price of carrying [per m]


class Instance(NamedTuple):
    """A layout problem."""

    nodes: Nodes
    links: Links
    ends: Ends
    ties: TieIns
    classes: FlowClasses


ONE_CLASS = FlowClasses(np.zeros(1), np.zeros(1), np.zeros(1))


class Net(NamedTuple):
    """An instance in lost covers, ready for compiled code. Arc ``2 e + c`` is link e by column c.

    A way of ends ``3 e + w`` has the lost cover ``end_at[3 e + w, c]`` with which it arrives at
    the node that column c flows into, -1 where it does not.
    """

    tail: Ints  # (arcs,)
    head: Ints  # (arcs,)
    open: Bools  # (arcs,)
    lift: Floats  # (arcs,) lost cover gained on the way [m]
    least: Floats  # (arcs,) least lost cover on arrival [m]
    price: Floats  # (arcs,)
    price_depth: Floats  # (arcs,) per metre of mean lost cover
    length: Floats  # (links,) [m]
    required: Bools  # (links,)
    people: Floats  # (links,)
    end_price: Floats  # (3 links,)
    end_at: Floats  # (3 links, 2) [m]
    room: Floats  # (nodes,) greatest lost cover; of a tie-in by its invert [m]
    drop: Floats  # (nodes,) [m]
    pit: Floats  # (nodes,)
    pit_depth: Floats  # (nodes,)
    tie: Bools  # (nodes,)
    spare: Floats  # (nodes,) people
    start: Ints  # (nodes + 1,) into `link_at`
    link_at: Ints  # (2 links,) links at each node, in order of number
    class_people: Floats  # (classes,)
    class_less: Floats  # (classes,)
    class_more: Floats  # (classes,)
    counts_people: bool  # whether anything depends on flow


def net_of(instance: Instance) -> Net:
    """The compiled form of an instance.

    Parameters
    ----------
    instance
        The instance.
    """
    nodes, links, ends, ties, classes = instance
    count = len(nodes.top)
    tail = np.column_stack((links.a, links.b))
    head = tail[:, ::-1]
    lift = nodes.top[head] - nodes.top[tail] + links.fall
    least = np.maximum(nodes.top[head] - links.cap, 0.0)
    at = np.stack((nodes.top[links.b][:, None] - ends.into_b,
                   nodes.top[links.a][:, None] - ends.into_a), axis=2)  # fmt: skip
    at = np.where(np.isfinite(at), np.maximum(at, 0.0), -1.0)
    tie = np.zeros(count, bool)
    tie[ties.node] = True
    room, pit, pit_depth = nodes.top - nodes.floor, nodes.price.copy(), nodes.price_depth.copy()
    room[ties.node] = nodes.top[ties.node] - ties.invert
    pit[ties.node], pit_depth[ties.node] = ties.price, 0.0
    spare = np.full(count, np.inf)
    spare[ties.node] = ties.spare
    may = links.may_carry & (links.a != links.b)[:, None] & ~tie[tail]
    start, link_at = _links_at(links, count)
    counts = bool(np.isfinite(ties.spare).any() or len(classes.people) > 1)
    return Net(
        tail=tail.ravel(), head=head.ravel().copy(), open=may.ravel(), lift=lift.ravel(),
        least=least.ravel(), price=links.price.ravel().copy(),
        price_depth=links.price_depth.ravel().copy(), length=links.length,
        required=links.required, people=links.people, end_price=ends.price.ravel().copy(),
        end_at=np.ascontiguousarray(at.reshape(-1, 2)), room=room, drop=nodes.drop, pit=pit,
        pit_depth=pit_depth, tie=tie, spare=spare, start=start, link_at=link_at,
        class_people=classes.people, class_less=classes.less_fall,
        class_more=classes.more_price, counts_people=counts,
    )  # fmt: skip


def _links_at(links: Links, count: int) -> tuple[Ints, Ints]:
    """Links at each node, a loop once, as one array with starts."""
    loop = links.a == links.b
    number = np.arange(len(links.a))
    node = np.concatenate((links.a, links.b[~loop]))
    link = np.concatenate((number, number[~loop]))
    order = np.lexsort((link, node))
    start = np.concatenate(([0], np.cumsum(np.bincount(node, minlength=count))))
    return start.astype(np.int64), link[order].astype(np.int64)
