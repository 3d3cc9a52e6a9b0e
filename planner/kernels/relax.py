"""Updates a pit's arrivals from its legs: least prices over windows of the upper pits' tables.

Blocks of arrival levels that a leg cannot make cheaper are passed over: over a block, the best so
far lies under one line, the leg's price over another. So are legs and blocks that no plan within
the budget can use.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from planner.kernels.bounds import Budget
from planner.kernels.compiled import inner, whole
from planner.kernels.desk import Desk
from planner.kernels.limits import Limits, draw_limits, highest_arrival, limit_block, mark_edges
from planner.kernels.minima import Zone, fill_zone, make_runs
from planner.kernels.programme import (
    BLOCK,
    BLOCK_BITS,
    DRIVES,
    FAR,
    LOWER_ROLE,
    UPPER_ROLE,
    Filled,
    Groups,
    Legs,
    Pits,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Way(NamedTuple):
    """A leg driven in one way; levels of an end count from the first of its pit's table."""

    first: int  # first level of the upper pit that can be served
    last: int
    rise: int  # first level at which the upper pit's table rises
    shift: int  # what the lower pit's lowest level lies above the upper pit's
    fall0: int  # least fall
    fall1: int  # greatest
    fixed: float  # price at the lowest levels
    up: float  # per level that the upper end lies higher
    down: float  # likewise the lower end
    most: float  # price beyond which an arrival is of no use


@inner
def _relax_banded(
    way: Way, values: Floats, zone: Zone, limits: Limits, bands: int, i0: int, i1: int, best: Floats
) -> bool:
    """Update the arrivals from one to another by a leg that passes services above or below."""
    top, below, above = limits.top, limits.below, limits.above
    runs, power = zone.runs, zone.power
    start = max(way.rise - 1, way.first)
    if min(i1 + way.shift + way.fall1, way.last, top[i0]) >= way.rise:
        make_runs(zone)
    changed = False
    for i in range(i0, i1 + 1):
        lo = max(i + way.shift + way.fall0, way.first)
        hi = min(i + way.shift + way.fall1, way.last, top[i])
        found = np.inf
        for k in range(bands + 1):
            upto = min(below[k, i], hi) if k < bands else hi
            if lo <= upto < way.rise:
                found = min(found, values[upto] - way.up * upto)
            elif lo <= upto:
                m, j = max(lo, start) - start, upto - start
                r = power[j - m + 1]
                found = min(found, runs[r, m], runs[r, j - (1 << r) + 1])
            if k < bands:
                lo = max(lo, above[k, i])
        cost = way.fixed - way.down * i + found
        if cost < best[i]:
            best[i] = cost
            changed = True
    return changed


@inner
def _highest_over(best: Floats, a: int, b: int, slope: float) -> float:
    """Greatest of ``best - slope x (level - a)`` from a to b."""
    most = best[b] - slope * (b - a)
    for i in range(a, b):
        over = best[i] - slope * (i - a)
        most = max(most, over)
    return float(most)


@inner
def _draw_line(best: Floats, first: int, span: Ints, line: Floats) -> None:
    """Set the levels of a block that are reached one after another, and a line above them."""
    last = min(first + BLOCK, len(best)) - 1
    a, b = first, last
    if span[0] != a or span[1] != b:
        while a <= last and best[a] == np.inf:
            a += 1
        b = a
        while b < last and best[b + 1] < np.inf:
            b += 1
        span[0], span[1] = a, b
        if a > last:
            return
    slope = (best[b] - best[a]) / max(b - a, 1)
    most = _highest_over(best, a, b, slope)
    line[0] = most + slope * (first - a)
    line[1] = most + slope * (first + BLOCK - 1 - a)


