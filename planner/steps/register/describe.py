"""What agencies want to know of a conflict besides what it is."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from planner.model import Site

KNOWLEDGE = {
    "A": "exposed and measured", "B": "located from the surface by instruments",
    "C": "records, tied to what is seen at the surface", "D": "records or hearsay alone",
}  # fmt: skip
PARTS = {
    "clearance_m": "bore", "pit_clearance_m": "excavation and shoring",
    "connection_clearance_m": "pipe", "water_vertical_m": "pipe", "water_horizontal_m": "pipe",
}  # fmt: skip
"""What of a leg, pit or connection is too near, by rule."""
WAYS = {
    ("clearance_m", "leg"): "re-grade the leg; shift it in its lane; take another lane; expose and "
    "protect the service; have it moved",
    ("water_vertical_m", "leg"): "re-grade the leg; agree a protection; have the main moved",
    ("water_horizontal_m", "leg"): "shift the leg; take a pressure-rated pipe; agree a protection; "
    "have the main moved",
    ("pit_clearance_m", "pit"): "shift or turn the pit; support the service in it; have it moved",
    ("connection_clearance_m", "connection"): "another line or level; expose and protect the "
    "service; have it moved",
    ("water_vertical_m", "connection"): "another line or level; agree a protection; have the main "
    "moved",
    ("water_horizontal_m", "connection"): "another line; take a pressure-rated pipe; agree a "
    "protection; have the main moved",
}
"""What can be done about a conflict, by rule and kind of subject: moving the service comes last."""


def describe(site: Site, frame: gpd.GeoDataFrame, detail: pd.DataFrame) -> gpd.GeoDataFrame:
    """Conflicts with the columns that the register adds.

    Parameters
    ----------
    site
        The site.
    frame
        The conflicts, in the site's frame.
    detail
        Of each of them ``element`` (``leg``, ``pit``, ``connection``) and ``offset_m``.
    """
    cost = site.book.costs.number("service_relocation")
    moving = f"moved (about {cost:,.0f} {site.book.costs.text('currency')})"
    rows = zip(frame["rule"], detail["element"], frame["severity"], strict=True)
    return frame.assign(
        offset_m=detail["offset_m"].to_numpy(float).round(6) + 0.0,
        knowledge=[KNOWLEDGE.get(quality, "") for quality in frame["quality"]],
        affects=[
            f"{element}: {PARTS[rule]}"
            for rule, element in zip(frame["rule"], detail["element"], strict=True)
        ],
        options=[
            _options(WAYS[rule, element].replace("moved", moving), severity)
            for rule, element, severity in rows
        ],
        responsible="", cost=np.nan, test_hole="", note="",
    )  # fmt: skip


def _options(ways: str, severity: str) -> str:
    return f"dig a test hole; {ways}" if severity == "unproven" else ways
