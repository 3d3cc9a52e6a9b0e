"""Room to work in, made once for all pits: kernels that make no arrays need no counting of them."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from planner.kernels.limits import Limits, make_limits
from planner.kernels.minima import Zone, make_zone
from planner.kernels.programme import BLOCK_BITS, Groups, Legs, Pits

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Desk(NamedTuple):
    """Room for one pit at a time, as much as the largest needs."""

    zone: Zone
    limits: Limits
    order: Ints  # (legs into a pit,) legs in the order in which they are looked at
    cost: Floats  # (legs into a pit,) that the order is by
    best: Floats  # (in groups, 2, levels) cheapest way to arrive, by role
    spans: Ints  # (in groups, 2, blocks, 2) levels reached one after another, block by block
    lines: Floats  # (in groups, 2, blocks, 2) a line above the best at either end of a block
    total: Floats  # (out groups, strings, levels) cheapest way to arrive and leave
    values: Floats  # (out groups, 2, levels) cheapest of all at and above the pit
    price: Floats  # (levels,) of the pit
    made: Floats  # (levels,) what arrives by one group, by outgoing level
    keys: Floats  # (levels,)


def make_desk(pits: Pits, groups: Groups, legs: Legs) -> Desk:
    """Room to work in.

    Parameters
    ----------
    pits, groups, legs
        The instance.
    """
    highest = np.maximum(pits.high, pits.arrive_high)
    levels = max(int((highest - pits.low).max(initial=0)) + 1, 1)
    arriving = int(np.diff(groups.in_start).max(initial=0))
    leaving = int(np.diff(groups.out_start).max(initial=0))
    most = int(np.diff(legs.start).max(initial=0))
    blocks = (levels >> BLOCK_BITS) + 1
    return Desk(
        make_zone(levels), make_limits(legs, levels), np.empty(most, np.int64), np.empty(most),
        np.empty((arriving, 2, levels)), np.empty((arriving, 2, blocks, 2), np.int64),
        np.empty((arriving, 2, blocks, 2)),
        np.empty((leaving, int(pits.branches.max(initial=0)), levels)),
        np.empty((leaving, 2, levels)), np.empty(levels), np.empty(levels), np.empty(levels),
    )  # fmt: skip