@inner
def _relax(
    leg: int, way: Way, bands: int, reach: int, values: Floats, zone: Zone, limits: Limits,
    best: Floats, spans: Ints, lines: Floats,
) -> None:  # fmt: skip
    """Update arrivals up to a level by a leg driven in one way."""
    keys, place, runs, power = zone.keys, zone.place, zone.runs, zone.power
    top, edge, limited, made = limits.top, limits.edge, limits.made, zone.made
    rise, last, fixed, up, down = way.rise, way.last, way.fixed, way.up, way.down
    dearest = way.most
    least, most = way.shift + way.fall0, way.shift + way.fall1
    start = max(rise - 1, way.first)
    bottom = max(0, way.first - most)
    end = -1  # of the zone, if it is made
    beyond = way.first - 1  # highest start at the lowest arrival of the block above
    for b in range(reach >> BLOCK_BITS, (bottom >> BLOCK_BITS) - 1, -1):
        block = b << BLOCK_BITS
        i0, i1 = max(block, bottom), min(block + BLOCK - 1, reach)
        hi, flat = min(i1 + most, last, edge[b]), beyond
        beyond = edge[b]
        if hi < max(i0 + least, way.first):
            continue
        lowest = start
        if hi < rise:
            found, lowest = values[hi] - up * hi, hi
        else:
            if end < 0:
                end = min(last, reach + most, edge[0])
                fill_zone(values, start, end, up, zone)
            lowest = start + place[hi - start]
            found = keys[lowest - start]
        if (
            fixed - down * i1 + found > dearest
            or (
                spans[b, 0] <= i0 and i1 <= spans[b, 1]
                and fixed - down * block + found >= lines[b, 0]
                and fixed - down * (block + BLOCK - 1) + found >= lines[b, 1]
            )
        ):  # fmt: skip
            continue
        if bands == 0 and flat >= hi and i0 + most >= hi and lowest >= i1 + least:
            for i in range(i0, i1 + 1):  # one start is the best for all of them
                cost = fixed - down * i + found
                best[i] = min(best[i], cost)
            _draw_line(best, block, spans[b], lines[b])
            continue
        if limited[b] != leg:
            limit_block(leg, bands, block, len(best), limits)
        if bands > 0:
            if _relax_banded(way, values, zone, limits, bands, i0, i1, best):
                _draw_line(best, block, spans[b], lines[b])
            continue
        changed = False
        for i in range(i0, i1 + 1):
            lo = max(i + least, way.first)
            hi = min(i + most, last, top[i])
            if hi < lo:
                continue
            if hi < rise:
                found = values[hi] - up * hi
            elif start + place[hi - start] >= lo:
                found = keys[place[hi - start]]
            else:
                if not made[1]:
                    make_runs(zone)
                k, j = max(lo, start) - start, hi - start
                r = power[j - k + 1]
                found = min(runs[r, k], runs[r, j - (1 << r) + 1])
            cost = fixed - down * i + found
            if cost < best[i]:
                best[i] = cost
                changed = True
        if changed:
            _draw_line(best, block, spans[b], lines[b])


@inner
def _sort_legs(
    v: int, pits: Pits, legs: Legs, filled: Filled, most: float, least: Floats, order: Ints,
    cost: Floats,
) -> int:  # fmt: skip
    """Put the legs into a pit that a plan may use in order, those first that are cheap halfway up.

    Returns how many there are.
    """
    up, group, price, rates = legs.up, legs.out_group, legs.price, legs.price_depth
    tables, alive, rise = filled.tables, filled.alive, filled.rise
    low, ground = pits.low, pits.ground
    middle = (low[v] + pits.arrive_high[v]) // 2
    count = whole(0)
    for leg in range(legs.start[v], legs.start[v + 1]):
        u, out, cheapest = up[leg], group[leg], np.inf
        if len(least) > 0 and least[leg] + filled.late[out] > most:
            continue
        for drive in range(DRIVES):
            table = 2 * out + UPPER_ROLE[drive]
            if price[leg, drive] == np.inf or alive[table, 0] > alive[table, 1]:
                continue
            hi = min(alive[table, 1], middle + legs.most_fall[leg] - low[u])
            start = filled.offset[out] + UPPER_ROLE[drive] * filled.span[out, 1]
            at = max(min(hi, rise[table] - 1), alive[table, 0]) - filled.span[out, 0]
            value = tables[start + at]
            value += price[leg, drive] + rates[leg, drive, 0] * (ground[u] - low[u] - hi)
            cheapest = min(cheapest, value + rates[leg, drive, 1] * (ground[v] - middle))
        if cheapest == np.inf:
            continue
        k = count
        while k > 0 and cost[k - 1] > cheapest:
            cost[k], order[k] = cost[k - 1], order[k - 1]
            k -= 1
        cost[k], order[k] = cheapest, leg
        count += 1
    return int(count)


