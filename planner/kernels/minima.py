"""Least values over windows of a table that falls with the level, but for a zone at its top.

The cheapest price of all that is above a pit falls as its sewer rises, until too little can reach
so high: there it rises again. Below the first rise the least of a window stands at its top; above
it, the least from the first rise on is kept for each level, and runs of levels where that is not
enough.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import inner

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Zone(NamedTuple):
    """The part of a table from the last level before its first rise on."""

    keys: Floats  # (levels,) what the least is sought of
    place: Ints  # (levels,) where the least of all keys up to here is
    runs: Floats  # (rows, levels) least of 2, 4, 8 ... keys
    power: Ints  # (levels + 1,) row of the longest run that so many keys hold
    made: Ints  # (2,) number of keys, and 1 if their runs are made


def make_zone(levels: int) -> Zone:
    """Room for a zone of so many levels."""
    rows = levels.bit_length()
    power = np.zeros(levels + 1, np.int64)
    for row in range(1, rows):
        power[1 << row :] = row
    return Zone(
        np.empty(levels), np.empty(levels, np.int64), np.empty((rows, levels)), power,
        np.zeros(2, np.int64),
    )  # fmt: skip


@inner
def first_rise(values: Floats, first: int, last: int) -> int:
    """First level whose value is greater than that of the level below; last + 1 if there is none.

    Parameters
    ----------
    values : (levels,)
        The table.
    first, last
        The levels to look at.
    """
    for k in range(first + 1, last + 1):
        if values[k] > values[k - 1]:
            return k
    return last + 1


@inner
def fill_zone(values: Floats, start: int, end: int, slope: float, zone: Zone) -> None:
    """Make a zone of ``values - slope x level`` from a start to an end.

    Parameters
    ----------
    values : (levels,)
        The table.
    start, end
        First and last level.
    slope
        What a level is worth.
    zone
        Room for it.
    """
    n = end - start + 1
    keys, place = zone.keys, zone.place
    best, where = np.inf, 0
    for k in range(n):
        key = values[start + k] - slope * (start + k)
        if key < best:
            best, where = key, k
        keys[k] = key
        place[k] = where
    zone.made[0], zone.made[1] = n, 0


@inner
def make_runs(zone: Zone) -> None:
    """Set the least of every run of 1, 2, 4 ... keys, if it is not set yet."""
    if zone.made[1]:
        return
    zone.made[1] = 1
    n, keys, runs = zone.made[0], zone.keys, zone.runs
    for m in range(n):
        runs[0, m] = keys[m]
    r, half = 1, 1
    while 2 * half <= n:
        for m in range(n - 2 * half + 1):
            runs[r, m] = min(runs[r - 1, m], runs[r - 1, m + half])
        r, half = r + 1, 2 * half
