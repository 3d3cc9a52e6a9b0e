"""Lower and upper hulls of points over a line: the few rows that bind a straight leg."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import inner, leaf

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PLACES = 1 << 16  # more than there are points on a leg


@leaf
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


@leaf
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


@leaf
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


@inner
def is_below_hull(t: Floats, h: Floats, n: int, at: float, height: float) -> bool:
    """Whether a point lies below a hull.

    Parameters
    ----------
    t, h : (at least n,)
        The hull's points, ascending.
    n
        Number of points, at least 1.
    at, height
        The point.
    """
    if at <= t[0]:
        return bool(height < h[0])
    for i in range(1, n):
        if at <= t[i]:
            rise = (h[i] - h[i - 1]) * (at - t[i - 1])
            return bool((height - h[i - 1]) * (t[i] - t[i - 1]) < rise)
    return bool(height < h[n - 1])


@leaf
def add_to_hull(t: Floats, h: Floats, n: int, at: float, height: float) -> int:
    """Add a point to a lower hull, in place.

    Parameters
    ----------
    t, h : (more than n,)
        The hull's points, ascending.
    n
        Number of points, at least 1.
    at, height
        The point.

    Returns
    -------
    Number of points of the hull with it; nothing changes where it is not below the hull.

    Examples
    --------
    >>> import numpy as np
    >>> t, h = np.array([0.0, 1.0, np.nan]), np.array([1.0, 1.0, np.nan])
    >>> n = add_to_hull(t, h, 2, 0.5, 0.0)
    >>> t[:n].tolist(), h[:n].tolist()
    ([0.0, 0.5, 1.0], [1.0, 0.0, 1.0])
    """
    left = 0
    while left < n and t[left] < at:
        left += 1
    right = left
    if left < n and t[left] == at:
        if height >= h[left]:
            return n
        right += 1
    elif 0 < left < n:
        rise = (h[left] - h[left - 1]) * (at - t[left - 1])
        if (height - h[left - 1]) * (t[left] - t[left - 1]) >= rise:
            return n
    while left >= 2:
        rise = (h[left - 1] - h[left - 2]) * (at - t[left - 2])
        if (t[left - 1] - t[left - 2]) * (height - h[left - 2]) > rise:
            break
        left -= 1
    while n - right >= 2:
        rise = (h[right] - height) * (t[right + 1] - at)
        if (t[right] - at) * (h[right + 1] - height) > rise:
            break
        right += 1
    kept, shift = n - right, left + 1 - right
    for k in range(kept):
        i = right + kept - 1 - k if shift > 0 else right + k
        t[i + shift], h[i + shift] = t[i], h[i]
    t[left], h[left] = at, height
    return left + 1 + kept


@inner
def _lowest_below(h: Floats, a: int, b: int) -> int:
    """Which of the points between two lies lowest below the line that joins them, a if none.

    Depths are compared to a micrometre, as whole numbers that carry their place with them: a loop
    without branches.
    """
    if b - a < 2:
        return a
    rate = (h[b] - h[a]) / (b - a)
    between = h[a + 1 : b]
    lowest = np.int64(0)
    for i in range(len(between)):
        depth = between[i] - h[a] - rate * (i + 1)
        key = np.int64(np.int32(depth * 1e6)) * PLACES + i
        lowest = min(lowest, key)
    return a + 1 + int(lowest % PLACES) if lowest < 0 else a


@leaf
def even_hull(h: Floats, n: int, kept: Ints, ahead: Ints) -> int:
    """Which of some heights at even distances the lower hull keeps, to a micrometre.

    Parameters
    ----------
    h : (at least n,)
        Heights.
    n
        Number of heights, at least 2.
    kept : (at least n,)
        Receives the places that are kept, ascending.
    ahead : (at least n,)
        Room for work.

    Returns
    -------
    How many are kept.

    Examples
    --------
    >>> import numpy as np
    >>> kept, room = np.zeros(4, np.int64), np.zeros(4, np.int64)
    >>> even_hull(np.array([1.0, 0.0, 0.6, 1.0]), 4, kept, room), kept[:3].tolist()
    (3, [0, 1, 3])
    """
    kept[0], ahead[0] = 0, n - 1
    k, waiting = 1, 1
    while waiting > 0:
        a, b = kept[k - 1], ahead[waiting - 1]
        lowest = _lowest_below(h, a, b)
        if lowest > a:
            ahead[waiting] = lowest
            waiting += 1
        else:
            kept[k] = b
            k += 1
            waiting -= 1
    return k


@leaf
def sort_pairs(t: Floats, h: Floats, n: int) -> None:
    """Sort the first n points by place, then height, in place.

    Parameters
    ----------
    t, h : (at least n,)
        Place along the leg and height.
    n
        Number of points.
    """
    k = 1
    while k < n and (t[k - 1] < t[k] or (t[k - 1] == t[k] and h[k - 1] <= h[k])):
        k += 1
    if k >= n:  # points mostly come in order
        return
    gap = n // 2
    while gap > 0:  # Shell's sort
        for i in range(gap, n):
            a, b, k = t[i], h[i], i - gap
            while k >= 0 and (t[k] > a or (t[k] == a and h[k] > b)):
                t[k + gap], h[k + gap] = t[k], h[k]
                k -= gap
            t[k + gap], h[k + gap] = a, b
        gap = 1 if 1 < gap < 5 else gap * 5 // 11
