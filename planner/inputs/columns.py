"""Every column a layer may have: its form, default, plausible range, and words when absent."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

UTILITY_KINDS = (
    "water", "gas", "electric", "telecom", "sewer", "storm", "reclaimed", "steam", "oil", "unknown",
)  # fmt: skip
FEATURE_KINDS = (
    "hydrant", "driveway", "bus_stop", "tree", "signal", "kerb_ramp", "school", "emergency",
    "overhead",
)  # fmt: skip
KEEP_OUT_SUBJECTS = ("pits", "legs", "test_holes", "connections", "plant")


@dataclass(frozen=True)
class Column:
    """One canonical column.

    ``form`` is text, number, flag, date, word or words. ``default`` is what an absent value
    becomes, `None` where it stays absent; ``absent`` says in words what an absence means, "" when
    it means nothing. ``low`` and ``high`` bound what is plausible, in the column's own unit.
    """

    name: str
    form: str = "text"
    default: Any = None
    absent: str = ""
    low: float | None = None
    high: float | None = None
    zero_absent: bool = False
    words: tuple[str, ...] = ()
    required: bool = False


def _number(
    name: str, low: float | None = None, high: float | None = None, default: Any = None, **more: Any
) -> Column:
    return Column(name, "number", default=default, low=low, high=high, **more)


COLUMNS: dict[str, tuple[Column, ...]] = {
    "streets": (
        Column("street"),
        _number("lanes", 1, 16, 2.0, zero_absent=True),
        _number("lane_width_m", 1.8, 8.0, 3.5, zero_absent=True),
        _number("row_width_m", 2.0, 200.0, zero_absent=True),
        _number("parking_left_m", 0.0, 10.0, 0.0),
        _number("parking_right_m", 0.0, 10.0, 0.0),
        _number("footway_width_m", 0.0, 20.0, 1.5),
        _number("speed_kmh", 5.0, 140.0, 50.0, zero_absent=True),
        Column("one_way", "flag", default=False),
        Column("road_class", "word", default="local", words=("arterial", "collector", "local")),
        _number("vehicles_per_day", 1.0, 400_000.0, zero_absent=True,
                absent="taken from the road class when traffic is priced"),
        Column("bus_route", "flag", default=False),
        Column("no_cut_until", "date"),
        Column("sewer", "word", default="allowed", words=("allowed", "forbidden")),
    ),
    "right_of_way": (),
    "utilities": (
        Column("utility_id"),
        Column("kind", "word", default="unknown", words=UTILITY_KINDS),
        Column("owner"),
        Column("material"),
        _number("diameter_m", 0.005, 8.0, zero_absent=True),
        _number("wall_m", 0.0005, 1.0, zero_absent=True),
        _number("width_m", 0.01, 20.0, zero_absent=True),
        _number("height_m", 0.01, 20.0, zero_absent=True),
        _number("top_elev_m", zero_absent=True),
        _number("centre_elev_m", zero_absent=True),
        _number("invert_elev_m", zero_absent=True),
        _number("depth_m", 0.0, 15.0, zero_absent=True),
        Column("quality", "word", default="D", words=("A", "B", "C", "D")),
        Column("status", "word", default="live", words=("live", "abandoned")),
    ),
    "properties": (
        Column("property_id"),
        _number("people", 0.0, 50_000.0),
        _number("flow_l_per_s", 0.0, 1000.0),
        _number("floor_elev_m", zero_absent=True),
        Column("street"),
    ),
    "tie_ins": (
        Column("tie_in_id"),
        _number("invert_elev_m", required=True),
        _number("rim_elev_m", zero_absent=True,
                absent="the ground there is taken for the rim"),
        _number("outlet_diameter_mm", 50.0, 6000.0, zero_absent=True,
                absent="sizes are not matched at the tie-in"),
        _number("outlet_bearing_deg", -360.0, 360.0,
                absent="the angle to the outlet is not checked"),
        _number("manhole_diameter_m", 0.4, 12.0, 1.2, zero_absent=True),
        _number("high_water_elev_m", zero_absent=True,
                absent="high water is not checked"),
        _number("spare_l_per_s", 0.0, 100_000.0, absent="spare capacity is not checked"),
        Column("may_launch", "flag", default=False),
    ),
    "keep_out": (
        Column("reason"),
        Column("applies_to", "words", default=",".join(KEEP_OUT_SUBJECTS),
               words=KEEP_OUT_SUBJECTS),
        Column("until", "date"),
    ),
    "street_features": (
        Column("kind", "word", words=FEATURE_KINDS),
        Column("name"),
        _number("clear_m", 0.0, 300.0),
    ),
    "boreholes": (
        Column("borehole_id"),
        _number("top_depth_m", 0.0, 200.0, 0.0),
        _number("bottom_depth_m", 0.0, 200.0, zero_absent=True),
        Column("soil"),
        _number("n_value", 0.0, 300.0),
        _number("groundwater_depth_m", 0.0, 200.0),
    ),
    "zones": (
        Column("reason"),
        _number("min_cover_m", 0.0, 15.0),
        _number("frost_depth_m", 0.0, 6.0),
        Column("casing_required", "flag", default=False),
        Column("allowed_hours"),
        Column("no_cut_until", "date"),
    ),
    "control": (
        Column("name"),
        _number("elev_m", zero_absent=True),
    ),
}  # fmt: skip
"""The columns of a file, by layer; those of a `Site` follow from them."""

GEOMETRY: dict[str, tuple[str, ...]] = {
    "streets": ("line",),
    "right_of_way": ("polygon",),
    "utilities": ("line", "point"),
    "properties": ("point", "polygon"),
    "tie_ins": ("point",),
    "keep_out": ("polygon",),
    "street_features": ("point", "polygon"),
    "boreholes": ("point",),
    "zones": ("polygon",),
    "control": ("point",),
}
"""The forms of geometry that a layer takes."""

IDS: dict[str, str] = {
    "utilities": "utility_id",
    "properties": "property_id",
    "tie_ins": "tie_in_id",
}
"""The column that names a row, where a row needs a name of its own."""

SENTINELS = (-9999.0, 9999.0, -999.0, -99999.0, 99999.0, -999999.0, 999999.0, -32768.0)
"""Numbers that stand for "not known" in any numeric column."""


def column_names(layer: str) -> tuple[str, ...]:
    """Canonical names of the columns of a layer's file."""
    return tuple(column.name for column in COLUMNS[layer])
