"""Single changes of a layout, each with its exact change in price."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import inner, leaf
from planner.kernels.layout_instance import ENDED, Net
from planner.kernels.layout_tree import State, is_below, node_price, note, settle

Seeds = NDArray[np.uint64]

NO_WAY = math.inf  # change in price of what cannot be done


@leaf
def draw(seed: Seeds) -> float:
    """A number from 0 to 1 (not included); the same for the same seed on every machine.

    References
    ----------
    G. Steele, D. Lea, C. Flood: Fast splittable pseudorandom number generators, 2014 (the mixing
    constants from memory).
    """
    seed[0] += np.uint64(0x9E3779B97F4A7C15)
    z = seed[0]
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    z ^= z >> np.uint64(31)
    return float(z >> np.uint64(11)) * (1.0 / 9007199254740992.0)


@inner
def is_active(net: Net, state: State, v: int) -> bool:
    """Whether a node has a way down."""
    return bool(net.tie[v] or state.out[v] >= 0)


@inner
def set_use(state: State, e: int, use: int) -> None:
    """Use a link another way."""
    note(state, 0, e, state.use[e])
    state.use[e] = use


@inner
def set_out(net: Net, state: State, v: int, arc: int) -> float:
    """Give a node another arc down; the change in its own price at its present depth."""
    change = -node_price(net, state, v)
    note(state, 1, v, state.out[v])
    state.out[v] = arc
    return change + node_price(net, state, v)


@inner
def best_end(net: Net, state: State, e: int, avoid: int) -> int:
    """The way of ends that looks cheapest at present depths, as a use; -1 if there is none."""
    best, found = math.inf, -1
    for w in range(3):
        row = 3 * e + w
        price = net.end_price[row]
        if not price < best:
            continue
        for c in range(2):
            at = net.end_at[row, c]
            if at < 0:
                continue
            v = net.head[2 * e + c]
            if v == avoid or not is_active(net, state, v):
                price = math.inf
                break
            deeper = at + net.drop[v] - state.depth[v]
            if deeper > 0:
                arc = state.out[v]
                rate = net.pit_depth[v]
                if arc >= 0:
                    rate += net.price_depth[arc]
                price += rate * deeper
                if at + net.drop[v] > net.room[v]:
                    price += 1e9
        if price < best:
            best, found = price, ENDED + w
    return found


@leaf
def end_price(net: Net, e: int, use: int) -> float:
    """Price of a use, where it is one of the ends'."""
    return net.end_price[3 * e + use - ENDED] if use >= ENDED else 0.0


@inner
def settle_ends(net: Net, state: State, e: int) -> float:
    """Settle both nodes of a link."""
    change = settle(net, state, net.tail[2 * e])
    return change + settle(net, state, net.head[2 * e])


@inner
def trim(net: Net, state: State, v: int) -> float:
    """Take away carried links that nothing needs, from a node downward."""
    change = 0.0
    while state.out[v] >= 0 and state.inflows[v] == 0:
        arc = state.out[v]
        e = arc >> 1
        if net.required[e]:
            break
        change += set_out(net, state, v, -1)
        set_use(state, e, -1)
        v = net.head[arc]
        change += settle(net, state, v)
    return change


@inner
def change_end(net: Net, state: State, e: int, use: int) -> float:
    """Serve a required link that is not carried by another of its ends."""
    for c in range(2):
        into = net.end_at[3 * e + use - ENDED, c] >= 0
        if into and not is_active(net, state, net.head[2 * e + c]):
            return NO_WAY
    change = end_price(net, e, use) - end_price(net, e, state.use[e])
    set_use(state, e, use)
    change += settle_ends(net, state, e)
    return change + trim(net, state, net.tail[2 * e]) + trim(net, state, net.head[2 * e])


@inner
def hang(net: Net, state: State, v: int, arc: int) -> float:
    """Let a node flow down another arc, into an active node; its old link is served anew.

    The new arc's lower node must not flow down through `v`.
    """
    old = state.out[v]
    e = arc >> 1
    change = -end_price(net, e, state.use[e])
    set_use(state, e, arc & 1)
    if old >= 0:
        set_use(state, old >> 1, -1)
    change += set_out(net, state, v, arc)
    if old >= 0:
        f = old >> 1
        down = net.head[old]
        if net.required[f]:
            use = best_end(net, state, f, -1)
            if use < 0:
                return NO_WAY
            set_use(state, f, use)
            change += end_price(net, f, use)
        change += settle(net, state, down)
    change += settle(net, state, v)
    change += settle_ends(net, state, e)
    if old >= 0:
        change += trim(net, state, net.head[old])
    return change


