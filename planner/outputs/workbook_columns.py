"""Heads, measures and order of the columns of the workbook's sheets."""

from __future__ import annotations

import re
from typing import NamedTuple

from planner.outputs.display import Display

LEVELS = re.compile(r"(invert|floor_elev|bore_axis|expected_top_elev|drop_m|fall_m)")
SUFFIXES = (
    ("_l_per_s", "flow"), ("_m_per_s", "velocity"), ("_pct", "percent"), ("_m2", "area"),
    ("_m3", "volume"), ("_mm", "diameter"), ("_m", "length"),
)  # fmt: skip
MEASURES = {
    "ground_elev_m": "ground", "diameter_mm": "nominal", "depth_m": "depth",
    "depth_at_sewer_m": "depth", "min_cover_m": "depth", "riser_m": "depth",
    "clearance_m": "clearance", "required_m": "clearance", "offset_m": "clearance",
    "length_m": "exact", "bored_length_m": "exact", "station_m": "exact",
    "station_up_m": "exact", "station_down_m": "exact", "manhole_diameter_m": "width",
    "open_width_m": "width", "width_m": "width", "cost": "money", "surface_cost": "money",
    "strike_probability": "share", "depth_ratio": "ratio", "worth_ratio": "ratio",
    "days_open": "days", "launches": "count", "receives": "count", "lanes_closed": "count",
    "priority": "count",
}  # fmt: skip
HEADS = {
    "pit_id": "Pit", "leg_id": "Leg", "connection_id": "Connection", "conflict_id": "Conflict",
    "test_hole_id": "Test hole", "closure_id": "Closure", "property_id": "Property",
    "utility_id": "Service", "run_id": "Run", "up_pit": "Upper pit", "down_pit": "Lower pit",
    "ground_elev_m": "Ground", "invert_elev_m": "Invert out", "floor_elev_m": "Floor of pit",
    "depth_m": "Depth", "drop_m": "Drop through manhole", "min_cover_m": "Least cover",
    "binds": "What fixes it", "flow_l_per_s": "Design peak flow", "slope_pct": "Slope",
    "capacity_l_per_s": "Capacity, full", "velocity_m_per_s": "Velocity at design flow",
    "velocity_full_m_per_s": "Velocity, full", "depth_ratio": "Depth / diameter",
    "diameter_mm": "Nominal size", "launch_pit": "Launched from",
    "pipe_entry_pit": "Pipe goes in at",
    "reamer_diameter_mm": "Reamer", "bore_diameter_mm": "Bore", "joins": "Joins",
    "invert_property_m": "Invert at property", "invert_sewer_m": "Invert at sewer",
    "depth_at_sewer_m": "Depth at sewer", "opening_m2": "Opening", "surface_cost": "Surface cost",
    "why_not": "Why not served", "clearance_m": "Clearance", "required_m": "Required",
    "strike_probability": "Strike probability", "measure": "Measured", "quality": "Quality",
    "expected_top_elev_m": "Expected top", "worth_ratio": "Worth / cost", "kind": "Kind",
    "test_hole": "Test hole", "affects": "What is affected", "offset_m": "Offset",
    "knowledge": "How well it is known", "superseded_by": "Superseded by", "why": "Why",
}  # fmt: skip
ORDERS = {
    "conflicts": (
        "conflict_id", "severity", "status", "responsible", "note", "subject", "utility_id",
        "kind", "owner", "rule", "measure", "clearance_m", "required_m", "station_m", "offset_m",
    )
}  # fmt: skip
TO_FILL = ("status", "responsible", "note")
"""Columns of a register of conflicts that people fill in; read back by the next run."""


class Column(NamedTuple):
    """One column of a sheet."""

    name: str
    head: str
    measure: str  # of `Display`; empty for text


def columns_of(layer: str, names: list[str], show: Display) -> list[Column]:
    """Columns of a layer in the order they are shown, with units in their heads.

    Parameters
    ----------
    layer
        Name of the layer.
    names
        Its columns, without its geometry.
    show
        Units.
    """
    first = [name for name in ORDERS.get(layer, ()) if name in names]
    return [column_of(name, show) for name in (*first, *(n for n in names if n not in first))]


def column_of(name: str, show: Display) -> Column:
    """Head and measure of a column by its name.

    Examples
    --------
    >>> column_of("invert_up_m", Display("us"))
    Column(name='invert_up_m', head='Invert up [ft]', measure='level')
    >>> column_of("street", Display("us"))
    Column(name='street', head='Street', measure='')
    """
    measure = measure_of(name)
    words = HEADS.get(name) or _words(name)
    unit = show.unit(measure) if measure else ""
    return Column(name, f"{words} [{unit}]" if unit else words, measure)


def measure_of(name: str) -> str:
    """Measure of a column by its name; empty for text."""
    if name in MEASURES:
        return MEASURES[name]
    if LEVELS.match(name) and name.endswith("_m"):
        return "level"
    return next((measure for suffix, measure in SUFFIXES if name.endswith(suffix)), "")


def _words(name: str) -> str:
    for suffix, _ in SUFFIXES:
        name = name.removesuffix(suffix)
    return name.replace("_id", "").replace("_", " ").strip().capitalize()
