"""Conflicts of legs, pits and connections with services on a flat place worked out by hand."""

from __future__ import annotations

from dataclasses import replace
from statistics import NormalDist
from typing import Any

import numpy as np
import pandas as pd
import pytest
from shapely.geometry import LineString, MultiLineString, Point, box

from planner.model import CONFLICT_COLUMNS, Site
from planner.steps.clearances import (
    Conflicts,
    Legs,
    Pits,
    find_conflicts,
    index_services,
    nearest_services,
    prepare_services,
)
from tests.steps.clearance_site import (
    connections_of,
    crossing,
    legs_of,
    manhole,
    no_pits,
    one_leg,
    one_pit,
    plane,
    service,
    site_of,
)

# The leg's bore lies at 97.00 with a radius of 0.15: its top is at 97.15. The pipe of 0.20 lies on
# its floor, from 96.85 to 97.05.


def found(site: Site, legs: Legs | None = None, pits: Pits | None = None, **more: Any) -> Conflicts:
    services = prepare_services(site)
    return find_conflicts(
        site, services, legs or one_leg(), pits or no_pits(), more.get("joined", connections_of())
    )


def no_legs() -> Legs:
    return legs_of([])


def only_row(conflicts: Conflicts) -> pd.Series:
    assert len(conflicts.frame) == 1
    return conflicts.frame.iloc[0]


@pytest.mark.parametrize(
    ("top", "severity", "clearance"),
    [
        (97.66, "tight", 0.31),  # 97.46 - 97.15; required 0.30 + 0.013
        (97.35, "tight", 0.00),  # they touch
        (97.30, "clash", -0.05),  # 97.10 - 97.15
    ],
)
def test_a_crossing_of_quality_a(top: float, severity: str, clearance: float) -> None:
    row = only_row(found(site_of([crossing(30, top + 1e-9)])))
    assert row["severity"] == severity
    assert row["clearance_m"] == pytest.approx(clearance, abs=1e-8)


def test_a_crossing_that_keeps_the_clearance_and_the_tolerance_is_no_row() -> None:
    # 97.664 - 0.20 - 97.15 = 0.314, required 0.30 + 0.013; sure enough by decree
    site = site_of([crossing(30, 97.664)], rules={"max_unproven_probability": 1.0})
    assert found(site).frame.empty


@pytest.mark.parametrize(
    ("kind", "quality", "required"),
    [
        ("telecom", "A", 0.30 + 0.013),
        ("telecom", "C", 0.60 + 0.013),
        ("gas", "A", 0.45 + 0.013),
        ("electric", "D", 0.90 + 0.013),
    ],
)
def test_required_clearance_is_the_table_and_the_tolerance_in_level(
    kind: str, quality: str, required: float
) -> None:
    row = only_row(found(site_of([crossing(30, 97.4, kind=kind, quality=quality)])))
    assert row["required_m"] == pytest.approx(required)


@pytest.mark.parametrize(("degrees", "tolerance"), [(10, 0.025), (20, 0.013), (90, 0.013)])
def test_a_service_alongside_takes_the_tolerance_in_plan(degrees: float, tolerance: float) -> None:
    turn = np.radians(degrees)
    ends = [(45 + k * np.cos(turn), k * np.sin(turn), 97.4) for k in (-20, 20)]
    row = only_row(found(site_of([service(LineString(ends))])))
    assert row["required_m"] == pytest.approx(0.30 + tolerance)


def test_an_abandoned_service_is_in_the_way_of_a_bore_but_not_of_a_pit() -> None:
    site = site_of([crossing(0.5, 97.2, status="abandoned")])
    frame = found(site, pits=one_pit()).frame
    assert frame["subject"].tolist() == ["L1"]


def test_a_service_at_the_very_end_of_a_leg_is_listed_for_the_leg_and_for_the_pit() -> None:
    frame = found(site_of([crossing(0.0, 97.2)]), pits=one_pit()).frame
    assert sorted(zip(frame["subject"], frame["rule"], strict=True)) == [
        ("L1", "clearance_m"),
        ("P1", "pit_clearance_m"),
    ]


@pytest.mark.parametrize(("x", "severity"), [(2.0, "tight"), (1.5, "clash"), (1.0, "clash")])
def test_a_pit_of_three_metres_keeps_to_a_live_service(x: float, severity: str) -> None:
    # the wall stands at 1.5: at x = 2.0 a pipe of 0.2 is 0.4 off, less than 0.6
    row = only_row(found(site_of([crossing(x, 99.0)]), legs_of([]), one_pit()))
    assert row["severity"] == severity
    assert row["clearance_m"] == pytest.approx(x - 1.5 - 0.1, abs=2e-4)


