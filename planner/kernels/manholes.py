"""Passes a sewer through a pit: drops through its manhole, and what the pit costs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from planner.kernels.bounds import Budget
from planner.kernels.compiled import inner
from planner.kernels.desk import Desk
from planner.kernels.minima import Zone, fill_zone, first_rise, make_runs
from planner.kernels.programme import Drops, Filled, Groups, Pits

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@inner
def _fall(
    arrive: Floats, first: int, last: int, least: int, most: int, fixed: float, rate: float,
    upto: int, zone: Zone, keys: Floats, out: Floats,
) -> None:  # fmt: skip
    """Lower the prices of outgoing levels below one by what falls to them."""
    for k in range(last - first + 1):
        keys[k] = arrive[first + k] + rate * (first + k)
    rise = first_rise(keys, first * 0, last - first)
    start = rise - 1
    if rise <= last - first:
        fill_zone(keys, start, last - first, 0.0, zone)
    place, runs, power, made = zone.place, zone.runs, zone.power, zone.made
    for w in range(max(first - most, 0), min(upto, last - least + 1)):
        lo, hi = max(w + least - first, 0), min(w + most, last) - first
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


@inner
def _through_manhole(
    arrive: Floats, first: int, last: int, drop: int, drops: Drops, levels: int, zone: Zone,
    keys: Floats, out: Floats,
) -> None:  # fmt: skip
    """Set the cheapest arrival for each outgoing level, by how far it may fall in the manhole."""
    for w in range(levels):
        out[w] = np.inf
    if drop <= drops.free:
        _fall(arrive, first, last, drop, drops.free, 0.0, 0.0, levels, zone, keys, out)
    least = max(drop, drops.free + 1)
    if drops.most < least:
        return
    cheapest = np.inf
    for k in range(first, last + 1):
        cheapest = min(cheapest, arrive[k])
    cheapest += drops.price + drops.price_level * least
    upto = levels
    while upto > 0 and out[upto - 1] <= cheapest:
        upto -= 1
    fixed, rate = drops.price, drops.price_level
    _fall(arrive, first, last, least, drops.most, fixed, rate, upto, zone, keys, out)


@inner
def _set_prices(v: int, role: int, pits: Pits, levels: int, price: Floats) -> None:
    """Set a pit's price by outgoing level, as `planner.kernels.programme.pit_price` has it."""
    ground, under, low = pits.ground[v], pits.under[role], pits.low[v]
    fixed, rate = pits.price[v, role], pits.price_depth[v, role]
    for w in range(levels):
        price[w] = fixed + rate * (ground - (low + w) + under)
    for s in range(len(pits.step_depth)):
        from_depth, more = pits.step_depth[s], pits.step_price[s, role]
        for w in range(levels):
            if ground - (low + w) + under < from_depth:
                break
            price[w] += more


@inner
def close_pit(
    v: int, arrived: int, pits: Pits, groups: Groups, drops: Drops, filled: Filled, used: int,
    budget: Budget, desk: Desk,
) -> int:  # fmt: skip
    """Write a pit's tables: by group that leaves, role and outgoing level.

    Parameters
    ----------
    v
        The pit.
    arrived
        At how many levels something may arrive, as `planner.kernels.relax.arrive_at` gives it.
    pits, groups, drops
        The instance.
    filled
        Tables, of which those of the pit are written.
    used
        How many of their entries are written already.
    budget
        What a plan may cost at most: without bounds, tables have all levels of their pit, else
        those from the first to the last that can be of use.
    desk
        Room to work in; ``best`` says what arrives.

    Returns
    -------
    How many entries are written now.
    """
    begin = groups.out_start[v]
    outs = groups.out_start[v + 1] - begin
    n = max(pits.high[v] - pits.low[v] + 1, 0)
    nothing = arrived == 0 and pits.price_head[v] == np.inf
    for role in range(2):
        if nothing:
            break
        _sum_strings(v, role, arrived, pits, groups, drops, filled, budget, desk)
        _set_prices(v, role, pits, n, desk.price)
        for o in range(outs):
            most = np.inf
            if budget.most < np.inf:
                most = budget.most - budget.bounds.rest[2 * (begin + o) + role]
            _sum_pit(
                pits.price_head[v], pits.branches[v], n, most, desk.price, desk.total[o],
                desk.values[o, role],
            )  # fmt: skip
    for o in range(outs):
        if nothing:
            for role in range(2):
                for w in range(n):
                    desk.values[o, role, w] = np.inf
        used = _write_tables(v, begin + o, n, desk.values[o], budget.bounds.above, filled, used)
    return used


