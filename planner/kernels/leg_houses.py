"""Houses whose connections drain to a leg: what that asks of its levels, and what it costs."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import inner, leaf, spliced
from planner.kernels.hull import add_to_hull
from planner.kernels.leg_records import Houses, LegEnds

Floats = NDArray[np.float64]

END_MARGIN = 1.5  # [m] a house joins a leg at least this far from its pits


@inner
def _join(x: float, y: float, ends: Floats, length: float) -> tuple[float, float]:
    """Where along a leg a house joins it, from 0 to 1, and how far away that is."""
    dx, dy, margin = ends[2] - ends[0], ends[3] - ends[1], END_MARGIN / length
    f = ((x - ends[0]) * dx + (y - ends[1]) * dy) / (dx * dx + dy * dy)
    f = min(max(f, margin), 1.0 - margin)
    away, aside = x - (ends[0] + f * dx), y - (ends[1] + f * dy)
    return f, math.sqrt(away * away + aside * aside)


@spliced
def house_rows(
    ends: Floats, length: float, span: tuple[float, float], houses: Houses, inside: float,
    step: float, t: Floats, h: Floats, n: int,
) -> int:  # fmt: skip
    """Lower a hull to the inverts each house can drain to; returns its points."""
    for i in range(len(houses.station)):
        if span[0] <= houses.station[i] < span[1]:
            f, d = _join(houses.xy[i, 0], houses.xy[i, 1], ends, length)
            fall = math.ceil(houses.slope * d / step - 1e-9) * step
            n = add_to_hull(t, h, n, f, houses.invert[i] - fall - inside / 2.0)
    return n


@leaf
def price_houses(legs: LegEnds, houses: Houses, price: Floats) -> None:
    """Set the price of the connections that each leg serves.

    Parameters
    ----------
    legs, houses
        The legs of a chain, and its houses.
    price : (legs,)
        Is written: infinite where a house is out of reach of its leg.
    """
    for leg in range(len(legs.length)):
        total = 0.0
        for i in range(len(houses.station)):
            if legs.serves_from[leg] <= houses.station[i] < legs.serves_to[leg]:
                _, d = _join(
                    houses.xy[i, 0], houses.xy[i, 1], legs.ends[leg], legs.length[leg]
                )  # fmt: skip
                total += houses.fixed + houses.per_length * d if d <= houses.longest else np.inf
        price[leg] = total