def test_a_connection_is_held_against_its_own_rule() -> None:
    # up over the service at 97.55: 97.0 + 6 / 12 x 1.2 = 97.6 at y = 6, level over its middle
    joined = connections_of([("K1", (30, 0, 97.6), (30, 12, 97.6))])
    site = site_of([service(LineString([(20, 6, 97.5), (40, 6, 97.5)]))])
    row = only_row(found(site, legs_of([]), joined=joined))
    # axes 97.6 and 97.4, radii 0.075 and 0.1: 0.025
    assert row["rule"] == "connection_clearance_m"
    assert row["clearance_m"] == pytest.approx(0.025)
    assert (row["severity"], row["required_m"]) == ("tight", 0.15)


# --- what is not known well


def test_a_pair_that_passes_but_may_not_is_unproven_by_the_strip_formula() -> None:
    # quality D, level sigma 0.9; gap 98.5 - 0.2 - 97.15 = 1.15; both widths 0.3 + 0.2
    row = only_row(found(site_of([crossing(30, 98.5, quality="D")])))
    phi = NormalDist().cdf
    assert row["severity"] == "unproven"
    expected = phi(-1.15 / 0.9) - phi(-(1.15 + 0.5) / 0.9)
    assert row["strike_probability"] == pytest.approx(expected, abs=1e-9)


def test_the_same_pair_measured_is_no_row() -> None:
    assert found(site_of([crossing(30, 98.5, quality="A")])).frame.empty


def test_an_assumed_level_counts_with_its_own_sigma_whatever_the_quality() -> None:
    given = {"quality": "B", "level_assumed": True}
    frame = found(site_of([crossing(30, 98.5, **given)])).frame
    assert frame["severity"].tolist() == ["unproven"]


def test_no_pair_is_unproven_where_any_probability_is_accepted() -> None:
    site = site_of([crossing(30, 98.5, quality="D")], rules={"max_unproven_probability": 1.0})
    assert found(site).frame.empty


# --- water


@pytest.mark.parametrize(
    ("top", "vertical"),
    [
        (97.65, 0.40),  # bottom of the main 97.45 above the pipe's top 97.05
        (96.40, 0.45),  # top of the main 96.40 below the pipe's bottom 96.85
    ],
)
def test_a_main_that_crosses_too_near_in_level(top: float, vertical: float) -> None:
    site = site_of([crossing(30, top, kind="water")], rules={"clearance_m": 0.0})
    row = only_row(found(site))
    assert (row["rule"], row["measure"]) == ("water_vertical_m", "vertical")
    assert row["clearance_m"] == pytest.approx(vertical)


def test_a_main_that_clears_the_pipe_by_eighteen_inches_is_no_row() -> None:
    # 97.05 + 0.4572 + 0.20 = 97.7072
    assert found(site_of([crossing(30, 97.708, kind="water")])).frame.empty


@pytest.mark.parametrize(("y", "rows"), [(3.1, 1), (3.26, 0)])
def test_a_main_beside_at_the_same_level_fails_in_plan(y: float, rows: int) -> None:
    # the gap between the outsides is y - 0.1 - 0.1; 3.048 is needed
    site = site_of([service(LineString([(-5, y, 97.1), (95, y, 97.1)]), kind="reclaimed")])
    frame = found(site).frame
    assert frame["rule"].tolist() == ["water_horizontal_m"] * rows
    assert frame["clearance_m"].tolist() == pytest.approx([y - 0.2] * rows)


def test_a_main_beside_and_a_little_above_fails_in_level() -> None:
    site = site_of([service(LineString([(-5, 2, 97.55), (95, 2, 97.55)]), kind="water")])
    row = only_row(found(site))
    assert row["rule"] == "water_vertical_m"
    assert row["clearance_m"] == pytest.approx(0.30)  # 97.35 - 97.05


def test_a_main_far_enough_below_asks_for_a_pressure_rated_pipe() -> None:
    site = site_of([crossing(30, 96.2, kind="water")])
    assert found(site).frame.empty
    row = only_row(found(site, one_leg(rated=False)))
    assert (row["rule"], row["severity"]) == ("water_horizontal_m", "tight")


def test_a_main_is_judged_where_it_is_nearest_not_where_the_leg_is_lowest() -> None:
    # the leg climbs 1 m in 90; the main crosses at x = 80, where the pipe's top is 97.939; ten
    # feet on either side the pipe is 0.035 higher or lower, and the higher end decides
    leg = one_leg((0, 0, 97.0), (90, 0, 98.0))
    site = site_of([crossing(80, 98.5, kind="water")], rules={"clearance_m": 0.0})
    row = only_row(found(site, leg))
    highest = 97.0 + (80 + 3.048 + 0.2) / 90 - 0.15 + 0.2
    assert row["clearance_m"] == pytest.approx(98.3 - highest, abs=1e-5)
    assert row["station_m"] == pytest.approx(83.248, abs=1e-4)


