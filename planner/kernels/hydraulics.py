"""Steady flow in circular pipes by Manning with constant n: depth, velocity, shear, Froude."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

from planner.kernels.part_full import NAN, depth_at_cube

Floats = NDArray[np.float64]

GRAVITY = 9.80665  # [m/s2] standard acceleration of free fall
WATER_WEIGHT = 1000.0 * GRAVITY  # [N/m3] of water of 1000 kg/m3


@njit(cache=True, nogil=True)
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
    return (0.25 * inside) ** (2.0 / 3.0) * math.sqrt(slope) / n


@njit(cache=True, nogil=True)
def full_capacity(inside: float, slope: float, n: float) -> float:
    """Flow of a pipe that is just full; see `full_velocity`. [m3/s]."""
    return 0.25 * math.pi * inside * inside * full_velocity(inside, slope, n)


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
def _depth_ratios(flow: Floats, inside: Floats, slope: Floats, n: Floats) -> Floats:
    out = np.empty(flow.size)
    for i in range(flow.size):
        out[i] = depth_ratio(flow[i], inside[i], slope[i], n[i])
    return out


def depth_ratios(flow: ArrayLike, inside: ArrayLike, slope: ArrayLike, n: ArrayLike) -> Floats:
    """Normal depths of many pipes; see `depth_ratio`, whose arguments may be arrays here."""
    columns = np.broadcast_arrays(*(np.asarray(one, float) for one in (flow, inside, slope, n)))
    flat = [np.ascontiguousarray(column).ravel() for column in columns]
    return _depth_ratios(*flat).reshape(columns[0].shape)
