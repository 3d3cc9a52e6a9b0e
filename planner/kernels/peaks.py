"""Flows from people: peak factors, infiltration, and sums down a tree of pipes."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def peak_factor(people: ArrayLike, most: float) -> Floats:
    """Peak over average flow.

    Parameters
    ----------
    people : (pipes,)
        People who drain into the pipe.
    most
        Greatest factor.

    Returns
    -------
    Factor, (pipes,).

    References
    ----------
    (18 + sqrt P) / (4 + sqrt P), P in thousands: Recommended Standards for Wastewater Facilities,
    chapter 10, figure 1.

    Examples
    --------
    >>> float(peak_factor(100_000.0, 4.5))
    2.0
    """
    root = np.sqrt(np.asarray(people, float) / 1000.0)
    return np.minimum((18.0 + root) / (4.0 + root), most)


def people_equivalents(people: ArrayLike, flow: ArrayLike, unit_flow: float) -> Floats:
    """People, where no flow is given; else as many as would make that flow.

    Parameters
    ----------
    people : (properties,)
        People.
    flow : (properties,)
        Average flow, NaN where none is given. [m3/s]
    unit_flow
        Average flow of one person. [m3/s]

    Examples
    --------
    >>> people_equivalents([3.0, 3.0], [np.nan, 0.5], 0.01).tolist()
    [3.0, 50.0]
    """
    given = np.asarray(flow, float)
    return np.where(np.isnan(given), np.asarray(people, float), given / unit_flow)


def order_down(parent: ArrayLike) -> Ints:
    """Order of a tree's pipes in which each comes before the one it flows into.

    Parameters
    ----------
    parent : (pipes,)
        Number of the pipe that each flows into, -1 where it leaves the tree.

    Raises
    ------
    ValueError
        Where pipes flow in a circle.
    """
    down = np.asarray(parent, np.int64)
    waiting = np.bincount(down[down >= 0], minlength=len(down))
    order = [int(i) for i in np.flatnonzero(waiting == 0)]
    for pipe in order:  # grows while it is walked
        below = int(down[pipe])
        if below >= 0:
            waiting[below] -= 1
            if waiting[below] == 0:
                order.append(below)
    if len(order) < len(down):
        raise ValueError(f"{len(down) - len(order)} pipes flow in a circle")
    return np.array(order, np.int64)


def sum_down(own: ArrayLike, parent: ArrayLike) -> Floats:
    """Sum of what each pipe and all pipes above it bring.

    Parameters
    ----------
    own : (pipes, ...)
        What joins each pipe itself.
    parent : (pipes,)
        Number of the pipe that each flows into, -1 where it leaves the tree.

    Examples
    --------
    >>> sum_down([1.0, 2.0, 4.0], [2, 2, -1]).tolist()
    [1.0, 2.0, 7.0]
    """
    total = np.array(own, float)
    down = np.asarray(parent, np.int64)
    for pipe in order_down(down):
        if down[pipe] >= 0:
            total[down[pipe]] += total[pipe]
    return total


def design_peak(
    people: ArrayLike, average: ArrayLike, infiltration: ArrayLike, most: float
) -> Floats:
    """Peak of the people's flow and the infiltration, which is not peaked.

    Parameters
    ----------
    people : (pipes,)
        People who drain into the pipe, given flows counted as people.
    average : (pipes,)
        Their average flow. [m3/s]
    infiltration : (pipes,)
        Infiltration into the pipe and all above it. [m3/s]
    most
        Greatest peak factor.

    Returns
    -------
    Peak, (pipes,). [m3/s]

    Examples
    --------
    >>> round(float(design_peak(1000.0, 0.01, 0.002, 4.5)), 6)  # 3.8 x 0.01 + 0.002
    0.04
    """
    peak = peak_factor(people, most) * np.asarray(average, float)
    return np.asarray(peak + np.asarray(infiltration, float), float)
