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

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]

NAN = math.nan
TOP_ANGLE = 2.6390535689668972  # [rad] half angle at which a pipe carries most
SERIES_BELOW = 0.5  # [rad] half angle below which the segment is summed as a series
MOST_STEPS = 80  # of a guarded Newton search; 60 halvings alone reach machine precision


@njit(cache=True, nogil=True)
def segment(a: float) -> float:
    """Area of the wetted segment over D²/4, free of cancellation: a - sin a cos a."""
    if a > SERIES_BELOW:
        return a - math.sin(a) * math.cos(a)
    return _small_segment(a)


@njit(cache=True, nogil=True)
def _small_segment(a: float) -> float:
    x = 4.0 * a * a
    tail = 1.0 - x * (1 / 210) * (1.0 - x * (1 / 272))
    tail = 1.0 - x * (1 / 110) * (1.0 - x * (1 / 156) * tail)
    tail = 1.0 - x * (1 / 42) * (1.0 - x * (1 / 72) * tail)
    return a * x * (1 / 6) * (1.0 - x * (1 / 20) * tail)


@njit(cache=True, nogil=True)
def half_angle(depth: float) -> float:
    """Wetted half angle at a depth. [rad].

    Examples
    --------
    >>> round(2 * math.degrees(half_angle(0.25)), 9)
    120.0
    """
    return 2.0 * math.asin(math.sqrt(depth))


@njit(cache=True, nogil=True)
def area_ratio(depth: float) -> float:
    """Wetted area over that of the full pipe."""
    return segment(half_angle(depth)) / math.pi


@njit(cache=True, nogil=True)
def radius_ratio(depth: float) -> float:
    """Hydraulic radius over that of the full pipe, which is D/4."""
    a = half_angle(depth)
    return segment(a) / a if a > 0.0 else 0.0


@njit(cache=True, nogil=True)
def width_ratio(depth: float) -> float:
    """Width of the surface over the inside diameter."""
    return 2.0 * math.sqrt(depth * (1.0 - depth))


@njit(cache=True, nogil=True)
def velocity_ratio(depth: float) -> float:
    """Mean velocity over that of the full pipe at the same slope."""
    return radius_ratio(depth) ** (2.0 / 3.0)


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
def search_angle(target: float, p: float, q: float) -> float:
    """Half angle a at which segment(a)^p / a^q = target, at most `TOP_ANGLE`, by guarded Newton.

    The left side must grow with a: (1, 0) finds an area, (5, 2) a flow, (7, 1) a shear.
    """
    low, high = 0.0, TOP_ANGLE
    a = min((target * 1.5**p) ** (1.0 / (3.0 * p - q)), 0.5 * TOP_ANGLE)  # of 2 a³ / 3
    for _ in range(MOST_STEPS):
        s = segment(a)
        off = math.log(target * a**q / s**p)
        if off > 0.0:
            low = a
        else:
            high = a
        rise = 2.0 * p * math.sin(a) ** 2 / s - q / a
        after = a + off / rise if rise > 0.0 else high
        if not low < after < high:
            after = 0.5 * (low + high)
        if abs(after - a) <= 2e-16 * a:
            break
        a = after
    return a


# The depth of a flow is asked for in the inner loops of a search over slopes and sizes. Two
# tables of first guesses cover the rising branch: one even in the sixteenth root of the flow
# ratio's cube c, the other even in sqrt(top - c), in which the angle is smooth up to the top.
# One step of third order then reaches machine precision. A node holds half the wetted half
# angle, its rise over a cell, its sine and its cosine.

CELLS = 1024  # of each table
SWITCH = 0.25  # cube of the flow ratio at which the second table takes over
TOP_CUBE = TOP_FLOW**3
LOW_CELLS = CELLS / math.sqrt(math.sqrt(math.sqrt(math.sqrt(SWITCH))))  # cells per unit
HIGH_CELLS = CELLS / math.sqrt(TOP_CUBE - SWITCH)
FIRST_CELL = 160  # of the first table; below it the angle bends too much
FLAT = 1e-3  # [1/rad] rise of the flow's logarithm below which a guess is better than a step