@inner
def wake(net: Net, state: State, v: int, arc: int, seed: Seeds) -> float:
    """Make a node active, down an arc into an active node; ends and one neighbour may follow."""
    change = hang(net, state, v, arc)
    if change == NO_WAY:
        return NO_WAY
    for k in range(net.start[v], net.start[v + 1]):
        e = net.link_at[k]
        if state.use[e] >= ENDED:
            use = best_end(net, state, e, -1)
            if use >= 0 and use != state.use[e]:
                change += change_end(net, state, e, use)
    if draw(seed) < 0.5:
        k = net.start[v] + int(draw(seed) * (net.start[v + 1] - net.start[v]))
        e = net.link_at[k]
        into = 2 * e if net.head[2 * e] == v else 2 * e + 1
        up = net.tail[into]
        free = state.use[e] < 0 or state.use[e] >= ENDED
        if free and net.open[into] and state.out[up] >= 0 and not is_below(net, state, up, v):
            change += hang(net, state, up, into)
    return change


@inner
def other_arc(net: Net, state: State, v: int, seed: Seeds) -> int:
    """A random arc out of a node, not its present one, into an active node that it may flow to."""
    found, seen = -1, 0
    for k in range(net.start[v], net.start[v + 1]):
        e = net.link_at[k]
        use = state.use[e]
        if 0 <= use < ENDED:
            continue
        arc = 2 * e if net.tail[2 * e] == v else 2 * e + 1
        down = net.head[arc]
        if not net.open[arc] or not is_active(net, state, down):
            continue
        seen += 1
        if draw(seed) * seen < 1.0 and not is_below(net, state, v, down):
            found = arc
    return found


@inner
def put_to_sleep(  # noqa: PLR0911  # gives up wherever something finds no other way
    net: Net, state: State, v: int, seed: Seeds
) -> float:
    """Make a node inactive; what flows into it goes elsewhere."""
    change = 0.0
    old = state.out[v]
    for k in range(net.start[v], net.start[v + 1]):
        e = net.link_at[k]
        use = state.use[e]
        if use >= ENDED:
            into = 0 if net.head[2 * e] == v else 1
            if net.end_at[3 * e + use - ENDED, into] < 0:
                continue
            other = best_end(net, state, e, v)
            if other < 0:
                return NO_WAY
            change += change_end(net, state, e, other)
        elif use >= 0 and (e << 1) + use != old:
            up = net.tail[2 * e + use]
            arc = other_arc(net, state, up, seed)
            if arc < 0 or net.head[arc] == v:
                return NO_WAY
            step = hang(net, state, up, arc)
            if step == NO_WAY:
                return NO_WAY
            change += step
            again = state.use[e]
            if again >= ENDED:
                other = best_end(net, state, e, v)
                if other < 0:
                    return NO_WAY
                if other != again:
                    change += change_end(net, state, e, other)
    if state.out[v] < 0:
        return change  # trimmed away meanwhile
    f = state.out[v] >> 1
    down = net.head[state.out[v]]
    change += set_out(net, state, v, -1)
    set_use(state, f, -1)
    if net.required[f]:
        use = best_end(net, state, f, v)
        if use < 0:
            return NO_WAY
        set_use(state, f, use)
        change += end_price(net, f, use)
    change += settle(net, state, v)
    if state.inflows[v] > 0:
        return NO_WAY
    change += settle(net, state, down)
    return change + trim(net, state, down)


@leaf
def turn(net: Net, state: State, v: int, seed: Seeds) -> float:
    """Let a node flow down elsewhere, and its old lower node through it: a link turned round."""
    old = state.out[v]
    down = net.head[old]
    back = old ^ 1
    if net.tie[down] or not net.open[back] or not is_active(net, state, down):
        return NO_WAY
    arc = other_arc(net, state, v, seed)
    if arc < 0 or is_below(net, state, down, net.head[arc]):
        return NO_WAY
    change = hang(net, state, v, arc)
    if change == NO_WAY or state.out[down] < 0:
        return NO_WAY
    return change + hang(net, state, down, back)
