"""Every rule that a design can break is broken once: found, and nothing that is not there."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

import planner
from planner.steps.findings.stated import NEAR
from tests.builders import GROUND_CRS, line, plane, point, polygon
from tests.check.drawn import (
    HOUSES,
    SERVICES,
    STREETS,
    Case,
    Frames,
    broken,
    check,
    drawn_frames,
    drawn_site,
    leg,
    moved,
    pit,
    rules,
    several,
    spot,
    tie_in,
    with_leg,
    with_pit,
    without,
)

GAS, MAIN = SERVICES
FAR = "2099-01-01"  # a ban that holds on the project's date


def bend(frames: Frames) -> Frames:
    """L1 by way of a point 1 m beside it."""
    ends = shapely.get_coordinates(frames["legs"].geometry.iloc[0])
    middle = ends.mean(axis=0) + np.array([0.0, 1.0])
    line_of_three = shapely.LineString([ends[0], middle, ends[1]])
    return frames | {"legs": moved(frames["legs"], 0, line_of_three)}


def move_pit(frames: Frames) -> Frames:
    """P3 drawn 2 m away from the end of its leg."""
    return frames | {"pits": moved(frames["pits"], 3, spot(142.0, 5.0))}


def hole(x: Any, y: Any) -> Any:
    """Ground without elevation between x = 30 and 60."""
    return np.where((x > 30) & (x < 60), np.nan, plane(100.0, fall_x=-0.01)(x, y))


def beside(levels: tuple[float, float]) -> dict[str, Any]:
    """A water main along L1, 0.7 m beside it."""
    ends = [(10.0, 1.325, levels[0]), (70.0, 5.075, levels[1])]
    return {
        "utilities": [line(*ends, kind="water", quality="A", diameter_m=0.2, utility_id="W")],
        "tables": {"utilities": {"use_z": True}},
    }


def crossing(**columns: Any) -> dict[str, Any]:
    """One service across L1 at x = 40."""
    return {"utilities": [line((40, -9), (40, 9), quality="A", utility_id="U", **columns)]}


def joined(**changes: Any) -> Any:
    """The connection of HC drawn into leg C, with other figures."""

    def change(frames: Frames) -> Frames:
        row = {
            "connection_id": "K", "property_id": "HC", "joins": "C", "diameter_mm": 100.0,
            "invert_property_m": 99.50, "invert_sewer_m": 97.70,
        } | changes  # fmt: skip
        shape = shapely.LineString([spot(112, -35), spot(row.pop("x", 104.666), -35)])
        frame = gpd.GeoDataFrame({k: [v] for k, v in row.items()}, geometry=[shape], crs=GROUND_CRS)
        return frames | {"connections": frame}

    return change


STRUCTURE = [
    Case("leg_meets_pit", "L3", move_pit),
    Case("unique_id", "C", leg("L3", leg_id="C")),
    Case("unique_id", "P3", with_pit("P3", 160, 5), brings=("reaches_tie_in",)),
    Case("one_outlet", "P2", several(leg("L3", up_pit="P2", down_pit="P3"),
         leg("L3", invert_up_m=96.90, invert_down_m=96.60)),
         brings=("reaches_tie_in", "max_turn_deg")),
    Case("no_circle", "P2", with_leg("X", "P1", "P2", (96.6, 96.9)),
         brings=("one_outlet", "no_circle")),
    Case("reaches_tie_in", "PC", without("legs", "L1")),
    Case("pit_exists", "L3", without("pits", "P3")),
    Case("straight_leg", "L1", bend),
    Case("launch_pit", "L3", leg("L3", launch_pit="nowhere")),
    Case("may_launch", "L1", leg("L1", launch_pit="T")),
    Case("joins_exists", "HC", joined(joins="nowhere")),
    Case("property_exists", "nobody", joined(property_id="nobody")),
]  # fmt: skip
LIMITS = [
    # at PC the ground is 101.05; 101.05 - 99.80 - 0.258 = 0.99 m of cover
    Case("min_cover_m", "C", leg("C", invert_up_m=99.80)),
    # at PD cover is 101.05 - 97.40 - 0.258 = 3.39 m, and 12 x 0.296 = 3.55 m
    Case("min_cover_bore_diameters", "D", site=rules(min_cover_bore_diameters=12.0),
         brings=("min_cover_m",)),
    Case("min_cover_m", "D", site={"zones": [polygon(
        (100, 30), (110, 30), (110, 60), (100, 60), reason="rails", min_cover_m=3.6)]}),
    # over the pipe there are 3.41 m at PD, 3.46 m at PC
    Case("frost_depth_m", "D", site=rules(frost_depth_m=3.45)),
    Case("max_depth_m", "P1", site=rules(max_depth_m=4.6)),  # 100.80 - 96.65 + 0.50 = 4.65
    Case("max_leg_depth_m", "L1", site=rules(max_leg_depth_m=4.14)),  # 100.80 - 96.65 = 4.15
    Case("min_leg_length_m", "L2", site=rules(min_leg_length_m=25.0)),  # 22 m
    Case("max_leg_length_m", "L1", site=rules(max_leg_length_m=60.0)),  # 80.16 m
    Case("max_manhole_spacing_m", "L1", site=rules(max_manhole_spacing_m=60.0)),
    Case("max_manhole_spacing_m", "L2", pit("P1", manhole=False), brings=("manhole",)),  # 102 m
    Case("manhole", "P1", pit("P1", manhole=False), brings=("max_manhole_spacing_m",)),
    Case("min_diameter_mm", "C", leg("C", diameter_mm=150.0)),
    Case("min_slope_pct", "L1", leg("L1", invert_up_m=96.30), brings=("min_velocity_m_per_s",)),
    Case("min_slope_pct", "C", leg("C", invert_up_m=96.80),  # it falls the wrong way
         brings=("min_velocity_m_per_s", "max_depth_ratio")),
    Case("max_slope_pct", "L3", site=rules(max_slope_pct=0.915)),  # 0.35 / 38 = 0.921 %
    Case("min_velocity_m_per_s", "L1", site=rules(min_velocity_m_per_s=0.95)),
    Case("min_shear_pa", "L3", site=rules(self_cleansing="shear", min_shear_pa=50.0)),
    Case("max_velocity_m_per_s", "L1",
         site=rules(min_velocity_m_per_s=0.01, max_velocity_m_per_s=0.05)),
    Case("max_depth_ratio", "L1", site=rules(max_depth_ratio=0.01)),
    Case("min_inside_ratio", "C", leg("C", inside_diameter_mm=170.0)),  # 170 / 200 = 0.85
    Case("inside_diameter_mm", "C", leg("C", inside_diameter_mm=280.0),  # the outside is 276 mm
         brings=("size_change_match",)),
    Case("outside_diameter_mm", "C", leg("C", bore_diameter_mm=250.0)),
]  # fmt: skip
MANHOLES = [
    Case("size_change_match", "L2", leg("C", diameter_mm=250.0)),  # 250 into 200
    # 300 leaves P1 0.05 m under the 200 that comes in: crowns ask for 0.10 m
    Case("size_change_match", "P1", leg("L1", diameter_mm=300.0)),
    Case("min_manhole_drop_m", "P1", leg("L2", invert_down_m=96.66)),  # 0.01 m straight on
    Case("min_manhole_drop_m", "P2", leg("C", invert_down_m=96.93)),  # 0.03 m at a turn
    Case("min_manhole_drop_m", "T", leg("L1", invert_down_m=96.02)),  # 0.02 m
    Case("min_manhole_drop_m", "T", site=tie_in(outlet_diameter_mm=400.0)),  # 0.03 + 0.20 m
    Case("max_drop_structure_m", "P2", site=rules(max_drop_structure_m=0.08)),  # 0.10 m
    Case("max_turn_deg", "P2", site=rules(max_turn_deg=80.0)),  # 86.2 degrees
    Case("min_leg_separation_deg", "P2", site=rules(min_leg_separation_deg=88.0)),  # 86.2 apart
    Case("tie_in_inlet_deg", "T", site=tie_in(outlet_bearing_deg=45.0)),
    Case("max_turn_deg", "T", site=tie_in(outlet_bearing_deg=180.0) | rules(max_turn_deg=80.0)),
    Case("spare_l_per_s", "T", site=tie_in(spare_l_per_s=0.01)),
]
NEIGHBOURS = [
    Case("clearance_m", "L1", site=crossing(kind="gas", depth_m=4.0)),
    # the main's bottom is at 100.40 - 3.50 - 0.20 = 96.70, the pipe's top at 96.59
    Case("water_vertical_m", "L1", site=crossing(kind="water", depth_m=3.5, diameter_m=0.2),
         brings=("clearance_m",)),
    Case("water_horizontal_m", "L1", site=beside((96.32, 96.77)), brings=("clearance_m",)),
    Case("pit_clearance_m", "P3", site={"utilities": [
        line((140, -20), (140, 20), kind="gas", depth_m=1.0, quality="A", utility_id="G")]}),
    Case("clearance_m", "D", several(
        with_pit("Q1", 96, 20), with_pit("Q2", 104.2, 20),
        with_leg("X", "Q1", "Q2", (97.3, 97.1))),
        brings=("min_leg_length_m", "reaches_tie_in", "pit_clearance_m")),
    Case("pit_clearance_m", "P3", with_pit("Q", 142, 5), brings=("reaches_tie_in",)),
]  # fmt: skip
PLACES = [
    Case("right_of_way", "D", site={"right_of_way": [
        polygon((-20, -100), (200, -100), (200, 40), (-20, 40))]}),
    Case("right_of_way", "P3", site={"right_of_way": [
        polygon((-20, -100), (200, -100), (200, 6.3), (110, 6.3), (110, 99), (-20, 99))]}),
    Case("keep_out", "L1", site={"keep_out": [
        polygon((30, -9), (40, -9), (40, 9), (30, 9), reason="root", applies_to="legs")]}),
    Case("keep_out", "P3", site={"keep_out": [
        polygon((139, 0), (141, 0), (141, 9), (139, 9), reason="new", applies_to="pits",
                until=FAR)]}),
    Case("no_cut_until", "P3", site={"streets": [
        STREETS[0] | {"no_cut_until": FAR}, STREETS[1]]}),
    Case("no_cut_until", "P3", site={"zones": [
        polygon((130, 0), (150, 0), (150, 9), (130, 9), reason="new", no_cut_until=FAR)]}),
    Case("ground_nodata", "L1", site={"ground": hole}),
    Case("clear_m", "P3", site={"street_features": [point(140, 8, kind="hydrant", name="7")]}),
    Case("clear_m", "P3", site={"street_features": [point(132, 7, kind="bus_stop")]}),
    Case("forbidden_street", "D", site={"streets": [
        STREETS[0], STREETS[1] | {"sewer": "forbidden"}]}),
]  # fmt: skip
CONNECTIONS = [
    # from 99.50 the least fall over 7.33 m is 2.5 %, 0.18 m
    Case("connection_min_slope_pct", "K", joined(invert_sewer_m=99.40)),
    Case("connection_max_length_m", "K", joined(), rules(connection_max_length_m=7.0)),
    Case("connection_diameter_mm", "K", joined(diameter_mm=75.0)),
    Case("connection_floor_drop_m", "K", joined(invert_property_m=100.80)),  # floor 101.12 m
    Case(
        "connection_into_manhole",
        "K",
        joined(joins="P2", x=102.0),
        rules(connection_into_manhole="end only"),
    ),
    # C's invert at y = -35 is 97.35 - 0.35 / 9 = 97.31; half of 0.20 m over it is 97.41
    Case("connection_entry_ratio", "K", joined(invert_sewer_m=97.35)),
    Case("stated_length_m", "K", joined(length_m=9.0)),
]
NOT_BROKEN = {
    "max_manhole_drop_m": "above it a drop structure is priced: advice",
    "bored_slope_margin_pct": "a preference: advice",
    "connection_clearance_m": "the planner's own connections keep it where they can",
    "connection_max_depth_m": "deeper ones take a riser",
    "anchor_spacing_m": "what steep legs are built with: advice",
    "test_hole_clearance_m": "where test holes are asked for",
    "max_unproven_probability": "a row unproven is no breach",
    "max_pond_mm": "what a survey of the built sewer is held to",
    "line_tolerance_mm": "part of what is required of a clearance",
    "grade_tolerance_mm": "likewise",
    "clearance_factor": "likewise",
    "min_manhole_turn_deg": "tells a turn from straight on",
    "manhole_diameter_m": "what the planner builds",
    "self_cleansing": "which of two rules holds",
    "roughness": "how pipes are computed",
    "manning_n": "likewise",
    "flow_per_person_l_per_day": "how much flows",
    "infiltration_l_per_s_per_km_per_mm": "likewise",
    "max_peak_factor": "likewise",
    "future_people_factor": "likewise",
    "min_open_lane_m": "work zones are not drawn in a design",
    "min_emergency_width_m": "likewise",
}
"""Rules of the book that no design can break, and why."""
CHOSEN = ("connection_large", "connection_cover", "connection_trench", "connection_shaft")
"""What the planner goes by where it chooses connections itself."""
CASES = [*STRUCTURE, *LIMITS, *MANHOLES, *NEIGHBOURS, *PLACES, *CONNECTIONS]


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> planner.Site:
    return drawn_site(tmp_path_factory.mktemp("clean"))


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case.rule}-{case.subject}")
def test_a_broken_rule_is_found_and_nothing_else(
    clean: planner.Site, tmp_path: Path, case: Case
) -> None:
    site = drawn_site(tmp_path, **case.site) if case.site else clean
    found = broken(check(site, case.design(drawn_frames())))
    assert (case.rule, case.subject) in found
    assert {rule for rule, _ in found} <= {case.rule, *case.brings}


def test_every_rule_of_the_book_is_broken_once_or_cannot_be(clean: planner.Site) -> None:
    told = {case.rule for case in CASES} | set(NOT_BROKEN)
    silent = [name for name in clean.book.rules if name not in told]
    assert [name for name in silent if not name.startswith(CHOSEN)] == []


@pytest.mark.parametrize(
    ("layer", "column"), [(layer, column) for layer in NEAR for column in NEAR[layer]]
)
def test_a_stale_figure_is_found_and_nothing_else(
    clean: planner.Site, layer: str, column: str
) -> None:
    plan = check(clean, drawn_frames())
    stated: gpd.GeoDataFrame = getattr(plan, layer).copy()
    value = pd.to_numeric(stated[column]).iloc[-1]
    stated[column] = stated[column].astype(float)
    stated.loc[stated.index[-1], column] = value * 1.2 + 2.0
    rows = check(clean, drawn_frames() | {layer: stated}).summary["breaches"]
    found = {row["rule"] for row in rows if row["subject"] == stated.iloc[-1, 0]}
    assert found == {f"stated_{column}"}


def test_what_follows_is_not_taken_from_what_is_stated(clean: planner.Site) -> None:
    plan = check(clean, drawn_frames())
    stale = plan.legs.assign(slope_pct=9.0, length_m=1.0)
    again = check(clean, drawn_frames() | {"legs": stale})
    assert again.legs["slope_pct"].tolist() == plan.legs["slope_pct"].tolist()


def test_nothing_is_found_in_the_clean_design(clean: planner.Site) -> None:
    plan = check(clean, drawn_frames())
    assert broken(plan) == set()
    assert plan.summary["status"] == "ok"


def test_every_finding_has_a_remedy_with_words(clean: planner.Site) -> None:
    frames = several(leg("L1", invert_up_m=96.30), pit("P1", manhole=False))(drawn_frames())
    rows = check(clean, frames).summary["breaches"]
    assert len(rows) >= 3
    assert [row["rule"] for row in rows if len(row["remedy"].split()) < 3] == []


@pytest.mark.parametrize(
    ("design", "site", "rule"),
    [
        (leg("L2", invert_down_m=97.30, invert_up_m=97.50), {}, "max_manhole_drop_m"),
        (leg("L1"), tie_in(high_water_elev_m=96.5), "high_water_elev_m"),
        (leg("L1", invert_up_m=96.50), {}, "bored_slope_margin_pct"),  # 0.56 %, least 0.50
    ],
)  # fmt: skip
def test_advice_is_given_and_breaks_nothing_by_itself(
    tmp_path: Path, design: Any, site: dict[str, Any], rule: str
) -> None:
    rows = check(drawn_site(tmp_path, **site), design(drawn_frames())).summary["breaches"]
    assert rule in {row["rule"] for row in rows if row["severity"] == "advice"}


@pytest.mark.parametrize(
    "site",
    [
        {"keep_out": [polygon((30, -9), (40, -9), (40, 9), (30, 9), applies_to="legs",
                              until="2020-01-01")]},
        {"keep_out": [polygon((30, -9), (40, -9), (40, 9), (30, 9), applies_to="test_holes")]},
        {"street_features": [point(140, 8, kind="school"), point(155.5, 7, kind="bus_stop")]},
        {"utilities": [*SERVICES, line((140, -20), (140, 20), kind="gas", depth_m=1.0,
                                       quality="A", status="abandoned")]},
        {"properties": [*HOUSES[:-1]]},
        {"tie_ins": [point(0.5, 0.4, tie_in_id="MH9", invert_elev_m=96.0)]},
    ],
    ids=["a ban that is over", "a ban of other things", "far or silent features",
         "an abandoned service in a pit", "a house less", "a tie-in near the pit"],
)  # fmt: skip
def test_what_breaks_nothing_is_not_found(tmp_path: Path, site: dict[str, Any]) -> None:
    assert broken(check(drawn_site(tmp_path, **site), drawn_frames())) == set()