NEAR = [("K1", (30, 0, 97.6), (30, 12, 97.6))]  # pipe from 97.525 to 97.675, level


def house_row(*services: Any, **more: Any) -> pd.Series:
    site = site_of(list(services), rules={"connection_clearance_m": 0.0} | more)
    rows = found(site, legs_of([]), joined=connections_of(NEAR)).frame
    return only_row(Conflicts(rows[rows["rule"].str.startswith("water")], pd.DataFrame(), ()))


def test_a_connection_keeps_the_water_separation_from_a_main_that_it_crosses() -> None:
    """Bottom of the main 97.90 - 0.20 = 97.70 over the pipe's top 97.675."""
    row = house_row(service(LineString([(20, 6, 97.9), (40, 6, 97.9)]), kind="water"))
    assert (row["subject"], row["rule"], row["severity"]) == ("K1", "water_vertical_m", "tight")
    assert row["clearance_m"] == pytest.approx(0.025)


def test_a_connection_keeps_the_water_separation_from_a_house_service_beside_it() -> None:
    """A service of 0.20 two metres aside at one level: 2 - 0.10 - 0.075."""
    row = house_row(service(LineString([(32, 0, 97.7), (32, 12, 97.7)]), kind="water"))
    assert (row["rule"], row["severity"]) == ("water_horizontal_m", "tight")
    assert row["clearance_m"] == pytest.approx(1.825)


def test_a_connection_clashes_with_a_main_only_where_they_touch() -> None:
    """Through the pipe itself, and through the level of a pipe that it does not touch."""
    through = house_row(service(LineString([(20, 6, 97.7), (40, 6, 97.7)]), kind="water"))
    assert through["severity"] == "clash"
    steep = house_row(service(LineString([(20, 8, 99.0), (30, 12.6, 97.0)]), kind="water"))
    assert steep["severity"] == "tight"


def test_an_abandoned_main_asks_for_no_water_separation() -> None:
    sure = {"max_unproven_probability": 1.0}
    site = site_of([crossing(30, 97.67, kind="water", status="abandoned")], rules=sure)
    assert found(site).frame.empty


# --- the manhole's own pipes


def test_a_sewer_that_ends_in_the_manhole_is_its_own_pipe() -> None:
    own = service(LineString([(0.5, 0, 97.2), (-40, -30, 96.8)]), kind="sewer", utility_id="S1")
    conflicts = found(site_of([own], tie_in=manhole()), one_leg(tie_in=0))
    assert conflicts.frame.empty
    assert conflicts.own_pipes == (("L1", "S1", "T1"),)


def test_the_same_sewer_is_in_the_way_of_a_leg_that_goes_elsewhere() -> None:
    own = service(LineString([(0.5, 0, 97.2), (-40, -30, 96.8)]), kind="sewer")
    assert only_row(found(site_of([own], tie_in=manhole())))["severity"] == "clash"


def test_the_manholes_own_pipe_is_in_the_way_further_along() -> None:
    own = service(LineString([(0.5, 0, 97.2), (60, 0.2, 97.2)]), kind="sewer")
    row = only_row(found(site_of([own], tie_in=manhole()), one_leg(tie_in=0)))
    assert row["severity"] == "clash"
    assert row["station_m"] >= 0.6 + 0.3 + 2.0 - 1e-9


def test_a_gas_main_that_ends_in_the_manhole_is_not_its_own() -> None:
    gas = service(LineString([(0.5, 0, 97.2), (-40, -30, 96.8)]), kind="gas")
    assert not found(site_of([gas], tie_in=manhole()), one_leg(tie_in=0)).frame.empty


# --- services as pieces


def test_a_service_with_a_depth_follows_the_ground() -> None:
    # the ground rises 0.02 to the east; top 1.5 below it, axis 0.1 deeper
    row = service(LineString([(0, 5), (10, 5)]), depth_m=1.5)
    pieces = prepare_services(site_of([row], ground=plane(100.0, 0.02)))
    assert len(pieces.row) == 20
    np.testing.assert_allclose(pieces.start[:, 2], 98.4 + 0.02 * pieces.start[:, 0])


