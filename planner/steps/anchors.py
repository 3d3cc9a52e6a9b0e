"""Anchors that hold a sewer on a steep slope: how far apart, how many, and the advice."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from planner.model import Floats, RuleBook
from planner.records import Ints

RULE = "anchor_spacing_m"
ROUNDING = 1e-9  # [%] a slope that lacks less than this has reached a step
LENGTH_ROUNDING = 1e-9  # [anchors]


def anchor_spacings(book: RuleBook, slope_pct: ArrayLike) -> Floats:
    """Greatest distance between anchors by slope.

    Parameters
    ----------
    book
        Rules, whose ``anchor_spacing_m`` gives the distance from the slope named by its key on.
    slope_pct : (legs,)
        Slope. [%]

    Returns
    -------
    Distance, infinite below the first step, (legs,). [m]

    References
    ----------
    Recommended Standards for Wastewater Facilities, clause 33.46, from memory: 36 ft apart from
    20 %, 24 ft from 35 %, 16 ft from 50 %.
    """
    steps = sorted((float(k), v) for k, v in book.rules.table(RULE).items() if k != "*")
    if not steps:  # one number in place of the table holds from the greatest usual slope on
        steps = [(book.rules.number("max_slope_pct"), book.rules.number(RULE))]
    slopes, spacings = np.array(steps, float).T
    place = np.searchsorted(slopes, np.asarray(slope_pct, float) + ROUNDING, side="right")
    return np.asarray(np.concatenate([[np.inf], spacings])[place])


def count_anchors(book: RuleBook, slope_pct: ArrayLike, length: ArrayLike) -> Ints:
    """Least number of anchors along legs, none where the slope asks for none.

    Parameters
    ----------
    book
        Rules.
    slope_pct : (legs,)
        Slope. [%]
    length : (legs,)
        Length of each leg. [m]
    """
    spaces = np.asarray(length, float) / anchor_spacings(book, slope_pct)
    return np.ceil(spaces - LENGTH_ROUNDING).astype(np.int64)


def advise_anchors(book: RuleBook, legs: pd.DataFrame) -> list[dict[str, Any]]:
    """Advice for every leg that is steep enough to need anchors.

    Parameters
    ----------
    book
        Rules.
    legs
        The plan's ``legs``.
    """
    slope, length = (legs[name].to_numpy(float) for name in ("slope_pct", "length_m"))
    spacing, count = anchor_spacings(book, slope), count_anchors(book, slope, length)
    least = min((float(k) for k in book.rules.table(RULE) if k != "*"),
                default=book.rules.number("max_slope_pct"))  # fmt: skip
    return [
        {"rule": RULE, "subject": str(legs["leg_id"].iloc[i]), "value": round(float(slope[i]), 6),
         "limit": least, "unit": "%", "severity": "advice", "source": book.rules[RULE].source,
         "remedy": f"hold the pipe with {count[i]} anchors, at most {spacing[i]:g} m apart"}
        for i in np.flatnonzero(np.isfinite(spacing)).tolist()
    ]  # fmt: skip
