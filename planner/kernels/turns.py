"""Sorts legs at pits into groups of nearly one direction, and pairs those a sewer may turn by."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from planner.kernels.programme import Groups

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

COARSE = (-20.0, -5.0, 5.0, 20.0)  # [deg] from the street's direction
FINE = 2.0  # [deg]
SAME = 1e-4  # [deg] legs this near to parallel are one direction
PARALLEL = 3  # so many parallel legs are a group of their own


def wrap(angle: Floats) -> Floats:
    """Angle between -180 and 180. [deg]

    Examples
    --------
    >>> wrap(np.array([190.0, -190.0, 90.0]))
    array([-170.,  170.,   90.])
    """
    return np.asarray((np.asarray(angle) + 180.0) % 360.0 - 180.0)


def direction_keys(azimuth: Floats, pit: Ints, flow: Floats, fine: Bools) -> Ints:
    """A key for each leg at a pit; legs with one key at one pit point nearly the same way.

    Parameters
    ----------
    azimuth : (legs,)
        Direction of the flow. [deg]
    pit : (legs,)
        The pit.
    flow : (pits,)
        Direction of the street's flow. [deg]
    fine : (pits,)
        Whether directions are told apart finely there.
    """
    coarse = np.digitize(wrap(azimuth - flow[pit]), COARSE)
    exact = np.round(azimuth / SAME).astype(np.int64)
    spread = 2 * (int(np.abs(exact).max(initial=0)) + 1)
    _, which, count = np.unique(pit * spread + exact, return_inverse=True, return_counts=True)
    parallel = count[which] >= PARALLEL
    narrow = np.where(parallel, 10**8 + exact, np.round(azimuth / FINE).astype(np.int64))
    return np.where(fine[pit], narrow, coarse)


def number_groups(pit: Ints, branch: Ints, key: Ints, pits: int) -> tuple[Ints, Ints, Ints]:
    """Number the groups at all pits.

    Parameters
    ----------
    pit, branch, key : (legs,)
        Where each leg ends, by which string, and its direction's key.
    pits
        Number of pits.

    Returns
    -------
    group : (legs,)
        Group of each leg; groups ascend by pit.
    start : (pits + 1,)
        First group of each pit.
    in_branch : (groups,)
        String that each group belongs to.
    """
    if len(pit) == 0:
        empty = np.zeros(0, np.int64)
        return empty, np.zeros(pits + 1, np.int64), empty
    keys, rank = np.unique(key, return_inverse=True)
    strings = int(branch.max()) + 1
    found, group = np.unique((pit * strings + branch) * len(keys) + rank, return_inverse=True)
    owner = found // len(keys)
    start = np.searchsorted(owner // strings, np.arange(pits + 1))
    return group.astype(np.int64), start.astype(np.int64), (owner % strings).astype(np.int64)


def group_ranges(azimuth: Floats, group: Ints, groups: int) -> tuple[Floats, Floats, Floats]:
    """A middle direction of each group, and how far its legs lie to either side. [deg]"""
    middle = np.zeros(groups)
    middle[group[::-1]] = azimuth[::-1]
    away = wrap(azimuth - middle[group])
    low, high = np.zeros(groups), np.zeros(groups)
    np.minimum.at(low, group, away)
    np.maximum.at(high, group, away)
    return middle, low, high


def pair_groups(
    out_start: Ints, in_start: Ints, out_range: tuple[Floats, Floats, Floats],
    in_range: tuple[Floats, Floats, Floats],
) -> tuple[Ints, Ints, Floats, Floats]:  # fmt: skip
    """Every pair of a group that leaves and one that arrives at a pit, and the turns between.

    Parameters
    ----------
    out_start, in_start : (pits + 1,)
        First groups of each pit.
    out_range, in_range
        As `group_ranges` gives them.

    Returns
    -------
    out, into : (pairs,)
        The groups.
    least, most : (pairs,)
        Least and greatest turn between a leg of the one and a leg of the other. [deg]
    """
    pits = len(out_start) - 1
    n_out, n_in = np.diff(out_start), np.diff(in_start)
    out = np.repeat(np.arange(out_start[-1]), np.repeat(n_in, n_out))
    pit_of = np.repeat(np.arange(pits), n_out * n_in)
    begin = np.concatenate([[0], np.cumsum(np.repeat(n_in, n_out))[:-1]]) if len(out) else out
    within = np.arange(len(out)) - np.repeat(begin, np.repeat(n_in, n_out))
    into = in_start[pit_of] + within
    between = wrap(out_range[0][out] - in_range[0][into])
    low = between + out_range[1][out] - in_range[2][into]
    high = between + out_range[2][out] - in_range[1][into]
    most = np.maximum(np.abs(low), np.abs(high))
    least = np.where((low <= 0) & (high >= 0), 0.0, np.minimum(np.abs(low), np.abs(high)))
    return out.astype(np.int64), into.astype(np.int64), least, np.minimum(most, 180.0)


def bundle_groups(
    out_start: Ints, in_start: Ints, in_branch: Ints, pairs: tuple[Ints, Ints, Ints]
) -> Groups:
    """The programme's groups from pairs sorted by the group that leaves."""
    out, into, drop = pairs
    order = np.argsort(out, kind="stable")
    start = np.searchsorted(out[order], np.arange(out_start[-1] + 1)).astype(np.int64)
    return Groups(out_start, in_start, in_branch, start, into[order], drop[order])
