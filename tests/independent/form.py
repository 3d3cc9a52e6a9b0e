"""Layers, columns, identifiers and the grid of levels."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tests.independent.figures import NAMES
from tests.independent.records import RECORD, Case, Finding

COLUMNS = {
    "pits": "pit_id kind street ground_elev_m invert_elev_m floor_elev_m depth_m launches receives "
    "manhole manhole_diameter_m drop_m lanes_closed days_open binds cost",
    "legs": "leg_id up_pit down_pit run_id station_down_m station_up_m street length_m "
    "bored_length_m fall_m slope_pct invert_up_m invert_down_m diameter_mm inside_diameter_mm "
    "outside_diameter_mm bore_diameter_mm bore_axis_up_m bore_axis_down_m material min_cover_m "
    "flow_l_per_s capacity_l_per_s velocity_m_per_s velocity_full_m_per_s depth_ratio launch_pit "
    "pipe_entry_pit method reamer_diameter_mm binds cost",
    "connections": "connection_id property_id joins method length_m slope_pct diameter_mm "
    "invert_property_m invert_sewer_m depth_at_sewer_m served why_not cost",
    "conflicts": "conflict_id subject utility_id kind owner quality rule measure station_m "
    "clearance_m required_m severity strike_probability resolution status",
    "test_holes": "test_hole_id utility_id subject priority mandatory worth_ratio "
    "expected_top_elev_m why cost",
    "pit_footprints": "pit_id length_m width_m depth_m shoring volume_m3",
    "equipment": "leg_id pit_id component",
    "lane_closures": "closure_id pit_id street lanes_closed control approach area period "
    "open_width_m start_day end_day",
}
ON_GRID = 1e-6  # [m] how far a level may lie from the printed grid
KEYS = (("pits", "pit_id"), ("legs", "leg_id"), ("connections", "connection_id"))


def check_columns(layer: str, columns: list[str]) -> Iterator[Finding]:
    """Every column of a layer is there."""
    for name in COLUMNS[layer].split():
        if name not in columns:
            yield Finding("columns", layer, "absent", name, RECORD)


def check_identifiers(case: Case) -> Iterator[Finding]:
    """No identifier stands twice or is empty."""
    for layer, key in KEYS:
        names = getattr(case, layer)[key]
        for name in names[names.duplicated() | names.isna()]:
            yield Finding("unique_id", str(name), layer, "once", RECORD)


def check_rule_names(case: Case) -> Iterator[Finding]:
    """Every rule stands in the summary, with a source; a plain number agrees with ours."""
    written = case.summary["rules"]
    for name in NAMES:
        if name not in written:
            yield Finding("rule_names", name, "absent", "in rules", RECORD)
        elif not written[name].get("source"):
            yield Finding("rule_names", name, "no source", "a source", RECORD)
    for name, rule in written.items():
        ours, value = _plain(case, name), rule["value"]
        number = isinstance(value, (int, float)) and not isinstance(value, bool)
        if number and np.isfinite(ours) and abs(ours - value) > 1e-9:
            yield Finding("rule_value", name, value, ours, RECORD)


def _plain(case: Case, name: str) -> float:
    changed = case.rules.changes.get(name)
    return float("nan") if isinstance(changed, (dict, str)) else case.rules.number(name)


def check_grid_of_levels(case: Case) -> Iterator[Finding]:
    """Inverts and falls are multiples of the printed step, and close."""
    served = case.connections[case.connections["served"].astype(bool)]
    places = (
        (case.legs, "leg_id", ("invert_up_m", "invert_down_m", "fall_m")),
        (case.pits, "pit_id", ("invert_elev_m",)),
        (served, "connection_id", ("invert_property_m", "invert_sewer_m")),
    )
    for frame, key, columns in places:
        for column in columns:
            levels = frame[column].to_numpy(float)
            off = np.abs(levels - np.round(levels / case.level_step) * case.level_step)
            for name, level in zip(
                frame[key][~(off < ON_GRID)], levels[~(off < ON_GRID)], strict=True
            ):
                yield Finding("grid_of_levels", str(name), level, case.level_step, RECORD)


def check_falls(case: Case) -> Iterator[Finding]:
    """Upper invert less lower invert is the fall, and the printed slope gives it back."""
    for leg in case.legs.itertuples():
        fall = leg.invert_up_m - leg.invert_down_m
        if not abs(fall - leg.fall_m) < ON_GRID:
            yield Finding("fall_closes", leg.leg_id, leg.fall_m, fall, RECORD)
        printed = leg.slope_pct / 100 * leg.length_m
        if not abs(printed - fall) < case.level_step / 2:
            yield Finding("slope_closes", leg.leg_id, leg.slope_pct, fall / leg.length_m, RECORD)
