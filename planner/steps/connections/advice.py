"""Advice about connections that are built deeper than they should be."""

from __future__ import annotations

from typing import Any

import pandas as pd

from planner.model import RuleBook

RULE = "connection_max_depth_m"
ROUNDING = 1e-6  # [m]


def advise_depths(book: RuleBook, rows: pd.DataFrame) -> list[dict[str, Any]]:
    """Advice for every connection that meets the sewer deeper than a riser would have it.

    The floor or a service leaves no room for the riser, so the sewer has to be reached by a deeper
    shaft.

    Parameters
    ----------
    book
        Rules.
    rows
        The plan's ``connections``.
    """
    rule = book.rules[RULE]
    limit = book.rules.number(RULE)
    deep = rows[rows["served"].astype(bool) & (rows["depth_at_sewer_m"] > limit + ROUNDING)]
    figures = zip(deep["connection_id"], deep["depth_at_sewer_m"].astype(float), strict=True)
    return [
        {"rule": RULE, "subject": str(name), "value": round(depth, 6), "limit": limit,
         "unit": rule.unit, "severity": "advice", "source": rule.source,
         "remedy": f"join it {depth - limit:.2f} m deeper than is usual, or give the house a pump"}
        for name, depth in figures
    ]  # fmt: skip
