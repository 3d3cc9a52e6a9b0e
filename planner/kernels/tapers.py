"""Lengths of temporary traffic control: tapers and stopping distances."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def taper_length(offset: ArrayLike, speed: ArrayLike, split: float, divisor: float) -> Floats:
    """Length of a full merging taper.

    Parameters
    ----------
    offset : (tapers,)
        Width that traffic is moved sideways, in any unit of length.
    speed : (tapers,)
        Speed. [mph]
    split
        Speed from which the length grows with the speed, below it with its square. [mph]
    divisor
        Of the square. [mph2]

    Returns
    -------
    Length, (tapers,), in the unit of the offset.

    References
    ----------
    Manual on Uniform Traffic Control Devices, 2009 edition, Table 6C-4: L = W S² / 60 or W S.

    Examples
    --------
    >>> float(taper_length(12.0, 40.0, 45.0, 60.0))
    320.0
    """
    speed = np.asarray(speed, float)
    rate = np.where(speed < split, speed**2 / divisor, speed)
    return np.asarray(offset, float) * rate


def stopping_distance(
    speed: ArrayLike, reaction: float, deceleration: float, grade: ArrayLike = 0.0
) -> Floats:
    """Distance in which a vehicle stops.

    Parameters
    ----------
    speed : (vehicles,)
        Speed. [m/s]
    reaction
        Time before the brakes act. [s]
    deceleration
        Deceleration on the level. [m/s2]
    grade : (vehicles,)
        Rise over length of the road, negative downhill. [m/m]

    Returns
    -------
    Distance, (vehicles,). [m]

    References
    ----------
    TxDOT Roadway Design Manual, 4.11.1; AASHTO's form with a grade, v² / 2 (a + g G).
    """
    v = np.asarray(speed, float)
    slowing = deceleration + 9.80665 * np.asarray(grade, float)
    return v * reaction + v**2 / (2.0 * slowing)


def round_up(length: float, step: float) -> float:
    """Length on the next multiple of a step, as tables print it."""
    return math.ceil(length / step - 1e-9) * step
