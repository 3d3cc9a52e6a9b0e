"""Prices of legs by drive, in the form the programme needs."""

from __future__ import annotations

import numpy as np

from planner.kernels.programme import DOWN, DRIVES, LOWER_ROLE, UP_TO_EXIT, UP_TO_LAUNCH, UPPER_ROLE
from planner.model import Floats
from planner.records import Bools, Ints
from planner.steps.routing.given import Given

ONE_DRIVE = (UP_TO_EXIT, UP_TO_LAUNCH, DOWN)


def price_legs(
    given: Given, ends: tuple[Ints, Ints], kind: tuple[Floats, Bools, Ints], houses: Floats
) -> tuple[Floats, Floats]:
    """Price of legs of one drive by drive, and per level of depth at either end.

    Parameters
    ----------
    given
        What the route is chosen from.
    ends
        Upper and lower pits, each (legs,).
    kind
        Length [m], ways in which each may be driven (legs, 2), and pipe.
    houses : (legs,)
        Price of the connections that each serves.

    Returns
    -------
    price : (legs, 4)
        Infinite where a leg may not be driven so.
    price_depth : (legs, 4, 2)
    """
    (up, down), (length, ways, pipe) = ends, kind
    step, prices = given.site.project.level_step, given.prices
    price, depth = np.full((len(up), DRIVES), np.inf), np.zeros((len(up), DRIVES, 2))
    for drive in ONE_DRIVE:
        bored = length - prices.face[up, UPPER_ROLE[drive]] - prices.face[down, LOWER_ROLE[drive]]
        per_m = prices.leg[pipe] + (prices.downgrade if drive == DOWN else 0.0)
        depth[:, drive] = (bored * prices.leg_depth[pipe] / 2 * step)[:, None]
        allowed = ways[:, 1 if drive == DOWN else 0]
        price[:, drive] = np.where(allowed, bored * per_m + houses, np.inf)
    return price, depth
