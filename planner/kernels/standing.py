"""Whether a pit can stand at a place in some direction of a leg, and what is in the way."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import helper, kernel
from planner.kernels.pairs import ROUNDING, Edges
from planner.kernels.plane import box_segment_distance, cell_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

TURN = math.radians(5.0)  # between the directions in which a pit is tried


@helper
def _first_hit(
    place: Floats, half_length: float, half_width: float, near: Edges
) -> tuple[int, bool]:
    """First obstacle that a rectangle meets, and whether turning the rectangle cannot help."""
    x, y, ux, uy = place
    k = cell_of(near.frame, x, y)
    first, hopeless = -1, False
    if k < 0:
        return first, hopeless
    disc = min(half_length, half_width)
    for j in range(near.start[k], near.start[k + 1]):
        i = near.items[j]
        s = near.segments[i]
        ax, ay, bx, by = s[0] - x, s[1] - y, s[2] - x, s[3] - y
        d = box_segment_distance(
            ax * ux + ay * uy, ay * ux - ax * uy, bx * ux + by * uy, by * ux - bx * uy,
            half_length, half_width,
        )  # fmt: skip
        if d <= 0.0 or d < near.clear[i] - ROUNDING:
            first = i if first < 0 else min(first, i)
            middle = box_segment_distance(ax, ay, bx, by, 0.0, 0.0)
            hopeless = hopeless or middle < disc + near.clear[i] - ROUNDING
    return first, hopeless


@helper
def _stands_turned(place: Floats, lean: float, a: float, b: float, near: Edges) -> bool:
    """Whether a rectangle stands free when it is turned by no more than a lean."""
    turned = place.copy()
    for k in range(1, int(lean / TURN + ROUNDING) + 1):
        for sign in (-1.0, 1.0):
            c, s = math.cos(sign * k * TURN), math.sin(sign * k * TURN)
            turned[2] = c * place[2] - s * place[3]
            turned[3] = s * place[2] + c * place[3]
            if _first_hit(turned, a, b, near)[0] < 0:
                return True
    return False


@kernel
def find_in_the_way(
    place: Floats, lean: Floats, half_length: float, half_width: float, near: Edges
) -> Ints:
    """What keeps a pit from standing at each place, whatever way it is turned.

    Parameters
    ----------
    place : (places, 4)
        Centre, and unit vector along the street. [m]
    lean : (places,)
        By how much a leg may leave the street's direction there. [rad]
    half_length, half_width
        Half sides of the pit. [m]
    near
        What pits keep clear of, in the order in which it is to be named.

    Returns
    -------
    (places,)
        First obstacle that a pit in line with the street comes too near to; -1 where a pit stands
        so, or turned in steps of 5 degrees within the lean.

    Examples
    --------
    A wall that crosses a street 1.5 m ahead stops a square pit of 2 m that keeps 1 m away from
    it; one 2.5 m ahead does not.

    >>> from planner.kernels.plane import build_grid
    >>> wall, clear = np.array([[0.0, -9.0, 0.0, 9.0]]), np.array([1.0])
    >>> near = Edges(wall, clear, *build_grid(wall, clear + 2.0, 6.0))
    >>> place = np.array([[-1.5, 0.0, 1.0, 0.0], [-2.5, 0.0, 1.0, 0.0]])
    >>> find_in_the_way(place, np.array([1.0, 1.0]), 1.0, 1.0, near).tolist()
    [0, -1]
    """
    found = np.full(len(place), -1, np.int64)
    for n in range(len(place)):
        hit, hopeless = _first_hit(place[n], half_length, half_width, near)
        if hit >= 0 and (
            hopeless or not _stands_turned(place[n], lean[n], half_length, half_width, near)
        ):
            found[n] = hit
    return found
