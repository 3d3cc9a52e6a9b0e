"""Conflicts in the order and with the columns in which they are handed on."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd

from planner.model import CONFLICT_COLUMNS
from planner.steps.clearances.services import Services
from planner.steps.clearances.subjects import CONNECTION


@dataclass(frozen=True, eq=False)
class Conflicts:
    """What is nearer than it may be, or may be so.

    ``frame`` has the columns of the plan's ``conflicts`` and points in the local frame. ``detail``
    has a row for each of its rows: ``service_row`` in ``site.utilities``, the point of the
    service's axis ``service_x``, ``service_y``, ``service_axis_m`` and the top ``service_top_m``
    there, ``crossing``, ``below_probability``, ``element`` (``leg``, ``pit`` or ``connection``) and
    ``offset_m`` of the service from the axis, left of the flow positive, none for a pit.
    ``own_pipes`` names (leg, service, tie-in) where the service is a pipe of the manhole that the
    leg drains into.
    """

    frame: gpd.GeoDataFrame
    detail: pd.DataFrame
    own_pipes: tuple[tuple[str, str, str], ...]


def put_in_order(rows: pd.DataFrame, services: Services) -> pd.DataFrame:
    """Rows by subject, station, service and rule, with a running id."""
    rows = rows.assign(
        utility_id=services.utility_id[rows["row"].to_numpy(np.int64)],
        order=pd.Series([_subject_order(str(name)) for name in rows["subject"]], dtype=object),
        place=rows["station_m"].round(3),
    )
    rows = rows.sort_values(
        ["order", "place", "utility_id", "rule", "row", "bore"], kind="stable"
    ).reset_index(drop=True)
    return rows.assign(conflict_id=[f"C{number}" for number in range(1, len(rows) + 1)])


def _subject_order(name: str) -> tuple[tuple[str, int], ...]:
    """Sort key by which L2 stands before L10."""
    return tuple((word, int(number or 0)) for word, number in re.findall(r"(\D*)(\d*)", name))


RESOLUTIONS: Mapping[tuple[str, str], str] = {
    ("clearance_m", "clash"): "re-grade or shift the bore, or have the service moved; expose it "
    "before boring",
    ("clearance_m", "tight"): "re-grade or shift the bore; expose the service before boring",
    ("clearance_m", "unproven"): "expose by a test hole before boring",
    ("water_vertical_m", "clash"): "re-grade the sewer above or below the main, or have the main "
    "moved",
    ("water_vertical_m", "tight"): "re-grade to the vertical separation, or agree a protection "
    "with the water authority",
    ("water_horizontal_m", "tight"): "shift the sewer away from the main, or agree a "
    "pressure-rated pipe or a protection with the water authority",
    ("pit_clearance_m", "clash"): "move or turn the pit, or have the service moved; expose it "
    "before digging",
    ("pit_clearance_m", "tight"): "shift the pit; expose the service before digging and support it "
    "as its owner asks",
    ("pit_clearance_m", "unproven"): "expose by a test hole before digging",
    ("connection_clearance_m", "clash"): "change line or level of the connection; expose the "
    "service before boring",
    ("connection_clearance_m", "tight"): "expose the service before boring and agree the clearance "
    "with its owner",
    ("connection_clearance_m", "unproven"): "expose by a test hole before boring",
}
"""What would cure a conflict, by rule and severity."""
HOUSE_RESOLUTIONS: Mapping[str, str] = {
    "water_vertical_m": "another line or level of the connection, or agree a protection with the "
    "water authority",
    "water_horizontal_m": "another line of the connection, or agree a pressure-rated pipe or a "
    "protection with the water authority",
}
"""Likewise for a house connection, by rule."""


def make_frame(rows: pd.DataFrame, services: Services) -> gpd.GeoDataFrame:
    """Rows with the columns of the plan's ``conflicts``."""
    row = rows["row"].to_numpy(np.int64)
    proof = np.where(services.live[row], "", "; prove that the abandoned service is dead")
    known = zip(rows["rule"], rows["severity"], rows["element"], strict=True)
    cures = [
        HOUSE_RESOLUTIONS.get(rule if element == CONNECTION else "", RESOLUTIONS[rule, severity])
        for rule, severity, element in known
    ]
    rows = rows.assign(
        kind=services.kind[row], owner=services.owner[row], quality=services.quality[row],
        resolution=[cure + more for cure, more in zip(cures, proof, strict=True)],
        status="potential",
    )  # fmt: skip
    points = gpd.points_from_xy(rows["x"].to_numpy(float), rows["y"].to_numpy(float))
    columns = list(CONFLICT_COLUMNS)
    numbers = [name for name in columns if name.endswith("_m") or name == "strike_probability"]
    types = dict.fromkeys(columns, str) | dict.fromkeys(numbers, float)
    return gpd.GeoDataFrame(rows[columns].astype(types), geometry=points)


def make_detail(rows: pd.DataFrame, services: Services) -> pd.DataFrame:
    """Where the service of each row is, and how sure."""
    high = services.half_height[rows["piece"].to_numpy(np.int64)]
    return pd.DataFrame({
        "service_row": rows["row"].astype(np.int64), "service_x": rows["service_x"],
        "service_y": rows["service_y"], "service_axis_m": rows["service_axis_m"],
        "service_top_m": rows["service_axis_m"] + high, "crossing": rows["crossing"].astype(bool),
        "below_probability": rows["below_probability"].astype(float),
        "element": rows["element"].astype(object), "offset_m": rows["offset_m"].astype(float),
    })  # fmt: skip
