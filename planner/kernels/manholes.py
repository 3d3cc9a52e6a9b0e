"""Passes a sewer through a pit: drops through its manhole, and what the pit costs."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from planner.kernels.programme import Drops, Filled, Groups, Pits, pit_price

Floats = NDArray[np.float64]
Shorts = NDArray[np.int32]


@njit(cache=True, nogil=True)
def _link_cheaper(values: Floats, cheaper: Shorts) -> None:
    """Link each level to the next lower one that is cheaper, -1 where none is.

    A level that is neither cheaper than a higher one nor higher than a cheaper one never wins: the
    best in a window is found from its top down along these links.
    """
    for i in range(len(values)):
        j = i - 1
        while j >= 0 and values[j] >= values[i]:
            j = cheaper[j]
        cheaper[i] = j


@njit(cache=True, nogil=True)
def _fall_freely(arrive: Floats, cheaper: Shorts, drop: int, free: int, out: Floats) -> None:
    """Cheapest arrival for each outgoing level without a drop structure."""
    last = len(arrive) - 1
    for w in range(len(out)):
        hi = min(w + free, last)
        if hi < w + drop:
            out[w] = np.inf
            continue
        k = hi
        while cheaper[k] >= w + drop:
            k = cheaper[k]
        out[w] = arrive[k]


@njit(cache=True, nogil=True)
def _fall_by_structure(arrive: Floats, least: int, drops: Drops, out: Floats) -> None:
    """Lower the arrivals where a drop structure, from a fall of ``least`` on, is cheaper."""
    size, cheapest, last = len(arrive), arrive.min(), -1
    for w in range(len(out)):
        if cheapest + drops.price + drops.price_level * least < out[w]:
            last = w
    queue = np.empty(size, np.int64)
    head, tail, seen = 0, 0, size
    for w in range(last, -1, -1):
        while seen > w + least and seen > 0:
            seen -= 1
            if seen > w + drops.most:
                continue
            key = arrive[seen] + drops.price_level * seen
            while (
                tail > head and arrive[queue[tail - 1]] + drops.price_level * queue[tail - 1] >= key
            ):
                tail -= 1
            queue[tail] = seen
            tail += 1
        while head < tail and queue[head] > w + drops.most:
            head += 1
        if head < tail:
            k = queue[head]
            out[w] = min(out[w], arrive[k] + drops.price + drops.price_level * (k - w))


@njit(cache=True, nogil=True)
def through_manhole(arrive: Floats, cheaper: Shorts, drop: int, drops: Drops, n: int) -> Floats:
    """Cheapest arrival for each outgoing level, by how far it may fall through the manhole.

    Parameters
    ----------
    arrive : (levels,)
        Cheapest way to arrive, by level.
    cheaper : (levels,)
        Next lower level that is cheaper.
    drop
        Least fall. [levels]
    drops
        Greatest falls, and the price of a drop structure.
    n
        Number of outgoing levels.
    """
    out = np.empty(n)
    _fall_freely(arrive, cheaper, drop, drops.free, out)
    if drops.most > drops.free:
        _fall_by_structure(arrive, max(drop, drops.free + 1), drops, out)
    return out


@njit(cache=True, nogil=True)
def close_pit(
    v: int, pits: Pits, groups: Groups, drops: Drops, arrive: Floats, filled: Filled
) -> None:
    """Write a pit's tables: by group that leaves, role and outgoing level.

    Parameters
    ----------
    v
        The pit.
    pits, groups, drops
        The instance.
    arrive : (groups that arrive, 2, levels)
        As `planner.kernels.relax.arrive_at` gives it.
    filled
        Tables, of which those of the pit are written.
    """
    n = pits.high[v] - pits.low[v] + 1
    if n <= 0 or groups.out_start[v] == groups.out_start[v + 1]:
        return
    first, size = groups.in_start[v], arrive.shape[2]
    outs = groups.out_start[v + 1] - groups.out_start[v]
    price = np.empty(n)
    for role in range(2):
        total = np.zeros((outs, pits.branches[v], n))
        total[:] = np.inf
        for g in range(arrive.shape[0]):
            values = arrive[g, role]
            if not np.isfinite(values.min()):
                continue
            cheaper = np.empty(size, np.int32)
            _link_cheaper(values, cheaper)
            made_for, made = -1, np.empty(0)
            for o in range(outs):
                out = groups.out_start[v] + o
                for pair in range(groups.turn_start[out], groups.turn_start[out + 1]):
                    if groups.turn_in[pair] != first + g:
                        continue
                    if groups.turn_drop[pair] != made_for:
                        made_for = groups.turn_drop[pair]
                        made = through_manhole(values, cheaper, made_for, drops, n)
                    into = total[o, groups.in_branch[first + g]]
                    for w in range(n):
                        into[w] = min(into[w], made[w])
        for w in range(n):
            price[w] = pit_price(pits, v, role, pits.low[v] + w)
        for o in range(outs):
            _write_table(v, groups.out_start[v] + o, role, total[o], price, pits, filled)


@njit(cache=True, nogil=True)
def _write_table(
    v: int, out: int, role: int, total: Floats, price: Floats, pits: Pits, filled: Filled
) -> None:
    """Write one table with its links and blocks."""
    n = len(price)
    start = filled.offset[out] + role * n
    values = filled.tables[start : start + n]
    for w in range(n):
        best = 0.0 if total.shape[0] > 0 else np.inf
        for branch in range(total.shape[0]):
            best += total[branch, w]
        values[w] = min(best, pits.price_head[v]) + price[w]
    live = filled.alive[2 * out + role]
    for w in range(n):
        if values[w] < np.inf:
            if live[0] > live[1]:
                live[0] = w
            live[1] = w
            filled.reached[v] = 1