def test_a_service_with_levels_runs_straight_between_its_vertices() -> None:
    row = service(LineString([(0, 5, 98), (10, 5, 99), (30, 5, 97)]))
    pieces = prepare_services(site_of([row], ground=plane(100.0, 0.02)))
    np.testing.assert_allclose(pieces.start[:, 2], [97.9, 98.9])


def test_a_service_that_leaves_the_ground_keeps_its_last_known_level() -> None:
    row = service(LineString([(190, 0), (230, 0)]), depth_m=1.5)
    pieces = prepare_services(site_of([row]))
    np.testing.assert_allclose(pieces.end[:, 2], 98.4)
    assert len(pieces.without_level) == 0


def test_a_service_without_any_ground_is_named() -> None:
    rows = [crossing(30, 98), service(LineString([(300, 0), (310, 0)]), depth_m=1.5)]
    assert prepare_services(site_of(rows)).without_level.tolist() == [1]


def test_the_outer_corner_of_a_bent_duct_bank_is_filled() -> None:
    # a bank 2 m wide turns from east to north at (50, 0): its outer corner is (51, -1)
    bank = {"shape": "box", "width_m": 2.0, "height_m": 0.4}
    bent = service(LineString([(10, 0, 98), (50, 0, 98), (50, 40, 98)]), **bank)
    index = index_services(prepare_services(site_of([bent])), np.full(2, 9.0))
    bore = np.array([[53.0, -1.0, 97.8, 60.0, -1.0, 97.8, 0.5]])
    assert nearest_services(index, bore).clearance.min() == pytest.approx(1.5)


def test_a_chamber_is_a_box_as_long_as_wide() -> None:
    chamber = service(Point(30, 2, 98), shape="box", width_m=1.2, height_m=3.0)
    site = site_of([chamber], rules={"clearance_m": 2.0})
    assert only_row(found(site))["clearance_m"] == pytest.approx(2 - 0.6 - 0.15)


# --- the list as a whole


def busy_site() -> Site:
    rng = np.random.default_rng(5)
    kinds = ["water", "gas", "telecom", "storm"]
    rows = []
    for k in range(40):
        x, y = rng.uniform(0, 180, 2)
        ends = [(x, y, rng.uniform(96.5, 98.5)), (*rng.uniform(0, 180, 2), 97.5)]
        line = LineString(ends) if k % 4 else MultiLineString([ends, [ends[0], (x, y + 9, 97)]])
        given = {"kind": kinds[k % 4], "quality": "ABCD"[k % 3], "utility_id": f"U{k}"}
        rows.append(service(line, **given))
    return site_of(rows)


def busy_legs() -> Legs:
    ends = [((0, 20 * k, 97.0), (90, 20 * k + 9, 97.4)) for k in range(1, 9)]
    return legs_of([(f"L{k}", *pair) for k, pair in enumerate(ends, start=1)])


def key(conflicts: Conflicts) -> pd.DataFrame:
    columns = ["subject", "utility_id", "rule", "clearance_m", "required_m", "severity"]
    return conflicts.frame[columns].sort_values(columns[:3]).reset_index(drop=True)


def test_no_pair_and_rule_is_listed_twice() -> None:
    pits = replace(one_pit(box(80, 20, 100, 40)), floor=np.array([96.0]))
    frame = found(busy_site(), busy_legs(), pits).frame
    assert len(frame) > 20
    assert not frame.duplicated(["subject", "utility_id", "rule"]).any()


def test_every_pair_is_found_that_a_plain_search_finds() -> None:
    site, legs = busy_site(), busy_legs()
    services = prepare_services(site)
    reach = np.full(len(services.row), 500.0)
    bores = np.column_stack((legs.down, legs.up, legs.bore_diameter / 2))
    everything = nearest_services(index_services(services, reach), bores)
    assert len(everything.clearance) == len(bores) * len(services.row)
    pairs = pd.DataFrame({
        "leg": everything.subject, "row": services.row[everything.piece],
        "clearance": everything.clearance,
    }).groupby(["leg", "row"])["clearance"].min()  # fmt: skip
    frame = find_conflicts(site, services, legs, no_pits(), connections_of()).frame
    listed = frame[(frame["rule"] == "clearance_m") & (frame["severity"] != "unproven")]
    assert len(listed) >= (pairs < services.required[pairs.index.get_level_values(1)]).sum()


def test_ids_run_by_subject_and_station() -> None:
    frame = found(busy_site(), busy_legs()).frame
    assert frame["conflict_id"].tolist() == [f"C{k}" for k in range(1, len(frame) + 1)]
    order = [
        (int(name[1:]), round(at, 3))
        for name, at in zip(frame["subject"], frame["station_m"], strict=True)
    ]
    assert order == sorted(order)


