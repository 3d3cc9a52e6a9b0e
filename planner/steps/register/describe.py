"""What agencies want to know of a conflict besides what it is."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

KNOWLEDGE = {
    "A": "exposed and measured", "B": "located from the surface by instruments",
    "C": "records, tied to what is seen at the surface", "D": "records or hearsay alone",
}  # fmt: skip
PARTS = {
    "clearance_m": "bore", "pit_clearance_m": "excavation and shoring",
    "connection_clearance_m": "pipe", "water_vertical_m": "pipe", "water_horizontal_m": "pipe",
}  # fmt: skip
"""What of a leg, pit or connection is too near, by rule."""


def describe(frame: gpd.GeoDataFrame, detail: pd.DataFrame) -> gpd.GeoDataFrame:
    """Conflicts with the columns that the register adds; options come when they are priced.

    Parameters
    ----------
    frame
        The conflicts, in the site's frame.
    detail
        Of each of them ``element`` (``leg``, ``pit``, ``connection``) and ``offset_m``.
    """
    return frame.assign(
        offset_m=detail["offset_m"].to_numpy(float).round(6) + 0.0,
        knowledge=[KNOWLEDGE.get(quality, "") for quality in frame["quality"]],
        affects=[
            f"{element}: {PARTS[rule]}"
            for rule, element in zip(frame["rule"], detail["element"], strict=True)
        ],
        options="", responsible="", cost=np.nan, test_hole="", note="",
    )  # fmt: skip
