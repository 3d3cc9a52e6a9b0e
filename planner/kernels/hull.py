"""Lower and upper hulls of points over a line: the few rows that bind a straight leg."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@njit(cache=True)
def lower_hull(t: Floats, h: Floats, n: int) -> int:
    """Keep in place the points that a straight line below all of them can touch.

    Parameters
    ----------
    t, h : (at least n,)
        Place along the leg, ascending, and height; the first entries are overwritten.
    n
        Number of points.

    Returns
    -------
    Number of points kept.

    Examples
    --------
    >>> import numpy as np
    >>> t, h = np.array([0.0, 0.5, 1.0]), np.array([1.0, 2.0, 1.0])
    >>> lower_hull(t, h, 3), t[:2].tolist()
    (2, [0.0, 1.0])
    """
    k = 0
    for i in range(n):
        if k > 0 and t[i] == t[k - 1]:
            if h[i] >= h[k - 1]:
                continue
            k -= 1
        while k >= 2:
            cross = (t[k - 1] - t[k - 2]) * (h[i] - h[k - 2])
            cross -= (h[k - 1] - h[k - 2]) * (t[i] - t[k - 2])
            if cross > 0.0:
                break
            k -= 1
        t[k], h[k] = t[i], h[i]
        k += 1
    return k


@njit(cache=True)
def upper_hull(t: Floats, h: Floats, n: int) -> int:
    """Keep in place the points that a straight line above all of them can touch.

    Parameters
    ----------
    t, h : (at least n,)
        Place along the leg, ascending, and height; the first entries are overwritten.
    n
        Number of points.

    Returns
    -------
    Number of points kept.
    """
    for i in range(n):
        h[i] = -h[i]
    k = lower_hull(t, h, n)
    for i in range(k):
        h[i] = -h[i]
    return k


@njit(cache=True)
def hull_at(t: Floats, h: Floats, n: int, at: float) -> float:
    """Height of a hull at a place along the leg.

    Parameters
    ----------
    t, h : (at least n,)
        The hull's points, ascending.
    n
        Number of points, at least 1.
    at
        Where along the leg.
    """
    if at <= t[0]:
        return float(h[0])
    for i in range(1, n):
        if at <= t[i]:
            f = (at - t[i - 1]) / (t[i] - t[i - 1])
            return float(h[i - 1] + f * (h[i] - h[i - 1]))
    return float(h[n - 1])


@njit(cache=True)
def sort_pairs(t: Floats, h: Floats, n: int) -> None:
    """Sort the first n points by place, then height, in place.

    Parameters
    ----------
    t, h : (at least n,)
        Place along the leg and height.
    n
        Number of points.
    """
    sorted_to = 1
    while sorted_to < n and t[sorted_to - 1] <= t[sorted_to]:
        sorted_to += 1
    if sorted_to >= n:
        return
    order = np.argsort(t[:n], kind="mergesort")
    t[:n] = t[:n][order]
    h[:n] = h[:n][order]