@inner
def _sum_strings(
    v: int, role: int, arrived: int, pits: Pits, groups: Groups, drops: Drops, filled: Filled,
    budget: Budget, desk: Desk,
) -> None:  # fmt: skip
    """Set the least price of each string that arrives, by group that leaves and outgoing level."""
    first, begin = groups.in_start[v], groups.out_start[v]
    n, outs = max(pits.high[v] - pits.low[v] + 1, 0), groups.out_start[v + 1] - begin
    total, made = desk.total, desk.made
    for o in range(outs):
        for k in range(pits.branches[v]):
            for w in range(n):
                total[o, k, w] = np.inf
    if arrived == 0:
        return
    for g in range(first, groups.in_start[v + 1]):
        most = np.inf
        if budget.most < np.inf:
            most = budget.most - budget.bounds.beyond[2 * g + role]
        arrive = desk.best[g - first, role]
        low, high = _live_of(arrive, arrived, most)
        if low > high:
            continue
        filled.arrived[g] = True
        made_for = g * 0 - 1
        for o in range(outs):
            for pair in range(groups.turn_start[begin + o], groups.turn_start[begin + o + 1]):
                if groups.turn_in[pair] != g:
                    continue
                if groups.turn_drop[pair] != made_for:
                    made_for = groups.turn_drop[pair]
                    _through_manhole(
                        arrive, low, high, made_for, drops, n, desk.zone, desk.keys, made
                    )
                into = total[o, groups.in_branch[g]]
                for w in range(n):
                    into[w] = min(into[w], made[w])


@inner
def _sum_pit(
    head: float, count: int, levels: int, most: float, price: Floats, strings: Floats,
    values: Floats,
) -> None:  # fmt: skip
    """Set the least price of everything at and above a pit, infinite where it is too much."""
    for w in range(levels):
        arrive = strings[0, w] if count > 0 else np.inf
        for k in range(1, count):
            arrive += strings[k, w]
        value = min(head, arrive) + price[w]
        values[w] = value if value <= most else np.inf


@inner
def _live_of(values: Floats, levels: int, most: float) -> tuple[int, int]:
    """First and last level with a price up to the greatest; the first is greater without any."""
    first, last = levels * 0, levels - 1
    while last >= 0 and (values[last] == np.inf or values[last] > most):
        last -= 1
    while first <= last and (values[first] == np.inf or values[first] > most):
        first += 1
    return first, last


@inner
def _write_tables(
    v: int, out: int, levels: int, values: Floats, above: Floats, filled: Filled, used: int
) -> int:
    """Write the tables of both roles, and what is known of them; without bounds all levels."""
    first, last = levels, levels * 0 - 1
    for role in range(2):
        low, high = _live_of(values[role], levels, np.inf)
        filled.alive[2 * out + role, 0], filled.alive[2 * out + role, 1] = low, high
        if low <= high:
            filled.reached[v] = 1
            filled.rise[2 * out + role] = first_rise(values[role], low, high)
            first, last = min(first, low), max(last, high)
    if len(above) == 0:
        first, last = levels * 0, levels - 1
    size = max(last - first + 1, 0)
    filled.offset[out] = used
    filled.span[out, 0], filled.span[out, 1] = first, size
    for role in range(2):
        for k in range(size):
            filled.tables[used] = values[role, first + k]
            used += 1
    if len(above) > 0:
        _set_lateness(out, filled, above)
    return used


@inner
def _set_lateness(out: int, filled: Filled, above: Floats) -> None:
    """Set how much the least of a group's tables lies above its bound, at least."""
    late = np.inf
    at = filled.offset[out]
    for role in range(2):
        least = np.inf
        for _ in range(filled.span[out, 1]):
            least = min(least, filled.tables[at])
            at += 1
        if least < np.inf:
            late = min(late, least - above[2 * out + role])
    filled.late[out] = late
