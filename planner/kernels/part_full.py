"""A part-full circle: area, radius, velocity and flow over those of the full pipe, and back.

Depths are ratios to the inside diameter, y/D. The wetted half angle a = acos(1 - 2 y/D) runs from
0 to pi; area, wetted perimeter and surface width are D²/4 (a - sin a cos a), D a and D sin a. The
carried flow grows with the depth up to y/D = 0.938 (`TOP_RATIO`) only; the depth of a flow is
always that of this rising branch. Manning's n is the same at every depth.

References
----------
The geometry of a circular segment; Manning's formula, by which velocity goes with the hydraulic
radius to the power 2/3.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import helper, kernel

Floats = NDArray[np.float64]

NAN = math.nan
TOP_ANGLE = 2.6390535689668972  # [rad] half angle at which a pipe carries most
SERIES_BELOW = 0.5  # [rad] half angle below which the segment is summed as a series
SETTLED = 1e-15  # last relative step of a search, which is still taken
MOST_STEPS = 80  # of a guarded Newton search; 60 halvings alone reach machine precision


@kernel
def segment(a: float) -> float:
    """Area of the wetted segment over D²/4, free of cancellation: a - sin a cos a."""
    if a > SERIES_BELOW:
        return a - math.sin(a) * math.cos(a)
    return _small_segment(a)


@helper
def _small_segment(a: float) -> float:
    x = 4.0 * a * a
    tail = 1.0 - x * (1 / 210) * (1.0 - x * (1 / 272))
    tail = 1.0 - x * (1 / 110) * (1.0 - x * (1 / 156) * tail)
    tail = 1.0 - x * (1 / 42) * (1.0 - x * (1 / 72) * tail)
    return a * x * (1 / 6) * (1.0 - x * (1 / 20) * tail)


@kernel
def half_angle(depth: float) -> float:
    """Wetted half angle at a depth. [rad].

    Examples
    --------
    >>> round(2 * math.degrees(half_angle(0.25)), 9)
    120.0
    """
    return 2.0 * math.asin(math.sqrt(depth))


@kernel
def area_ratio(depth: float) -> float:
    """Wetted area over that of the full pipe."""
    return segment(half_angle(depth)) / math.pi


@kernel
def radius_ratio(depth: float) -> float:
    """Hydraulic radius over that of the full pipe, which is D/4."""
    a = half_angle(depth)
    return 0.0 if a == 0.0 else segment(a) / a


@helper
def width_ratio(depth: float) -> float:
    """Width of the surface over the inside diameter."""
    return 2.0 * math.sqrt(depth * (1.0 - depth))


@kernel
def velocity_ratio(depth: float) -> float:
    """Mean velocity over that of the full pipe at the same slope."""
    return float(radius_ratio(depth) ** (2.0 / 3.0))


@kernel
def flow_ratio(depth: float) -> float:
    """Flow over that of the full pipe at the same slope.

    Examples
    --------
    >>> round(flow_ratio(0.5), 12)
    0.5
    """
    return area_ratio(depth) * velocity_ratio(depth)


TOP_RATIO = math.sin(0.5 * TOP_ANGLE) ** 2  # [y/D] of the greatest flow, 0.938
TOP_FLOW = float(flow_ratio(TOP_RATIO))  # greatest flow over full flow, 1.0757


@helper
def search_angle(target: float, p: float, q: float) -> float:
    """Half angle a at which segment(a)^p / a^q = target, at most `TOP_ANGLE`, by guarded Newton.

    The left side must grow with a: (1, 0) finds an area, (5, 2) a flow, (7, 1) a shear.
    """
    low, high = 0.0, TOP_ANGLE
    a = min((target * 1.5**p) ** (1.0 / (3.0 * p - q)), 0.5 * TOP_ANGLE)  # of 2 a³ / 3
    for _ in range(MOST_STEPS):
        s = segment(a)
        off = math.log(target * a**q / s**p)
        rise = 2.0 * p * math.sin(a) ** 2 / s - q / a
        if abs(off) <= SETTLED * a * rise:
            return float(a + off / rise)
        if off > 0.0:
            low = a
        else:
            high = a
        a = a + off / rise if rise > 0.0 else high
        if not low < a < high:
            a = 0.5 * (low + high)
    return float(a)


# The depth of a flow is asked for in the inner loops of a search over slopes and sizes. Two
# tables of quintics cover the rising branch to machine precision: one with even cells of the
# sixteenth root of c, the cube of the flow ratio, the other of sqrt(top - c), in which the depth
# is smooth up to the top. The quintics pass through depths that the guarded search found.

CELLS = 512  # of each table
SWITCH = 0.4  # cube of the flow ratio at which the second table takes over
TOP_CUBE = TOP_FLOW**3
LOW_CELLS = CELLS / SWITCH ** (1 / 16)  # cells per unit
HIGH_CELLS = CELLS / math.sqrt(TOP_CUBE - SWITCH)
FIRST_CELL = 64  # of the first table; below it the depth bends too much
NO_CUBE = 1e-250  # flow without a depth that could be told from 0


@kernel
def _search_depth(cube: float) -> float:
    if cube >= TOP_CUBE:
        return TOP_RATIO
    return math.sin(0.5 * search_angle(math.pi**3 * cube, 5.0, 2.0)) ** 2


def _quintics(cube_at: Callable[[float], float], first: int) -> Floats:
    """Coefficients of the quintic in each cell of a table, by the cell's share from its start."""
    share = 0.5 - 0.5 * np.cos(np.arange(6) * math.pi / 5.0)
    powers = np.linalg.inv(share[1:, None] ** np.arange(1, 6))
    table = np.zeros((CELLS, 6))
    for i in range(first, CELLS):
        depths = np.array([_search_depth(cube_at(i + u)) for u in share])
        table[i, 0] = depths[0]
        table[i, 1:] = powers @ (depths[1:] - depths[0])
    return table


LOW = _quintics(lambda at: (at / LOW_CELLS) ** 16, FIRST_CELL)
HIGH = _quintics(lambda at: TOP_CUBE - (at / HIGH_CELLS) ** 2, 0)


@helper
def _table_depth(table: Floats, at: float) -> float:
    i = min(int(at), CELLS - 1)
    u = at - i
    q = table[i]
    return float(q[0] + u * (q[1] + u * (q[2] + u * (q[3] + u * (q[4] + u * q[5])))))


@kernel
def depth_at_cube(cube: float) -> float:
    """Depth of flow at the cube of the flow ratio; see `depth_at_flow_ratio`."""
    if not 0.0 <= cube <= TOP_CUBE * (1.0 + 1e-15):
        return NAN
    if cube > SWITCH:
        return _table_depth(HIGH, math.sqrt(max(TOP_CUBE - cube, 0.0)) * HIGH_CELLS)
    at = math.sqrt(math.sqrt(math.sqrt(math.sqrt(cube)))) * LOW_CELLS
    if at >= FIRST_CELL:
        return _table_depth(LOW, at)
    return _search_depth(cube) if cube > NO_CUBE else 0.0


@kernel
def depth_at_flow_ratio(ratio: float) -> float:
    """Depth of flow, y/D, at a ratio of flow to full flow, on the rising branch.

    Parameters
    ----------
    ratio
        Flow over full flow. [1]

    Returns
    -------
    Depth over inside diameter; NaN where the ratio is negative or above `TOP_FLOW`, which no
    depth carries.

    Examples
    --------
    >>> round(depth_at_flow_ratio(0.5), 12)
    0.5
    """
    return depth_at_cube(ratio * ratio * ratio)
