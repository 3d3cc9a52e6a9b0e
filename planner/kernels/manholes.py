"""Passes a sewer through a pit: drops through its manhole, and what the pit costs."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from planner.kernels.minima import Zone, fill_zone, first_rise, make_runs
from planner.kernels.programme import Drops, Filled, Groups, Pits

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@njit(cache=True, nogil=True)
def _fall(
    arrive: Floats, live: tuple[int, int], falls: tuple[int, int], price: tuple[float, float],
    upto: int, zone: Zone, out: Floats,
) -> None:  # fmt: skip
    """Lower the prices of outgoing levels below one by what falls to them."""
    first, last = live
    fixed, rate = price
    keys = arrive[first : last + 1] + rate * np.arange(first, last + 1)
    rise = first_rise(keys, 0, last - first)
    start = rise - 1
    if rise <= last - first:
        fill_zone(keys, start, last - first, 0.0, zone)
    place, runs, power, made = zone.place, zone.runs, zone.power, zone.made
    for w in range(max(first - falls[1], 0), min(upto, last - falls[0] + 1)):
        lo, hi = max(w + falls[0] - first, 0), min(w + falls[1], last) - first
        if hi < rise:
            key = keys[hi]
        else:
            k = start + place[hi - start]
            if k >= lo:
                key = keys[k]
            else:
                if not made[1]:
                    make_runs(zone)
                k, j = max(lo, start) - start, hi - start
                r = power[j - k + 1]
                key = min(runs[r, k], runs[r, j - (1 << r) + 1])
        key += fixed - rate * w
        out[w] = min(out[w], key)


@njit(cache=True, nogil=True)
def _through_manhole(
    arrive: Floats, live: tuple[int, int], drop: int, drops: Drops, zone: Zone, out: Floats
) -> None:
    """Set the cheapest arrival for each outgoing level, by how far it may fall in the manhole."""
    out[:] = np.inf
    if drop <= drops.free:
        _fall(arrive, live, (drop, drops.free), (0.0, 0.0), len(out), zone, out)
    least = max(drop, drops.free + 1)
    if drops.most < least:
        return
    cheapest = arrive[live[0] : live[1] + 1].min() + drops.price + drops.price_level * least
    upto = len(out)
    while upto > 0 and out[upto - 1] <= cheapest:
        upto -= 1
    price = drops.price, drops.price_level
    _fall(arrive, live, (least, drops.most), price, upto, zone, out)


@njit(cache=True, nogil=True)
def _set_prices(v: int, role: int, pits: Pits, price: Floats) -> None:
    """Set a pit's price by outgoing level, as `planner.kernels.programme.pit_price` has it."""
    ground, under, low = pits.ground[v], pits.under[role], pits.low[v]
    fixed, rate = pits.price[v, role], pits.price_depth[v, role]
    for w in range(len(price)):
        price[w] = fixed + rate * (ground - (low + w) + under)
    for s in range(len(pits.step_depth)):
        from_depth, more = pits.step_depth[s], pits.step_price[s, role]
        for w in range(len(price)):
            if ground - (low + w) + under < from_depth:
                break
            price[w] += more


@njit(cache=True, nogil=True)
def close_pit(
    v: int, pits: Pits, groups: Groups, drops: Drops, arrive: Floats, filled: Filled, zone: Zone
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
    zone
        Room to work in.
    """
    n = pits.high[v] - pits.low[v] + 1
    outs = groups.out_start[v + 1] - groups.out_start[v]
    if n <= 0 or outs == 0:
        return
    first = groups.in_start[v]
    price, made = np.empty(n), np.empty(n)
    total = np.empty((outs, pits.branches[v], n))
    for role in range(2):
        total[:] = np.inf
        for g in range(arrive.shape[0]):
            live = _live_of(arrive[g, role])
            if live[0] > live[1]:
                continue
            filled.arrived[first + g] = True
            made_for = -1
            for o in range(outs):
                out = groups.out_start[v] + o
                for pair in range(groups.turn_start[out], groups.turn_start[out + 1]):
                    if groups.turn_in[pair] != first + g:
                        continue
                    if groups.turn_drop[pair] != made_for:
                        made_for = groups.turn_drop[pair]
                        _through_manhole(arrive[g, role], live, made_for, drops, zone, made)
                    into = total[o, groups.in_branch[first + g]]
                    for w in range(n):
                        into[w] = min(into[w], made[w])
        _set_prices(v, role, pits, price)
        for o in range(outs):
            _write_table(v, groups.out_start[v] + o, role, total[o], price, pits, filled)


@njit(cache=True, nogil=True)
def _live_of(values: Floats) -> tuple[int, int]:
    """First and last level with a price, (1, 0) if there is none."""
    first, last = 0, len(values) - 1
    while last >= 0 and values[last] == np.inf:
        last -= 1
    if last < 0:
        return 1, 0
    while values[first] == np.inf:
        first += 1
    return first, last


@njit(cache=True, nogil=True)
def _write_table(
    v: int, out: int, role: int, total: Floats, price: Floats, pits: Pits, filled: Filled
) -> None:
    """Write one table, and what is known of it."""
    n = len(price)
    start = filled.offset[out] + role * n
    values = filled.tables[start : start + n]
    head = pits.price_head[v]
    for w in range(n):
        arrive = total[0, w] if len(total) > 0 else np.inf
        for branch in range(1, len(total)):
            arrive += total[branch, w]
        values[w] = (min(head, arrive)) + price[w]
    live = filled.alive[2 * out + role]
    live[0], live[1] = _live_of(values)
    if live[0] <= live[1]:
        filled.reached[v] = 1
        filled.rise[2 * out + role] = first_rise(values, live[0], live[1])