@inner
def arrive_at(
    v: int, pits: Pits, groups: Groups, legs: Legs, filled: Filled, budget: Budget, desk: Desk
) -> int:
    """Set the cheapest way to arrive at a pit, by group, role and level.

    Parameters
    ----------
    v
        The pit.
    pits, groups, legs
        The instance.
    filled
        Tables of all pits above.
    budget
        What a plan may cost at most: of dearer ones a price may be missing.
    desk
        Room to work in, of which ``best`` is set.

    Returns
    -------
    How many levels are set, none where nothing arrives.
    """
    first = groups.in_start[v]
    count = _sort_legs(v, pits, legs, filled, budget.most, budget.bounds.leg, desk.order, desk.cost)
    n = max(pits.arrive_high[v] - pits.low[v] + 1, 0)
    if count == 0 or n == 0:
        return 0
    _clear(groups.in_start[v + 1] - first, n, desk.best, desk.spans, desk.limits.made)
    limits = desk.limits
    alive, rises, price, rates = filled.alive, filled.rise, legs.price, legs.price_depth
    for k in range(count):
        leg = desk.order[k]
        u, group, g = legs.up[leg], legs.out_group[leg], legs.in_group[leg] - first
        begin, size = filled.span[group, 0], filled.span[group, 1]
        low_up, low_down = pits.low[u] + begin, pits.low[v]
        shift, least = low_down - low_up, legs.least_fall[leg]
        rows = legs.rows[leg]
        bands = legs.band_start[rows + 1] - legs.band_start[rows]
        reach = whole(-1)
        for drive in range(DRIVES):
            table, r = 2 * group + UPPER_ROLE[drive], LOWER_ROLE[drive]
            if price[leg, drive] == np.inf or alive[table, 0] > alive[table, 1]:
                continue
            if reach < 0:
                reach = math.floor(min(highest_arrival(legs, leg) - low_down, float(n - 1)))
                if reach < 0:
                    break
                draw_limits(legs, leg, low_up, low_down, limits)
                mark_edges(reach, limits)
            start = filled.offset[group] + UPPER_ROLE[drive] * size
            up, down = rates[leg, drive, 0], rates[leg, drive, 1]
            fixed = up * (pits.ground[u] - low_up) + down * (pits.ground[v] - low_down)
            most = np.inf
            if budget.most < np.inf:
                most = budget.most - budget.bounds.beyond[2 * (first + g) + r]
            way = Way(
                alive[table, 0] - begin, alive[table, 1] - begin,
                (rises[table] if up >= 0.0 else alive[table, 0]) - begin,
                shift, least, legs.most_fall[leg], price[leg, drive] + fixed, up, down, most,
            )  # fmt: skip
            _relax(
                leg, way, bands, min(reach, way.last - least - shift),
                filled.tables[start : start + size], desk.zone, limits, desk.best[g, r, :n],
                desk.spans[g, r], desk.lines[g, r],
            )  # fmt: skip
    return int(n)


@inner
def _clear(groups: int, levels: int, best: Floats, spans: Ints, made: Ints) -> None:
    """Let nothing arrive yet."""
    blocks = (levels + BLOCK - 1) >> BLOCK_BITS
    for g in range(groups):
        for r in range(2):
            for k in range(levels):
                best[g, r, k] = np.inf
            for b in range(blocks):
                spans[g, r, b, 0], spans[g, r, b, 1] = FAR, -FAR
    for b in range(len(made)):
        made[b] = -1
