"""Steady flow in circular pipes by Manning with constant n: depth, velocity, shear, Froude."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from planner.kernels.compiled import kernel
from planner.kernels.part_full import (
    MOST_STEPS,
    NAN,
    SETTLED,
    area_ratio,
    depth_at_cube,
    flow_ratio,
    radius_ratio,
    segment,
    width_ratio,
)

Floats = NDArray[np.float64]

GRAVITY = 9.80665  # [m/s2] standard acceleration of free fall
WATER_WEIGHT = 1000.0 * GRAVITY  # [N/m3] of water of 1000 kg/m3


@kernel
def full_velocity(inside: float, slope: float, n: float) -> float:
    """Mean velocity in a pipe flowing just full.

    Parameters
    ----------
    inside
        Inside diameter. [m]
    slope
        Fall over length. [m/m]
    n
        Manning's coefficient. [s/m^(1/3)]

    Returns
    -------
    Velocity. [m/s]

    References
    ----------
    Manning's formula with k = 1 in SI, as Recommended Standards for Wastewater Facilities, clause
    33.41, applies it.

    Examples
    --------
    >>> round(full_velocity(0.2032, 0.004, 0.013) / 0.3048, 2)
    2.19
    """
    return float((0.25 * inside) ** (2.0 / 3.0) * math.sqrt(slope) / n)


@kernel
def full_capacity(inside: float, slope: float, n: float) -> float:
    """Flow of a pipe that is just full; see `full_velocity`. [m3/s]."""
    return 0.25 * math.pi * inside * inside * full_velocity(inside, slope, n)


@kernel
def depth_ratio(flow: float, inside: float, slope: float, n: float) -> float:
    """Normal depth over inside diameter.

    Parameters
    ----------
    flow
        Flow. [m3/s]
    inside
        Inside diameter. [m]
    slope
        Fall over length. [m/m]
    n
        Manning's coefficient. [s/m^(1/3)]

    Returns
    -------
    Depth over inside diameter on the rising branch; NaN where the pipe cannot carry the flow.

    Examples
    --------
    >>> round(depth_ratio(0.5 * full_capacity(0.2, 0.004, 0.013), 0.2, 0.004, 0.013), 12)
    0.5
    """
    d2 = inside * inside
    d8 = d2 * d2 * d2 * d2
    full = d8 * slope * math.sqrt(slope)  # cube of the full flow, times 1024 (n / pi)^3
    if not full > 0.0:
        return 0.0 if flow == 0.0 else NAN
    part = flow * n * (4.0 / math.pi)
    return depth_at_cube(part * part * part * 16.0 / full)


@kernel
def _depth_ratios(flow: Floats, inside: Floats, slope: Floats, n: Floats) -> Floats:
    out = np.empty(flow.size)
    for i in range(flow.size):
        out[i] = depth_ratio(flow[i], inside[i], slope[i], n[i])
    return out


def depth_ratios(flow: ArrayLike, inside: ArrayLike, slope: ArrayLike, n: ArrayLike) -> Floats:
    """Normal depths of many pipes; see `depth_ratio`, whose arguments may be arrays here."""
    shape, columns = as_columns(flow, inside, slope, n)
    return _depth_ratios(*columns).reshape(shape)


def as_columns(*given: ArrayLike) -> tuple[tuple[int, ...], list[Floats]]:
    """Common shape of what is given, and each as one column of that size."""
    arrays = [np.asarray(one, float) for one in given]
    shape = np.broadcast_shapes(*(array.shape for array in arrays))
    full = [a if a.shape == shape else np.broadcast_to(a, shape).copy() for a in arrays]
    return shape, [np.ascontiguousarray(column).ravel() for column in full]


@kernel
def flow_velocity(flow: float, inside: float, depth: float) -> float:
    """Mean velocity of a flow at a depth, y/D; 0 where nothing flows. [m/s]."""
    if depth == 0.0:
        return 0.0
    return flow / (0.25 * math.pi * inside * inside * area_ratio(depth))


@kernel
def shear(inside: float, depth: float, slope: float) -> float:
    """Mean boundary shear of uniform flow at a depth, y/D: water's weight x R x slope. [Pa].

    References
    ----------
    Merritt, WEFTEC 2007, on the tractive force method of ASCE MOP 60 / WEF FD-5.

    Examples
    --------
    >>> round(shear(0.2, 0.5, 0.00204), 2)  # R = D/4 = 0.05 m
    1.0
    """
    return WATER_WEIGHT * 0.25 * inside * radius_ratio(depth) * slope


@kernel
def froude(flow: float, inside: float, depth: float) -> float:
    """Froude number of a flow at a depth, y/D: V / sqrt(g A / T); above 1 it shoots. [1]."""
    if depth == 0.0:
        return 0.0
    if depth >= 1.0:
        return NAN
    hydraulic = 0.25 * math.pi * inside * area_ratio(depth) / width_ratio(depth)
    return flow_velocity(flow, inside, depth) / math.sqrt(GRAVITY * hydraulic)


@kernel
def critical_depth(flow: float, inside: float) -> float:
    """Depth, y/D, at which the Froude number of a flow is 1.

    Parameters
    ----------
    flow
        Flow. [m3/s]
    inside
        Inside diameter. [m]

    Returns
    -------
    Depth over inside diameter, whatever the slope; it tends to 1 as the flow grows.

    References
    ----------
    Q² T = g A³, with A = D² (a - sin a cos a) / 4 and T = D sin a.

    Examples
    --------
    >>> y = critical_depth(0.03, 0.3)
    >>> round(froude(0.03, 0.3, y), 12)
    1.0
    """
    if not flow > 0.0:
        return 0.0 if flow == 0.0 else NAN
    target = 64.0 * flow * flow / (GRAVITY * inside**5)  # segment³ / sin a
    low, high = 0.0, math.pi
    a = min((target * 3.375) ** 0.125, 0.5 * math.pi)  # small angles: 8 a^8 / 27
    for _ in range(MOST_STEPS):
        s, sin = segment(a), math.sin(a)
        off = math.log(target * sin / s**3)
        step = off / (6.0 * sin * sin / s - math.cos(a) / sin)
        if abs(step) <= SETTLED * a:
            return math.sin(0.5 * (a + step)) ** 2
        if off > 0.0:
            low = a
        else:
            high = a
        a += step
        if not low < a < high:
            a = 0.5 * (low + high)
    return math.sin(0.5 * a) ** 2


@kernel
def slope_at_depth(flow: float, inside: float, depth: float, n: float) -> float:
    """Slope at which a flow runs at a depth, y/D. [m/m]."""
    part = flow / (full_capacity(inside, 1.0, n) * flow_ratio(depth))
    return part * part


class FlowStates(NamedTuple):
    """How flows run in pipes, one entry a pipe; NaN where the pipe cannot carry the flow."""

    capacity: Floats  # [m3/s] flowing just full
    full_velocity: Floats  # [m/s] likewise
    depth_ratio: Floats  # y/D
    velocity: Floats  # [m/s] at the flow
    shear: Floats  # [Pa] at the flow
    critical_ratio: Floats  # critical depth over inside diameter
    froude: Floats


@kernel
def _flow_states(flow: Floats, inside: Floats, slope: Floats, n: Floats, depth: Floats) -> Floats:
    out = np.empty((7, flow.size))
    for i in range(flow.size):
        q, d, y = flow[i], inside[i], depth[i]
        out[0, i] = full_capacity(d, slope[i], n[i])
        out[1, i] = full_velocity(d, slope[i], n[i])
        out[2, i] = y
        out[3, i] = flow_velocity(q, d, y)
        out[4, i] = shear(d, y, slope[i])
        out[5, i] = critical_depth(q, d)
        out[6, i] = froude(q, d, y)
    return out


def flow_states(flow: ArrayLike, inside: ArrayLike, slope: ArrayLike, n: ArrayLike) -> FlowStates:
    """Depth, velocities, shear, critical depth and Froude number of many pipes.

    Parameters
    ----------
    flow : (pipes,)
        Flow. [m3/s]
    inside : (pipes,)
        Inside diameter. [m]
    slope : (pipes,)
        Fall over length. [m/m]
    n : (pipes,)
        Manning's coefficient; one number holds for all, as in the other columns. [s/m^(1/3)]

    Returns
    -------
    The states, each (pipes,).
    """
    return states_at_depth(flow, inside, slope, n, depth_ratios(flow, inside, slope, n))


def states_at_depth(
    flow: ArrayLike, inside: ArrayLike, slope: ArrayLike, n: ArrayLike, depth: ArrayLike
) -> FlowStates:
    """States of flows whose depths, y/D, are known; see `flow_states`."""
    shape, columns = as_columns(flow, inside, slope, n, depth)
    return FlowStates(*_flow_states(*columns).reshape(7, *shape))
