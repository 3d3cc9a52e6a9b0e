"""Heads, measures, places and order of the columns of the workbook's sheets."""

from __future__ import annotations

import re
from typing import NamedTuple

from planner.model import PLAN_COLUMNS
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
    "diameter_mm": "Nominal size", "launch_pit": "Launched from", "days_open": "Open",
    "pipe_entry_pit": "Pipe goes in at", "reamer_diameter_mm": "Reamer",
    "bore_diameter_mm": "Bore", "joins": "Joins", "invert_property_m": "Invert at property",
    "invert_sewer_m": "Invert at sewer", "depth_at_sewer_m": "Depth at sewer",
    "opening_m2": "Opening", "surface_cost": "Surface, part of cost", "open_width_m": "Left open",
    "why_not": "Why not served", "clearance_m": "Clearance", "required_m": "Required",
    "station_m": "Station", "strike_probability": "Strike probability", "measure": "Measured",
    "quality": "Quality level", "expected_top_elev_m": "Expected top",
    "worth_ratio": "Worth / cost", "kind": "Kind", "test_hole": "Test hole", "area": "Part",
    "affects": "What is affected", "offset_m": "Offset", "knowledge": "How well it is known",
    "superseded_by": "Superseded by", "why": "Why", "start_day": "From", "end_day": "To",
    "east": "East", "north": "North",
}  # fmt: skip
TO_FILL = ("status", "responsible", "note")
"""Columns of a register of conflicts that people fill in; read back by the next run."""
REGISTER = ("conflicts", "superseded")
ABOUT_CONFLICT = (
    "subject", "station_m", "offset_m", "utility_id", "kind", "owner", "quality", "knowledge",
    "rule", "measure", "clearance_m", "required_m", "strike_probability", "affects",
    "resolution", "options", "test_hole", "cost",
)  # fmt: skip
ORDERS = {
    "pits": ("pit_id", "kind", "street", "east", "north"),
    "connections": (
        "connection_id", "property_id", "joins", "served", "method", "length_m", "slope_pct",
        "diameter_mm", "invert_property_m", "invert_sewer_m", "depth_at_sewer_m", "riser_m",
        "opening_m2", "lanes_closed", "cost", "surface_cost", "why_not",
    ),
    "conflicts": ("conflict_id", "severity", *TO_FILL, *ABOUT_CONFLICT),
    "superseded": (
        "conflict_id", "why", "superseded_by", "severity", *TO_FILL, *ABOUT_CONFLICT,
    ),
    "test_holes": ("test_hole_id", "priority", "mandatory", "utility_id", "subject"),
}  # fmt: skip
NAMES = ("subject", "joins", "up_pit", "down_pit", "launch_pit", "exit_pit", "pipe_entry_pit",
         "street", "test_hole", "superseded_by", "quality")  # fmt: skip
PROSE = ("binds", "why_not", "why", "resolution", "options", "affects")
"""Columns of sentences of ours, whose figures are shown in the project's units."""
DAYS = ("start_day", "end_day")
GRID = ("east", "north")
GRID_UNITS = ((1.0, "m", 3), (0.3048, "ft", 2), (1200 / 3937, "US survey ft", 2))


class Column(NamedTuple):
    """One column of a sheet."""

    name: str
    head: str
    measure: str = ""  # of `Display`; empty for what has none there
    places: int | None = None  # of numbers; None: as many as they have
    size: float = 1.0  # of the unit shown, in SI


def columns_of(layer: str, names: list[str], show: Display, grid: float = 1.0) -> list[Column]:
    """Columns of a layer in the order they are shown, with units in their heads.

    Parameters
    ----------
    layer
        Name of the layer.
    names
        Its columns, without its geometry; those that no plan has of itself come last.
    show
        Units.
    grid
        Unit of coordinates. [m]
    """
    known = dict.fromkeys((*ORDERS.get(layer, ()), *PLAN_COLUMNS.get(layer, ()), *GRID))
    ordered = [name for name in known if name in names]
    rest = [name for name in names if name not in known]
    return [column_of(name, show, grid) for name in (*ordered, *rest)]


def column_of(name: str, show: Display, grid: float = 1.0) -> Column:
    """Head, measure and places of a column by its name.

    Examples
    --------
    >>> column_of("invert_up_m", Display("us"))
    Column(name='invert_up_m', head='Invert up [ft]', measure='level', places=2, size=0.3048)
    >>> column_of("street", Display("us"))
    Column(name='street', head='Street', measure='', places=None, size=1.0)
    """
    words = HEADS.get(name) or _words(name)
    if name in GRID:
        unit, places = grid_unit(grid)
        return Column(name, f"{words} [{unit}]", "", places)
    if name in DAYS:
        return Column(name, words if show.start_date else f"{words} [working day]", "", 0)
    measure = measure_of(name)
    if not measure:
        return Column(name, words)
    size, unit, places = show.scale(measure)
    return Column(name, f"{words} [{unit}]" if unit else words, measure, places, size)


def grid_unit(metres: float) -> tuple[str, int]:
    """Name and places of a unit of coordinates; one without a name is told by its length. [m in]

    Examples
    --------
    >>> grid_unit(1200 / 3937)
    ('US survey ft', 2)
    """
    known = min(GRID_UNITS, key=lambda one: abs(one[0] - metres))
    return known[1:] if abs(known[0] - metres) < 1e-9 else (f"{metres:.9g} m", 3)


def measure_of(name: str) -> str:
    """Measure of a column by its name; empty for text."""
    if name in MEASURES:
        return MEASURES[name]
    if LEVELS.match(name) and name.endswith("_m"):
        return "level"
    return next((measure for suffix, measure in SUFFIXES if name.endswith(suffix)), "")


def is_name(name: str) -> bool:
    """Whether a column holds names, which are texts even where they look like numbers."""
    return name.endswith("_id") or name in NAMES


def _words(name: str) -> str:
    for suffix, _ in SUFFIXES:
        name = name.removesuffix(suffix)
    words = name.removesuffix("_id").replace("_", " ").strip()
    return words.capitalize() or name
