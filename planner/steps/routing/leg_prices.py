"""Prices of legs by drive, in the form the programme needs."""

from __future__ import annotations

import numpy as np

from planner.kernels.leg_drives import price_drives
from planner.kernels.programme import DRIVES
from planner.model import Floats
from planner.records import Bools, Ints
from planner.steps.routing.given import Given


def price_legs(
    given: Given, pipe: int, ends: tuple[Ints, Ints], kind: tuple[Floats, Bools], houses: Floats
) -> tuple[Floats, Floats]:
    """Price of legs of one drive by drive, and per level of depth at either end.

    Parameters
    ----------
    given
        What the route is chosen from.
    pipe
        Number of their pipe.
    ends
        Upper and lower pits, each (legs,).
    kind
        Length [m], and ways in which each may be driven (legs, 2).
    houses : (legs,)
        Price of the connections that each serves.

    Returns
    -------
    price : (legs, 4)
        Infinite where a leg may not be driven so.
    price_depth : (legs, 4, 2)
    """
    (up, down), (length, ways) = ends, kind
    step, prices = given.site.project.level_step, given.prices
    price, depth = np.empty((len(up), DRIVES)), np.empty((len(up), DRIVES, 2))
    per_m = float(prices.leg[pipe])
    rates = per_m, per_m + prices.downgrade, float(prices.leg_depth[pipe]) / 2 * step
    price_drives(up, down, length, ways, houses, prices.face, rates, price, depth)
    return price, depth
