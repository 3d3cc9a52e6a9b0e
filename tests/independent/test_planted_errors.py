"""The audit finds nothing in a plan that holds, and every error that is planted in it."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
from shapely.geometry import LineString, Point, box

from tests.independent.arithmetic import audit, unreported
from tests.independent.hand_made import CRS, HandMade, make, on_grid


def rules_found(plan: HandMade) -> set[str]:
    return {finding.rule for finding in audit(plan.project_file, plan.write())}


def test_a_plan_that_holds_has_no_findings(tmp_path: Path) -> None:
    plan = make(tmp_path)
    assert audit(plan.project_file, plan.write()) == []


CELLS = [  # layer, row, column, value, the rule that must be found
    ("legs", 0, "fall_m", 0.61, "fall_closes"),
    ("legs", 0, "slope_pct", 1.02, "slope_closes"),
    ("legs", 0, "invert_up_m", 17.645, "grid_of_levels"),
    ("legs", 0, "length_m", 60.02, "length_m"),
    ("legs", 1, "bored_length_m", 57.0, "bored_length_m"),
    ("legs", 1, "bore_diameter_mm", 276.0, "bore_diameter_mm"),
    ("legs", 0, "bore_axis_up_m", 17.788, "bore_axis"),
    ("legs", 0, "min_cover_m", 3.0, "min_cover_column"),
    ("legs", 0, "diameter_mm", 150, "min_diameter_mm"),
    ("legs", 0, "diameter_mm", 150, "diameter_mm"),
    ("legs", 0, "capacity_l_per_s", 33.5, "capacity_l_per_s"),
    ("legs", 0, "velocity_m_per_s", 0.5, "velocity_m_per_s"),
    ("legs", 0, "depth_ratio", 0.3, "depth_ratio"),
    ("legs", 0, "flow_l_per_s", 0.028, "flow_l_per_s"),
    ("legs", 1, "down_pit", "X", "pit_exists"),
    ("legs", 1, "down_pit", "B", "reaches_tie_in"),
    ("legs", 1, "up_pit", "A", "one_outlet"),
    ("legs", 1, "leg_id", "L1", "unique_id"),
    ("legs", 0, "launch_pit", "T", "may_launch"),
    ("legs", 0, "pipe_entry_pit", "T", "pipe_entry_pit"),
    ("pits", 1, "floor_elev_m", 17.20, "floor_elev_m"),
    ("pits", 1, "depth_m", 3.40, "depth_m"),
    ("pits", 1, "ground_elev_m", 20.7, "ground_elev_m"),
    ("pits", 1, "launches", 1, "launches"),
    ("pits", 1, "drop_m", 0.0, "drop_m"),
    ("pits", 1, "invert_elev_m", 17.67, "invert_elev_m"),
    ("pits", 0, "invert_elev_m", 17.01, "tie_in_invert"),
    ("pit_footprints", 0, "volume_m3", 30.0, "volume_m3"),
    ("connections", 0, "property_id", "H2", "one_connection"),
    ("connections", 0, "joins", "L9", "joins"),
    ("connections", 0, "length_m", 9.0, "connection_length"),
    ("connections", 0, "invert_sewer_m", 17.53, "connection_entry"),
    ("connections", 0, "invert_property_m", 18.41, "connection_floor_drop_m"),
    ("connections", 0, "invert_property_m", 17.84, "connection_min_slope_pct"),
    ("connections", 0, "depth_at_sewer_m", 2.9, "depth_at_sewer_m"),
    ("connections", 0, "served", False, "why_not"),
    ("connections", 0, "cost", 60.0, "cost_breakdown"),
]


@pytest.mark.parametrize(("layer", "row", "column", "value", "rule"), CELLS)
def test_a_false_cell_is_found(
    tmp_path: Path, layer: str, row: int, column: str, value: object, rule: str
) -> None:
    plan = make(tmp_path)
    plan.layers[layer][column] = plan.layers[layer][column].astype(object)
    plan.layers[layer].loc[row, column] = value
    plan.layers[layer] = plan.layers[layer].infer_objects()
    assert rule in rules_found(plan)


SHAPES = [  # layer, row, shape in metres from the tie-in, the rule that must be found
    ("legs", 0, LineString([(60, 0.005), (0, 0)]), "leg_meets_pit"),
    ("legs", 1, LineString([(120, 0), (90, 8), (60, 0)]), "straight"),
    ("legs", 1, LineString([(120, 0), (90, 8), (60, 0)]), "right_of_way"),
    ("pit_footprints", 0, box(58.0, -1.35, 62.0, 1.35), "footprint_size"),
    ("pit_footprints", 0, box(61.0, -1.35, 65.3, 1.35), "footprint_holds_pit"),
    ("pit_footprints", 0, box(57.85, 5.35, 62.15, 8.05), "right_of_way"),
    ("connections", 0, LineString([(40, 10), (40, 0.5)]), "join_on_sewer"),
    ("connections", 0, LineString([(40, 9), (40, 0)]), "starts_at_property"),
    ("connections", 0, LineString([(40, 60), (40, 0)]), "connection_max_length_m"),
]


@pytest.mark.parametrize(("layer", "row", "shape", "rule"), SHAPES)
def test_a_false_shape_is_found(
    tmp_path: Path, layer: str, row: int, shape: object, rule: str
) -> None:
    plan = make(tmp_path)
    plan.layers[layer].loc[row, "geometry"] = on_grid(shape, plan.k)
    assert rule in rules_found(plan)


def lower(plan: HandMade, by: float) -> None:
    """Set L2 and what hangs on it higher (by below 0) or lower."""
    for column in ("invert_up_m", "invert_down_m", "bore_axis_up_m", "bore_axis_down_m"):
        plan.layers["legs"].loc[1, column] -= by


RULES = [  # change of the project's rules, the rule that must be found
    ("min_cover_m = 2.8", "min_cover_m"),
    ("frost_depth_m = 2.8", "frost_depth_m"),
    ("max_leg_length_m = 59.9", "max_leg_length_m"),
    ("min_leg_length_m = 60.1", "min_leg_length_m"),
    ("max_depth_m = 3.4", "max_depth_m"),
    ("min_slope_pct = 1.1", "min_slope_pct"),
    ("max_slope_pct = 0.9", "max_slope_pct"),
    ("min_velocity_m_per_s = 1.1", "min_velocity_m_per_s"),
    ("max_velocity_m_per_s = 0.1", "max_velocity_m_per_s"),
    ("max_depth_ratio = 0.01", "max_depth_ratio"),
    ("connection_max_length_m = 9.9", "connection_max_length_m"),
    ("connection_min_slope_pct = 3.1", "connection_min_slope_pct"),
    ("min_manhole_drop_m = 0.04", "min_manhole_drop_m"),
    ("max_drop_structure_m = 0.02", "max_drop_structure_m"),
    ("clearance_m = 1.6", "conflict_missing"),
]


@pytest.mark.parametrize(("change", "rule"), RULES)
def test_a_stricter_rule_is_broken(tmp_path: Path, change: str, rule: str) -> None:
    plan = make(tmp_path)
    with plan.project_file.open("a", encoding="utf-8") as file:
        file.write(f"[rules]\n{change}\n")
    assert rule in rules_found(plan)


def test_a_drop_that_is_too_small_is_found(tmp_path: Path) -> None:
    plan = make(tmp_path)
    lower(plan, 0.01)
    assert "min_manhole_drop_m" in rules_found(plan)


def test_a_breach_that_the_plan_reports_is_excused_and_an_untruth_is_not(tmp_path: Path) -> None:
    plan = make(tmp_path)
    lower(plan, 0.01)
    plan.layers["pits"].loc[1, "ground_elev_m"] = 30.0
    told = {"rule": "min_manhole_drop_m", "subject": "A", "severity": "breach"}
    plan.summary |= {"breaches": [told], "status": "breaks rules"}
    found = audit(plan.project_file, plan.write())
    left = {finding.rule for finding in unreported(found, plan.summary)}
    assert "min_manhole_drop_m" not in left
    assert "ground_elev_m" in left


def test_a_missing_rule_name_is_found(tmp_path: Path) -> None:
    plan = make(tmp_path)
    del plan.summary["rules"]["max_pond_mm"]
    assert rules_found(plan) == {"rule_names"}


def test_a_missing_column_is_found(tmp_path: Path) -> None:
    plan = make(tmp_path)
    plan.layers["test_holes"] = plan.layers["test_holes"].drop(columns="why")
    assert rules_found(plan) == {"columns"}


@pytest.mark.parametrize("key", ["legs", "length_m", "pits", "properties", "served", "cost"])
def test_a_false_total_is_found(tmp_path: Path, key: str) -> None:
    plan = make(tmp_path)
    plan.summary["totals"][key] += 1
    assert rules_found(plan) == {"cost" if key == "cost" else "totals"}


def test_a_property_of_the_input_without_a_row_is_found(tmp_path: Path) -> None:
    plan = make(tmp_path)
    row = {"property_id": "H2", "geometry": on_grid(Point(70, 10), plan.k)}
    more = gpd.GeoDataFrame([row], crs=CRS)
    path = tmp_path / "properties.gpkg"
    both = pd.concat([gpd.read_file(path), more])
    path.unlink()
    both.to_file(path, layer="properties")
    assert {"one_connection", "inputs"} <= rules_found(plan)


def test_a_pit_in_a_keep_out_is_found(tmp_path: Path) -> None:
    plan = make(tmp_path)
    area = on_grid(box(61, -3, 80, 3), plan.k)
    frame = gpd.GeoDataFrame([{"reason": "new", "applies_to": "pits", "geometry": area}], crs=CRS)
    frame.to_file(tmp_path / "keep_out.gpkg")
    with plan.project_file.open("a", encoding="utf-8") as file:
        file.write('[keep_out]\npath = "keep_out.gpkg"\n')
    assert rules_found(plan) == {"keep_out", "inputs"}
