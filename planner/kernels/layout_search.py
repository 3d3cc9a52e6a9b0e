"""Improves a layout by annealing: many small changes, at first also some for the worse."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import helper, kernel, leaf
from planner.kernels.layout_instance import ENDED, Net
from planner.kernels.layout_moves import (
    NO_WAY,
    Seeds,
    change_end,
    draw,
    hang,
    is_active,
    other_arc,
    put_to_sleep,
    turn,
    wake,
)
from planner.kernels.layout_paths import Work, insert_path, serve_elsewhere
from planner.kernels.layout_tree import State, is_below, price_all, take_back

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Best(NamedTuple):
    """The best layout so far."""

    use: Ints  # (links,)
    out: Ints  # (nodes,)
    cost: Floats  # (1,)


@leaf
def try_one(  # noqa: PLR0911  # one line a kind of change
    net: Net, state: State, seed: Seeds, work: Work
) -> float:
    """Make one random change; its change in price, infinite where it cannot be made."""
    e = int(draw(seed) * len(net.required))
    use = state.use[e]
    kind = draw(seed)
    if 0 <= use < ENDED:
        v = net.tail[2 * e + use]
        if kind < 0.3:
            return put_to_sleep(net, state, v, seed)
        if kind < 0.5:
            return turn(net, state, v, seed)
        if kind < 0.8:
            arc = other_arc(net, state, v, seed)
            return NO_WAY if arc < 0 else hang(net, state, v, arc)
        return insert_path(net, state, v, seed, work)
    if use >= ENDED and kind < 0.35:
        way = ENDED + int(draw(seed) * 3)
        if way == use or not math.isfinite(net.end_price[3 * e + way - ENDED]):
            return NO_WAY
        return change_end(net, state, e, way)
    arc = 2 * e + int(draw(seed) * 2)
    v, down = net.tail[arc], net.head[arc]
    if use >= ENDED and kind < 0.5 and not is_active(net, state, down):
        return serve_elsewhere(net, state, e, arc & 1, seed, work)
    if not net.open[arc]:
        return NO_WAY
    if not is_active(net, state, down):
        if state.out[v] >= 0 and kind > 0.8:
            return insert_path(net, state, v, seed, work)
        return NO_WAY
    if state.out[v] >= 0:
        return NO_WAY if is_below(net, state, v, down) else hang(net, state, v, arc)
    return wake(net, state, v, arc, seed)


@kernel
def anneal(
    net: Net,
    state: State,
    best: Best,
    seed: Seeds,
    work: Work,
    steps: int,
    hot: float,
    cold: float,
) -> float:
    """Make random changes while the temperature falls; the price of the last layout.

    Parameters
    ----------
    net
        The instance.
    state
        The layout to start from; changed.
    best
        The best layout so far; changed where a better one is found.
    seed : (1,)
        State of the random numbers; changed.
    work
        Memory to work in.
    steps
        Changes to try.
    hot, cold
        Temperature at the start and at the end, in the unit of prices.
    """
    total = price_all(net, state)
    if total < best.cost[0]:
        best.cost[0] = total
        best.use[:], best.out[:] = state.use, state.out
    limit = len(state.log_kind)
    saved = True
    for step in range(steps):
        heat = hot * (cold / hot) ** (step / steps)
        change = try_one(net, state, seed, work)
        if state.logged[0] > limit:  # too much to take back: go on from the best
            state.use[:], state.out[:] = best.use, best.out
            total = price_all(net, state)
            continue
        if change == NO_WAY or (change > 0 and draw(seed) >= math.exp(-change / heat)):
            take_back(state)
            continue
        if change > 0 and not saved and total < best.cost[0] - 1e-6:
            here = state.logged[0]
            _save_before(state, best, here)
            best.cost[0] = total
        total += change
        saved = total >= best.cost[0] - 1e-6
        state.logged[0] = 0
    if total < best.cost[0] - 1e-6:
        best.cost[0] = total
        best.use[:], best.out[:] = state.use, state.out
    return total


@helper
def _save_before(state: State, best: Best, logged: int) -> None:
    """Keep the layout as it was before the changes in the log."""
    best.use[:], best.out[:] = state.use, state.out
    for k in range(logged - 1, -1, -1):
        if state.log_kind[k] == 0:
            best.use[state.log_at[k]] = int(state.log_was[k])
        elif state.log_kind[k] == 1:
            best.out[state.log_at[k]] = int(state.log_was[k])