def test_shuffled_services_give_the_same_list() -> None:
    site = busy_site()
    mixed = replace(
        site, utilities=site.utilities.sample(frac=1, random_state=3).reset_index(drop=True)
    )
    pd.testing.assert_frame_equal(
        found(site, busy_legs()).frame.drop(columns="geometry"),
        found(mixed, busy_legs()).frame.drop(columns="geometry"),
    )


def test_services_drawn_the_other_way_round_give_the_same_list() -> None:
    site = busy_site()
    turned = replace(
        site, utilities=site.utilities.assign(geometry=site.utilities.geometry.reverse())
    )
    pd.testing.assert_frame_equal(key(found(site, busy_legs())), key(found(turned, busy_legs())))


def test_a_higher_datum_changes_no_clearance() -> None:
    low = site_of([crossing(30, 97.5), service(LineString([(-5, 1), (95, 1)]), depth_m=2.5)])
    high = site_of(
        [crossing(30, 107.5), service(LineString([(-5, 1), (95, 1)]), depth_m=2.5)],
        ground=plane(110.0),
    )
    leg = one_leg((0, 0, 107.0), (90, 0, 107.0))
    pd.testing.assert_frame_equal(key(found(low)), key(found(high, leg)))


def test_a_leg_turned_round_keeps_its_clearances() -> None:
    site, legs = busy_site(), busy_legs()
    turned = replace(legs, down=legs.up, up=legs.down)
    columns = ["subject", "utility_id", "rule", "clearance_m"]
    one, other = (key(found(site, given))[columns] for given in (legs, turned))
    pd.testing.assert_frame_equal(one, other)


def test_an_empty_place_gives_an_empty_list_with_its_columns() -> None:
    frame = found(site_of([]), pits=one_pit()).frame
    assert frame.empty
    assert tuple(frame.columns) == (*CONFLICT_COLUMNS, "geometry")


def test_the_detail_says_where_the_service_is() -> None:
    detail = found(site_of([crossing(30, 97.4)])).detail.iloc[0]
    assert (detail["service_x"], detail["service_y"]) == pytest.approx((30.0, 0.0))
    assert (detail["service_axis_m"], detail["service_top_m"]) == pytest.approx((97.3, 97.4))


def test_the_detail_says_what_is_affected() -> None:
    near = crossing(30, 97.4)
    joined = connections_of([("H1", (30, -2, 97.2), (30, 9, 97.2))])
    conflicts = found(site_of([near]), pits=one_pit(box(28, -2, 32, 2)), joined=joined)
    told = dict(zip(conflicts.frame["rule"], conflicts.detail["element"], strict=True))
    assert told == {
        "clearance_m": "leg", "pit_clearance_m": "pit", "connection_clearance_m": "connection",
    }  # fmt: skip


@pytest.mark.parametrize(("y", "offset"), [(0.6, -0.6), (-0.6, 0.6)])
def test_the_offset_is_positive_left_of_the_flow(y: float, offset: float) -> None:
    """The leg flows to the west, so south of it is on its left."""
    beside = service(LineString([(-5, y, 97.1), (95, y, 97.1)]), kind="gas")
    detail = found(site_of([beside])).detail
    assert detail["offset_m"].tolist() == pytest.approx([offset])


def test_a_pit_has_no_offset() -> None:
    detail = found(site_of([crossing(1.0, 97.4)]), no_legs(), one_pit()).detail
    assert len(detail) == 1
    assert detail["offset_m"].isna().all()


def test_water_separation_tells_the_main_beside_its_station() -> None:
    """In 3D the main is nearest at its low south end; in plan the leg crosses it at 30, 0."""
    main = service(LineString([(30, -2, 97.2), (30, 40, 97.9)]), kind="water")
    conflicts = found(site_of([main]))
    row = conflicts.frame["rule"].to_numpy() == "water_vertical_m"
    detail = conflicts.detail[row].iloc[0]
    assert (detail["service_x"], detail["service_y"]) == pytest.approx((30.0, 0.0), abs=1e-6)
    assert detail["offset_m"] == pytest.approx(0.0, abs=1e-6)


def test_what_cures_a_connection_does_not_touch_the_sewer() -> None:
    joined = connections_of([("H1", (30, -2, 97.2), (30, 9, 97.2))])
    main = service(LineString([(20, 3, 97.7), (40, 3, 97.7)]), kind="water")
    frame = found(site_of([main]), no_legs(), joined=joined).frame
    assert "water_vertical_m" in set(frame["rule"])
    assert not frame["resolution"].str.contains("sewer|the bore", regex=True).any()
