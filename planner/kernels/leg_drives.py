"""Prices of legs by the way in which they are driven."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import leaf
from planner.kernels.programme import DOWN, DRIVES, FROM_BETWEEN, LOWER_ROLE, UPPER_ROLE

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@leaf
def price_drives(
    up: Ints, down: Ints, length: Floats, ways: NDArray[np.bool_], houses: Floats, face: Floats,
    rates: tuple[float, float, float], price: Floats, price_depth: Floats,
) -> None:  # fmt: skip
    """Set the prices of legs of one drive, and those per level of depth at either end.

    Parameters
    ----------
    up, down : (legs,)
        Upper and lower pits.
    length : (legs,)
        From pit to pit. [m]
    ways : (legs, 2)
        Whether each may be driven upgrade, and downgrade.
    houses : (legs,)
        Price of the connections that each serves.
    face : (pits, 2)
        From a pit to its outer face, by role. [m]
    rates
        Of a metre bored upgrade, of one bored downgrade, and of one per level of depth at an end.
    price : (legs, 4)
        Is written: by drive, infinite where a leg may not be driven so.
    price_depth : (legs, 4, 2)
        Is written: by drive, at the upper and at the lower end.
    """
    for leg in range(len(up)):
        for drive in range(DRIVES):
            way = 1 if drive == DOWN else 0
            bored = length[leg] - face[up[leg], UPPER_ROLE[drive]]
            bored -= face[down[leg], LOWER_ROLE[drive]]
            held = ways[leg, way] and drive != FROM_BETWEEN
            price[leg, drive] = bored * rates[way] + houses[leg] if held else np.inf
            rate = bored * rates[2] if drive != FROM_BETWEEN else 0.0
            price_depth[leg, drive, 0], price_depth[leg, drive, 1] = rate, rate
