"""The legal slopes of a pipe at a given flow: always one interval."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from planner.kernels.compiled import helper, kernel
from planner.kernels.hydraulics import WATER_WEIGHT, as_columns, slope_at_depth
from planner.kernels.part_full import TOP_ANGLE, TOP_RATIO, search_angle, segment

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

BY_TABLE, BY_VELOCITY, BY_SHEAR, BY_DEPTH, BY_MOST_SLOPE, BY_MOST_VELOCITY = range(6)
"""What fixes an end of the interval, as codes."""


class SlopeLimits(NamedTuple):
    """Limits of one size of pipe; 0 switches a least velocity or shear off."""

    n: float  # [s/m^(1/3)] Manning's coefficient
    min_slope: float  # [m/m]
    max_slope: float  # [m/m]
    min_full_velocity: float  # [m/s] flowing just full
    max_velocity: float  # [m/s] at the flow
    min_shear: float  # [Pa] at the flow
    max_depth: float  # y/D at the flow


@kernel
def slope_of_full_velocity(velocity: float, inside: float, n: float) -> float:
    """Slope at which a pipe flowing just full has a velocity. [m/m].

    Examples
    --------
    >>> round(100 * slope_of_full_velocity(2 * 0.3048, 8 * 0.0254, 0.013), 3)
    0.334
    """
    root = velocity * n / (0.25 * inside) ** (2.0 / 3.0)
    return float(root * root)


@kernel
def slope_of_shear(flow: float, inside: float, tau: float, n: float) -> float:
    """Least slope at which a flow has a mean boundary shear. [m/m].

    At a fixed flow the shear falls as the depth grows: it goes with (n Q)² / (A² R^(1/3)).
    A flow that keeps the shear at every depth up to the fullest may lie as flat as it can; the
    slope is then that of the fullest depth.
    """
    wish = WATER_WEIGHT * (n * flow) ** 2 / tau  # A² R^(1/3) at the depth sought
    rest = (0.25 * inside * inside) ** 2 * (0.25 * inside) ** (1.0 / 3.0)
    target = (wish / rest) ** 3  # segment^7 / a
    if target >= segment(TOP_ANGLE) ** 7 / TOP_ANGLE:
        return slope_at_depth(flow, inside, TOP_RATIO, n)
    a = search_angle(target, 7.0, 1.0)
    return tau / (WATER_WEIGHT * 0.25 * inside * segment(a) / a)


@helper
def slope_of_velocity(flow: float, inside: float, velocity: float, n: float) -> float:
    """Greatest slope at which a flow is no faster than a velocity.

    A flow that is faster even at the fullest depth has none: 0.
    """
    area = 4.0 * flow / (velocity * inside * inside)  # over D²/4
    if area > segment(TOP_ANGLE):
        return 0.0
    a = search_angle(area, 1.0, 0.0)
    return slope_at_depth(flow, inside, math.sin(0.5 * a) ** 2, n)


@kernel
def slope_window(flow: float, inside: float, limits: SlopeLimits) -> tuple[float, float, int, int]:
    """Interval of the legal slopes of a flow in a pipe, and what fixes its ends.

    Parameters
    ----------
    flow
        Flow. [m3/s]
    inside
        Inside diameter. [m]
    limits
        Limits of the pipe's size.

    Returns
    -------
    Least and greatest slope [m/m] and the codes of what fixes them; where the least is above the
    greatest, no slope is legal. Without flow only the table, the full velocity and the greatest
    slope count.
    """
    least, by_least = limits.min_slope, BY_TABLE
    most, by_most = limits.max_slope, BY_MOST_SLOPE
    full = slope_of_full_velocity(limits.min_full_velocity, inside, limits.n)
    if full > least:
        least, by_least = full, BY_VELOCITY
    if not flow > 0.0:
        return least, most, by_least, by_most
    deep = slope_at_depth(flow, inside, min(limits.max_depth, TOP_RATIO), limits.n)
    if deep > least:
        least, by_least = deep, BY_DEPTH
    if limits.min_shear > 0.0:
        clean = slope_of_shear(flow, inside, limits.min_shear, limits.n)
        if clean > least:
            least, by_least = clean, BY_SHEAR
    fast = slope_of_velocity(flow, inside, limits.max_velocity, limits.n)
    if fast < most:
        most, by_most = fast, BY_MOST_VELOCITY
    return least, most, by_least, by_most


class SlopeWindows(NamedTuple):
    """Legal slopes of many flows, each (flows,); none where the least is above the greatest."""

    least: Floats  # [m/m]
    most: Floats  # [m/m]
    by_least: Integers  # code of what fixes the least
    by_most: Integers  # likewise


@kernel
def _slope_windows(
    flow: Floats, inside: Floats, limits: SlopeLimits
) -> tuple[Floats, Floats, Integers, Integers]:
    least, most = np.empty(flow.size), np.empty(flow.size)
    by_least = np.empty(flow.size, np.int64)
    by_most = np.empty(flow.size, np.int64)
    for i in range(flow.size):
        least[i], most[i], by_least[i], by_most[i] = slope_window(flow[i], inside[i], limits)
    return least, most, by_least, by_most


def slope_windows(flow: ArrayLike, inside: ArrayLike, limits: SlopeLimits) -> SlopeWindows:
    """Legal slopes of many flows in pipes of one size; see `slope_window`."""
    _, columns = as_columns(np.atleast_1d(np.asarray(flow, float)), inside)
    return SlopeWindows(*_slope_windows(columns[0], columns[1], limits))