@njit(cache=True, nogil=True)
def _rise(a: float) -> float:
    """Rise of the logarithm of the flow ratio's cube over the half angle."""
    return 10.0 * math.sin(a) ** 2 / segment(a) - 2.0 / a


@njit(cache=True, nogil=True)
def _rise_at_top() -> float:
    """Rise over a cell of sqrt(top - c) at the top itself, from the second derivative."""
    s, sin, cos = segment(TOP_ANGLE), math.sin(TOP_ANGLE), math.cos(TOP_ANGLE)
    bend = 20.0 * sin * cos / s - 20.0 * sin**4 / s**2 + 2.0 / TOP_ANGLE**2
    return -math.sqrt(2.0 / (-bend * TOP_CUBE)) / HIGH_CELLS


@njit(cache=True, nogil=True)
def _nodes() -> Floats:
    """Nodes of both tables, one below the other."""
    nodes = np.zeros((2 * (CELLS + 1), 4))
    for i in range(1, CELLS + 1):
        w = i / LOW_CELLS
        a = search_angle(math.pi**3 * w**16, 5.0, 2.0)
        nodes[i, 0], nodes[i, 1] = 0.5 * a, 8.0 / (w * _rise(a) * LOW_CELLS)
        v = i / HIGH_CELLS
        cube = TOP_CUBE - v * v
        a = search_angle(math.pi**3 * cube, 5.0, 2.0)
        k = CELLS + 1 + i
        nodes[k, 0], nodes[k, 1] = 0.5 * a, -v / (cube * _rise(a) * HIGH_CELLS)
    nodes[CELLS + 1, 0], nodes[CELLS + 1, 1] = 0.5 * TOP_ANGLE, 0.5 * _rise_at_top()
    nodes[:, 2], nodes[:, 3] = np.sin(nodes[:, 0]), np.cos(nodes[:, 0])
    return nodes


NODES = _nodes()


@njit(cache=True, nogil=True)
def _depth_near(at: float, first: int, cube: float) -> float:
    """Depth at a place in a table: a cubic between its nodes, then one step of third order."""
    i = min(int(at), CELLS - 1)
    u = at - i
    v = 1.0 - u
    i += first
    b = (NODES[i, 0] * (1.0 + 2.0 * u) + NODES[i, 1] * u) * v * v
    b += (NODES[i + 1, 0] * (3.0 - 2.0 * u) - NODES[i + 1, 1] * v) * u * u
    d = b - NODES[i, 0]
    e = d * d
    sin_d = d * (1.0 - e * (1 / 6) * (1.0 - e * (1 / 20)))
    cos_d = 1.0 - 0.5 * e * (1.0 - e * (1 / 12) * (1.0 - e * (1 / 30)))
    sin = NODES[i, 2] * cos_d + NODES[i, 3] * sin_d
    cos = NODES[i, 3] * cos_d - NODES[i, 2] * sin_d
    a, sin_a = 2.0 * b, 2.0 * sin * cos
    s = a - sin_a * (1.0 - 2.0 * sin * sin) if a > SERIES_BELOW else _small_segment(a)
    rise = 10.0 * sin_a * sin_a * a - 2.0 * s  # times s a
    if rise > FLAT * s * a:
        s2 = s * s
        off = math.pi**3 * cube * a * a / (s2 * s2 * s) - 1.0
        step = 0.5 * off * (1.0 - 0.5 * off) * s * a / rise
        sin += step * (cos - 0.5 * step * sin)
    return sin * sin


@njit(cache=True, nogil=True)
def depth_at_cube(cube: float) -> float:
    """Depth of flow at the cube of the flow ratio; see `depth_at_flow_ratio`."""
    if not 0.0 <= cube <= TOP_CUBE:
        return NAN
    if cube > SWITCH:
        return _depth_near(math.sqrt(TOP_CUBE - cube) * HIGH_CELLS, CELLS + 1, cube)
    at = math.sqrt(math.sqrt(math.sqrt(math.sqrt(cube)))) * LOW_CELLS
    if at > FIRST_CELL:
        return _depth_near(at, 0, cube)
    if cube < 1e-250:
        return 0.0
    return math.sin(0.5 * search_angle(math.pi**3 * cube, 5.0, 2.0)) ** 2


@njit(cache=True, nogil=True)
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
