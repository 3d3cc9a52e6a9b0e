"""The exact programme: cheapest pits, legs, inverts and drive directions on given candidates.

A pit has a range of levels, on the printed grid, at which its sewer may leave it. A leg joins the
outgoing level z of its upper pit with the level a at which it arrives at its lower pit. What it
may do is linear in the two (`planner.kernels.rows`), and its price is a constant plus a sum per
level of mean depth, so it splits into a part of each end: the cheapest z for every a is a minimum
over a window that moves steadily, found in time linear in the number of levels.

This module holds the records; `planner.kernels.leg_rows` says what a leg may do,
`planner.kernels.relax` updates a pit from its legs with the limits of `planner.kernels.limits` and
the least values of `planner.kernels.minima`, `planner.kernels.manholes` passes a sewer through a
pit, `planner.kernels.tables` runs them all and traces the optimum. `planner.kernels.bounds` says
what no cheap plan can use, `planner.kernels.optimum` what is therefore left out.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import leaf

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

EXIT, LAUNCH = 0, 1  # what a pit is built for
DRIVES = 4
UP_TO_EXIT, UP_TO_LAUNCH, DOWN, FROM_BETWEEN = range(DRIVES)
# upgrade to an exit pit; upgrade to a pit that launches another drive; downgrade; both ways from a
# launch pit between the two
UPPER_ROLE = (EXIT, LAUNCH, LAUNCH, EXIT)  # by drive
LOWER_ROLE = (LAUNCH, LAUNCH, EXIT, EXIT)
BLOCK_BITS = 6
BLOCK = 1 << BLOCK_BITS  # levels that are looked at together
GUARD = 1e-9  # [levels] what rounding may spoil of a row
FAR = 1 << 40  # [levels] beyond any level


class Pits(NamedTuple):
    """Candidate pits, in an order where everything upstream comes first."""

    low: Ints  # (pits,) lowest level that may leave
    high: Ints  # (pits,) highest
    arrive_high: Ints  # (pits,) highest level that may arrive
    ground: Floats  # (pits,) [levels]
    price: Floats  # (pits, 2) by role: fixed sum
    price_depth: Floats  # (pits, 2) by role: per level of depth below the ground
    price_head: Floats  # (pits,) extra when nothing arrives, infinite if something must
    branches: Ints  # (pits,) number of strings that must all arrive, when any does
    step_depth: Floats  # (steps,) depth from which a further sum is due [levels]
    step_price: Floats  # (steps, 2) that sum, by role
    under: Floats  # (2,) by role: floor below the outgoing level [levels]


class Groups(NamedTuple):
    """Legs at a pit that leave, or arrive, in nearly one direction.

    Group numbers run through all pits. ``turn`` pairs list for each group that leaves the groups
    that may arrive with it, and the drop that the rules then ask for.
    """

    out_start: Ints  # (pits + 1,)
    in_start: Ints  # (pits + 1,)
    in_branch: Ints  # (in groups,) which of the pit's strings the group belongs to
    turn_start: Ints  # (out groups + 1,)
    turn_in: Ints  # (pairs,)
    turn_drop: Ints  # (pairs,) [levels]


class Legs(NamedTuple):
    """Candidate legs, sorted by their lower pit."""

    start: Ints  # (pits + 1,) first leg into each pit
    up: Ints  # (legs,) upper pit
    out_group: Ints  # (legs,) at the upper pit
    in_group: Ints  # (legs,) at the lower pit
    least_fall: Ints  # (legs,) [levels]
    most_fall: Ints  # (legs,) [levels]
    price: Floats  # (legs, 4) by drive: constant part, infinite if it may not be driven so
    price_depth: Floats  # (legs, 4, 2) by drive: per level of depth at its upper, lower end
    rows: Ints  # (legs,) which set of rows and bands it has; legs may share one
    row_start: Ints  # (sets + 1,)
    row_t: Floats  # (rows,)
    row_h: Floats  # (rows,) [levels]
    band_start: Ints  # (sets + 1,)
    band_low: Ints  # (bands + 1,)
    band_high: Ints  # (bands + 1,)
    band_t: Floats
    band_h: Floats  # [levels]


class Filled(NamedTuple):
    """What the programme knows when it has run from the heads to the roots."""

    offset: Ints  # (out groups,) where each group's tables begin: the exit pit's, the launch pit's
    span: Ints  # (out groups, 2) first level in them, from the pit's lowest, and number of levels
    tables: Floats  # (entries,) cheapest price of everything at and above a pit
    alive: Ints  # (2 x out groups, 2) first and last level that can be served, from the lowest
    rise: Ints  # (2 x out groups,) level from which a table no longer falls as it rises
    late: Floats  # (out groups,) what the least of its tables is above its bound at least
    reached: Ints  # (pits,) 1 where some level of the pit can be served
    arrived: Bools  # (in groups,) whether anything arrives by the group


class Drops(NamedTuple):
    """Falls through a manhole."""

    free: int  # greatest fall without a drop structure [levels]
    most: int  # greatest fall with one [levels]
    price: float
    price_level: float  # per level of fall


@leaf
def pit_price(pits: Pits, v: int, role: int, level: int) -> float:
    """Price of a pit by role and outgoing level.

    Parameters
    ----------
    pits
        The pits.
    v
        Which one.
    role
        `EXIT` or `LAUNCH`.
    level
        Outgoing level.
    """
    depth = pits.ground[v] - level + pits.under[role]
    price = pits.price[v, role] + pits.price_depth[v, role] * depth
    for s in range(len(pits.step_depth)):
        if depth >= pits.step_depth[s]:
            price += pits.step_price[s, role]
    return float(price)
