"""Probability that a service, whose place is known with errors, is nearer to a bore than allowed.

Errors in plan and in level are independent and normal, one of each for the whole service.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

CROSSING, BESIDE, ENDING, AT_PIT = 0, 1, 2, 3
"""How the two lie: lines that cross in plan; alongside or a ball; an end that points at the other;
a pit, which has no other side."""

FAR = 8.5  # [sigma] errors beyond this have a probability below 1e-16
_NODE, _WEIGHT = np.polynomial.legendre.leggauss(24)


@kernel
def normal_below(value: float) -> float:
    """Probability that a standard normal error is below a value.

    Examples
    --------
    >>> round(normal_below(1.6448536), 6)
    0.95
    """
    return 0.5 * math.erfc(-value / math.sqrt(2.0))


@kernel
def strip_probability(gap: float, allowed: float, width: float, sigma: float) -> float:
    """Probability that two lines that cross are nearer than allowed, both sides counted.

    ``P = Phi((r - g) / s) - Phi(-(g + d + r) / s)``: only the error along the common normal of
    the lines changes their distance.

    Parameters
    ----------
    gap
        Clearance g as recorded. [m]
    allowed
        Clearance r below which is asked; 0 for a strike. [m]
    width
        Sum d of what both measure along the common normal. [m]
    sigma
        Standard deviation s along it. [m]

    Examples
    --------
    >>> round(strip_probability(0.45, 0.0, 0.50, 0.30), 3)
    0.066
    """
    if sigma <= 0.0:
        return 1.0 if gap < allowed else 0.0
    return normal_below((allowed - gap) / sigma) - normal_below(-(gap + width + allowed) / sigma)


@kernel
def region_probability(
    offset: tuple[float, float],
    size: tuple[float, float, float],
    sigma: tuple[float, float],
    ending: bool,  # noqa: FBT001  (numba wants a plain argument)
) -> float:
    """Probability that the other's axis falls within a rounded rectangle around this one.

    The integral over the error in level of the probability in plan, by Gauss's rule on the two
    rounded caps and on the upright part.

    Parameters
    ----------
    offset
        Recorded distance between the axes, beside and above. [m]
    size
        Half width and half height of the rectangle, and the radius around it. [m]
    sigma
        Standard deviation in plan and in level. [m]
    ending
        Whether the other goes on without end beyond the rectangle, away from where it points.
    """
    half_width, half_height, radius = size
    plan, level = max(sigma[0], 1e-6), max(sigma[1], 1e-6)
    total = 0.0
    edges = (-half_height - radius, -half_height, half_height, half_height + radius)
    for part in range(3):
        low = max(edges[part], offset[1] - FAR * level)
        high = min(edges[part + 1], offset[1] + FAR * level)
        if high <= low:
            continue
        steps = int(min(64.0, math.ceil((high - low) / level)))
        for step in range(steps):
            start = low + (high - low) * step / steps
            reach = (high - low) / steps
            for k in range(len(_NODE)):
                z = start + reach * (_NODE[k] + 1.0) / 2.0
                over = max(0.0, abs(z) - half_height)
                half = half_width + math.sqrt(max(0.0, radius * radius - over * over))
                chance = normal_below((half - offset[0]) / plan)
                if not ending:
                    chance -= normal_below((-half - offset[0]) / plan)
                error = (z - offset[1]) / level
                density = math.exp(-0.5 * error * error) / math.sqrt(2.0 * math.pi) / level
                total += _WEIGHT[k] * reach / 2.0 * chance * density
    return min(1.0, total)


@kernel
def near_probabilities(way: Ints, lie: Floats, allowed: Floats) -> Floats:
    """Probability that each pair is nearer than allowed.

    Parameters
    ----------
    way : (pairs,)
        `CROSSING`, `BESIDE`, `ENDING` or `AT_PIT`.
    lie : (pairs, 9)
        Clearance or gap along the common normal; sum of widths along it; distance of the axes
        beside and above; half width, half height and radius of the region at clearance 0;
        sigma in plan and in level. For crossings and pits the first sigma is the one along the
        normal. [m]
    allowed : (pairs,)
        Clearance below which is asked. [m]
    """
    out = np.empty(len(way))
    for i in range(len(way)):
        p = lie[i]
        if way[i] == CROSSING:
            out[i] = strip_probability(p[0], allowed[i], p[1], p[7])
        elif way[i] == AT_PIT:
            out[i] = strip_probability(p[0], allowed[i], math.inf, p[7])
        else:
            size = (p[4], p[5], p[6] + allowed[i])
            out[i] = region_probability((p[2], p[3]), size, (p[7], p[8]), way[i] == ENDING)
    return out
