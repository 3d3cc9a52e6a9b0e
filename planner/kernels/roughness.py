"""Part-full flow with Manning's n that varies with the depth, the other convention in use.

The constant n of `part_full` is the regulatory convention and the default. Here n is that of the
full pipe times Camp's ratio, about 1.29 near a quarter of the depth, so that part-full pipes run
deeper and slower. The flow grows with the depth up to `TOP_DEPTH`. Depths are y/D.

References
----------
Camp, 1946, for the curve (from memory); 1 + y^0.54 - y^1.20 is a fit to it, also from memory.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from planner.kernels.compiled import helper, kernel
from planner.kernels.hydraulics import as_columns, full_capacity, shear, slope_at_depth
from planner.kernels.part_full import NAN, flow_ratio, half_angle, segment, velocity_ratio
from planner.kernels.slopes import (
    BY_DEPTH,
    BY_MOST_VELOCITY,
    BY_SHEAR,
    SlopeLimits,
    slope_window,
)

Floats = NDArray[np.float64]

TOP_DEPTH = 0.968809  # [y/D] at which a pipe of this convention carries most
HALVINGS = 60  # of the interval of depths, down to machine precision


@kernel
def roughness_ratio(depth: float) -> float:
    """Manning's n at a depth over that of the full pipe.

    Examples
    --------
    >>> round(roughness_ratio(1.0), 12)
    1.0
    """
    return float(1.0 + depth**0.54 - depth**1.20)


@helper
def velocity_ratio_of_varying_n(depth: float) -> float:
    """Mean velocity over that of the full pipe at the same slope."""
    return velocity_ratio(depth) / roughness_ratio(depth)


@kernel
def flow_ratio_of_varying_n(depth: float) -> float:
    """Flow over that of the full pipe at the same slope."""
    return flow_ratio(depth) / roughness_ratio(depth)


@kernel
def depth_ratio_of_varying_n(flow: float, inside: float, slope: float, n: float) -> float:
    """Normal depth over inside diameter; see `planner.kernels.hydraulics.depth_ratio`.

    Parameters
    ----------
    flow
        Flow. [m3/s]
    inside
        Inside diameter. [m]
    slope
        Fall over length. [m/m]
    n
        Manning's coefficient of the full pipe. [s/m^(1/3)]

    Returns
    -------
    Depth over inside diameter on the rising branch; NaN where the pipe cannot carry the flow.
    """
    if not (slope > 0.0 and inside > 0.0):
        return 0.0 if flow == 0.0 else NAN
    ratio = flow / full_capacity(inside, slope, n)
    if not 0.0 <= ratio <= flow_ratio_of_varying_n(TOP_DEPTH):
        return NAN
    low, high = 0.0, TOP_DEPTH
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        if flow_ratio_of_varying_n(middle) < ratio:
            low = middle
        else:
            high = middle
    return high if ratio > 0.0 else 0.0


@kernel
def _depth_ratios(flow: Floats, inside: Floats, slope: Floats, n: Floats) -> Floats:
    out = np.empty(flow.size)
    for i in range(flow.size):
        out[i] = depth_ratio_of_varying_n(flow[i], inside[i], slope[i], n[i])
    return out


def depth_ratios_of_varying_n(
    flow: ArrayLike, inside: ArrayLike, slope: ArrayLike, n: ArrayLike
) -> Floats:
    """Normal depths of many pipes; see `depth_ratio_of_varying_n`."""
    shape, columns = as_columns(flow, inside, slope, n)
    return _depth_ratios(*columns).reshape(shape)


@helper
def _slope_at(flow: float, inside: float, depth: float, n: float) -> float:
    return slope_at_depth(flow, inside, depth, n * roughness_ratio(depth))


@helper
def _slope_of_shear(flow: float, inside: float, tau: float, n: float) -> float:
    """Least slope at which a flow has a shear; the shear falls as the depth grows."""
    low, high = 0.0, TOP_DEPTH
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        if shear(inside, middle, _slope_at(flow, inside, middle, n)) > tau:
            low = middle
        else:
            high = middle
    return _slope_at(flow, inside, high, n)


@helper
def _slope_of_velocity(flow: float, inside: float, velocity: float, n: float) -> float:
    """Greatest slope at which a flow is no faster than a velocity; 0 where there is none."""
    area = 4.0 * flow / (velocity * inside * inside)  # over D²/4
    if area >= segment(half_angle(TOP_DEPTH)):
        return 0.0
    low, high = 0.0, TOP_DEPTH
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        if segment(half_angle(middle)) < area:
            low = middle
        else:
            high = middle
    return _slope_at(flow, inside, high, n)


@kernel
def slope_window_of_varying_n(
    flow: float, inside: float, limits: SlopeLimits
) -> tuple[float, float, int, int]:
    """Interval of the legal slopes of a flow; see `planner.kernels.slopes.slope_window`."""
    least, most, by_least, by_most = slope_window(0.0, inside, limits)
    if not flow > 0.0:
        return least, most, by_least, by_most
    deep = _slope_at(flow, inside, min(limits.max_depth, TOP_DEPTH), limits.n)
    if deep > least:
        least, by_least = deep, BY_DEPTH
    if limits.min_shear > 0.0:
        clean = _slope_of_shear(flow, inside, limits.min_shear, limits.n)
        if clean > least:
            least, by_least = clean, BY_SHEAR
    fast = _slope_of_velocity(flow, inside, limits.max_velocity, limits.n)
    if fast < most:
        most, by_most = fast, BY_MOST_VELOCITY
    return least, most, by_least, by_most
