"""The figures an audit judges by, written down a second time and apart from the planner's.

Sources of the numbers: minimum slopes from 35 Ill. Adm. Code 370.320(c), which repeats the
Recommended Standards for Wastewater Facilities, 33.41; water separation from the same standards,
38.3; peak factor from their figure 1. What has no source there is common practice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

NAMES = (
    "min_cover_m min_cover_bore_diameters frost_depth_m max_depth_m max_leg_depth_m "
    "min_leg_length_m max_leg_length_m max_manhole_spacing_m min_diameter_mm min_slope_pct "
    "max_slope_pct min_velocity_m_per_s self_cleansing min_shear_pa max_velocity_m_per_s manning_n "
    "max_depth_ratio min_inside_ratio size_change_match min_manhole_drop_m max_manhole_drop_m "
    "max_drop_structure_m max_turn_deg min_leg_separation_deg clearance_m water_horizontal_m "
    "water_vertical_m pit_clearance_m connection_clearance_m max_unproven_probability "
    "line_tolerance_mm grade_tolerance_mm max_pond_mm bored_slope_margin_pct "
    "connection_min_slope_pct connection_max_length_m connection_floor_drop_m "
    "connection_max_depth_m connection_into_manhole flow_per_person_l_per_day "
    "infiltration_l_per_s_per_km_per_mm max_peak_factor min_open_lane_m min_emergency_width_m"
).split()

COMMON: dict[str, float] = {
    "min_cover_m": 1.2, "min_cover_bore_diameters": 2.0, "frost_depth_m": 0.0, "max_depth_m": 7.6,
    "min_leg_length_m": 12.0, "min_diameter_mm": 200.0, "max_slope_pct": 20.0,
    "min_velocity_m_per_s": 0.6, "max_velocity_m_per_s": 3.0, "manning_n": 0.013,
    "min_inside_ratio": 0.90, "max_drop_structure_m": 3.0, "max_turn_deg": 90.0,
    "min_leg_separation_deg": 45.0, "pit_clearance_m": 0.6, "connection_clearance_m": 0.15,
    "max_unproven_probability": 0.05, "line_tolerance_mm": 25.0, "grade_tolerance_mm": 13.0,
    "connection_max_length_m": 45.0, "connection_floor_drop_m": 0.60, "max_peak_factor": 4.5,
}  # fmt: skip
BY_SET: dict[str, dict[str, float]] = {
    "us-ten-states": {
        "max_leg_length_m": 91.44, "max_manhole_spacing_m": 121.92, "water_horizontal_m": 3.048,
        "water_vertical_m": 0.4572, "flow_per_person_l_per_day": 378.5,
        "infiltration_l_per_s_per_km_per_mm": 0.0, "max_manhole_drop_m": 0.61,
    },
    "eu-metric": {
        "max_leg_length_m": 90.0, "max_manhole_spacing_m": 100.0, "water_horizontal_m": 1.0,
        "water_vertical_m": 0.3, "flow_per_person_l_per_day": 150.0,
        "infiltration_l_per_s_per_km_per_mm": 0.0005, "max_manhole_drop_m": 0.60,
    },
}  # fmt: skip

US_MIN_SLOPE = {
    200: 0.40, 250: 0.28, 300: 0.22, 350: 0.17, 375: 0.15, 400: 0.14, 450: 0.12, 525: 0.10,
    600: 0.08, 675: 0.067, 750: 0.058, 900: 0.046,
}  # fmt: skip
CONNECTION_MIN_SLOPE = {
    "us-ten-states": {100: 2.08, 150: 1.04},
    "eu-metric": {100: 2.5, 150: 1.0},
}
DROPS = {  # [m] straight, turn: 0.10 and 0.20 ft, 0.03 and 0.05 m
    "us-ten-states": (0.10 * 0.3048, 0.20 * 0.3048),
    "eu-metric": (0.03, 0.05),
}
EQUIPMENT: dict[str, float] = {
    "launch_pit_length_m": 4.0, "launch_pit_width_m": 2.4, "exit_pit_length_m": 2.4,
    "exit_pit_width_m": 2.4, "shoring_m": 0.15,
}  # fmt: skip
FLOOR_BELOW = {"launch": 0.5, "exit": 0.3}  # [m] pit floor below the lowest invert
BORE_OVER = {"jacked": 20.0, "pulled back": 50.0}  # [mm] bore over the pipe's outside
DANGEROUS = ("gas", "oil", "steam", "electric")
DEFAULT_DEPTH = {
    "water": 1.2, "reclaimed": 1.0, "gas": 0.8, "electric": 0.9, "telecom": 0.7, "sewer": 2.4,
    "storm": 1.5, "steam": 1.2, "oil": 1.2, "unknown": 1.0,
}  # fmt: skip
DEFAULT_DIAMETER = {
    "water": 0.20, "reclaimed": 0.20, "gas": 0.15, "electric": 0.30, "telecom": 0.15, "sewer": 0.25,
    "storm": 0.50, "steam": 0.50, "oil": 0.30, "unknown": 0.20,
}  # fmt: skip


@dataclass(frozen=True)
class Rules:
    """The rules of one project: the defaults of its set, and what the project file changes."""

    rule_set: str
    changes: Mapping[str, Any]
    equipment: Mapping[str, Any]

    def number(self, name: str) -> float:
        """A rule that is one number."""
        changed = self.changes.get(name)
        if changed is not None:
            return float(changed)
        return BY_SET[self.rule_set].get(name, COMMON.get(name, float("nan")))

    def machine(self, name: str) -> float:
        """A figure of the equipment. [m]"""
        return float(self.equipment.get(name, EQUIPMENT[name]))

    def entry(self, name: str, key: str, default: float) -> float:
        """A rule that is a table, at a key."""
        changed = self.changes.get(name)
        if isinstance(changed, Mapping):
            return float(changed.get(key, default))
        return default if changed is None else float(changed)

    def min_slope(self, diameter_mm: float, inside_mm: float) -> float:
        """Least slope of a nominal size; a narrow pipe counts as the next size down. [%]"""
        size = round(diameter_mm)
        if inside_mm / diameter_mm < self.number("min_inside_ratio"):
            size = max((s for s in US_MIN_SLOPE if s < size), default=size)
        eu = self.rule_set == "eu-metric"
        table = 100.0 / size if eu else US_MIN_SLOPE.get(size, 0.0)
        return self.entry("min_slope_pct", str(size), table)

    def max_depth_ratio(self, diameter_mm: float) -> float:
        """Greatest depth of flow over diameter at design flow."""
        us = 0.75 if diameter_mm <= 375 else 0.85
        default = 0.70 if self.rule_set == "eu-metric" else us
        return self.entry("max_depth_ratio", str(round(diameter_mm)), default)

    def connection_min_slope(self, diameter_mm: float) -> float:
        """Least slope of a house connection. [%]"""
        size = round(diameter_mm)
        table = CONNECTION_MIN_SLOPE[self.rule_set]
        return self.entry("connection_min_slope_pct", str(size), table.get(size, table[150]))

    def drop(self, *, turns: bool) -> float:
        """Least drop through a manhole. [m]"""
        return self.entry(
            "min_manhole_drop_m", "turn" if turns else "straight", DROPS[self.rule_set][turns]
        )

    def clearance(self, kind: str, quality: str) -> float:
        """Least clearance of a bore to a service, without tolerance. [m]"""
        table = (0.30 if quality == "A" else 0.60) * (1.5 if kind in DANGEROUS else 1.0)
        return self.entry("clearance_m", kind, table)

    def required_cover(self, bore: float) -> float:
        """Least cover over a bore of a diameter. [m]"""
        return max(self.number("min_cover_m"), self.number("min_cover_bore_diameters") * bore)
