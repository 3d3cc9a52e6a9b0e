"""House connections on a flat place: joints, levels, methods and prices worked out by hand."""

from __future__ import annotations

import dataclasses
import time
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, Point, Polygon, box

from planner.kernels.clearance import pair_clearances
from planner.model import LAYER_COLUMNS, PLAN_COLUMNS, Floats, Site
from planner.records import Route
from planner.steps.clearances import prepare_services
from planner.steps.connections import Connections, connect_houses
from tests.steps.clearance_site import plane, service, site_of

# One leg L1 runs due west from P1 at (90, 0), invert 96.45, to P2 at the origin, invert 96.00: a
# fall of 0.45 in 90 m, 0.5 %. Its pipe is 0.20 m inside, so a connection enters at least 0.10 m
# above its invert. The ground is level at 100.00.


def route_of(
    houses: list[tuple[float, float]],
    *,
    pits: tuple[tuple[float, float], ...] = ((90, 0), (0, 0)),
    levels: tuple[int, ...] = (9645, 9600),
    legs: tuple[int, ...] | None = None,
) -> Route:
    """Legs from each pit to the next one; every house drains to the first, or as ``legs`` says."""
    xy = np.array(pits, float)
    count = len(pits) - 1
    up = np.arange(count)
    length = np.hypot(*np.diff(xy, axis=0).T)
    station = np.cumsum(length[::-1])[::-1] - length
    return Route(
        pit_id=tuple(f"P{k + 1}" for k in range(count + 1)), pit_xy=xy,
        pit_ground=np.full(count + 1, 100.0), pit_level=np.array(levels),
        pit_tie_in=np.append(np.full(count, -1), 0), leg_id=tuple(f"L{k + 1}" for k in up),
        leg_up=up, leg_down=up + 1, leg_up_level=np.array(levels[:-1]),
        leg_down_level=np.array(levels[1:]), leg_launch=up + 1, leg_length=length,
        leg_nominal=np.full(count, 200.0), leg_inside=np.full(count, 0.2),
        leg_outside=np.full(count, 0.28), leg_bore=np.full(count, 0.3),
        leg_material=("vitrified clay",) * count, leg_method=("jacked",) * count,
        run_id=("R1",) * count, station_down=station,
        property_leg=np.array(legs if legs is not None else [0] * len(houses), np.int64),
        why_not=tuple("" if legs is None or legs[i] >= 0 else "no street: 60.0 m away"
                      for i in range(len(houses))),
        property_xy=np.array(houses, float).reshape(-1, 2),
        candidate=np.arange(count + 1), leg_pipe=np.zeros(count, np.int64),
    )  # fmt: skip


def place_of(
    houses: list[tuple[float, float]], services: list[Any] | None = None, **given: Any
) -> Site:
    """A level place with a street along the leg and houses whose lowest floor is at 99.00."""
    site = site_of(services or [], ground=given.get("ground"), rules=given.get("rules"))
    rows: dict[str, Any] = {
        "property_id": given.get("names", [str(k + 1) for k in range(len(houses))]),
        "people": given.get("people", 2.5), "flow_l_per_s": given.get("flow", np.nan),
        "floor_elev_m": given.get("floor", 99.0), "floor_assumed": False, "street": "",
    }  # fmt: skip
    properties = gpd.GeoDataFrame(rows, geometry=[Point(*xy) for xy in houses])
    street = dict.fromkeys(LAYER_COLUMNS["streets"], 0) | {"street": "Main Street"}
    streets = gpd.GeoDataFrame([street], geometry=[LineString([(-20, 0), (190, 0)])])
    keep_out = given.get("keep_out", [])
    barred = gpd.GeoDataFrame(
        {"reason": ["pond"] * len(keep_out), "applies_to": ["pits,connections"] * len(keep_out),
         "until": [""] * len(keep_out)}, geometry=keep_out,
    )  # fmt: skip
    return dataclasses.replace(site, properties=properties, streets=streets, keep_out=barred)


def connect(
    houses: list[tuple[float, float]], services: list[Any] | None = None, **given: Any
) -> Connections:
    site = place_of(houses, services, **given)
    route = given.get("route") or route_of(houses)
    return connect_houses(site, route, prepare_services(site))


def one(houses: list[tuple[float, float]], services: list[Any] | None = None, **given: Any) -> Any:
    return connect(houses, services, **given).frame.iloc[0]


def least_clearance(site: Site, found: Connections) -> float:
    """Clearance of the pipes of all served connections to all services. [m]"""
    solids = prepare_services(site).solids
    bores = np.column_stack((found.sewer, found.property, found.outside_diameter / 2))
    bore, piece = (k.ravel() for k in np.indices((len(bores), len(solids))))
    return float(pair_clearances(bores, solids, bore, piece)[0].min())


# --- joints


def test_the_joint_is_the_nearest_point_of_the_leg() -> None:
    row = one([(50, 12)])
    assert list(row.geometry.coords) == [(50, 12), (50, 0)]
    assert (row.joins, row.method, row.length_m) == ("L1", "shaft and saddle", 12.0)


def test_the_levels_are_those_of_a_hand_calculation() -> None:
    # floor 99.00 - 0.60 = 98.40; main 96.00 + 50 x 0.005 = 96.25, + 0.10 = 96.35; fall 2.05 in 12
    row = one([(50, 12)])
    found = [row.invert_property_m, row.invert_sewer_m, row.slope_pct, row.depth_at_sewer_m]
    assert found == pytest.approx([98.40, 96.35, 100 * 2.05 / 12, 3.65], abs=1e-9)


def test_the_price_is_fixed_and_by_the_metre() -> None:
    # shaft and saddle: 4500 + 250 x 12
    assert one([(50, 12)]).cost == pytest.approx(7500.0)


def test_a_joint_keeps_off_the_lower_pit() -> None:
    row = one([(-4, 10)])
    assert row.geometry.coords[-1] == pytest.approx((1.5, 0.0))


def test_a_house_beyond_the_head_is_bored_from_its_pit() -> None:
    row = one([(96, 8)])
    assert (row.joins, row.method) == ("P1", "bored from pit")
    assert row.length_m == pytest.approx(10.0)  # 6, 8, 10
    assert row.cost == pytest.approx(2500 + 250 * 10)


@pytest.mark.parametrize(
    ("word", "joins"), [("end only", "L2"), ("allowed", "P2"), ("never", "L2")]
)
def test_a_pit_that_a_leg_arrives_at_is_entered_only_where_it_may_be(word: str, joins: str) -> None:
    houses = [(96.0, 8.0)]
    route = route_of(houses, pits=((180, 0), (90, 0), (0, 0)), levels=(9690, 9645, 9600), legs=(1,))
    row = one(houses, route=route, rules={"connection_into_manhole": word})
    assert row.joins == joins


def test_a_shallow_and_short_one_is_a_trench() -> None:
    # main at 98.70, entered at 98.80: 1.20 deep; a fall of 2.08 % in 5 m is 0.11
    houses = [(50.0, 5.0)]
    route = route_of(houses, levels=(9870, 9870))
    assert one(houses, route=route, floor=99.6).method == "short trench"
    assert one(houses, route=route, floor=99.6).cost == pytest.approx(2000 + 450 * 5)


def test_a_house_on_the_sewers_own_line_has_a_line_still() -> None:
    row = one([(50, 0)])
    assert row.geometry.is_valid
    assert row.length_m == pytest.approx(0.1)


# --- pipes


def test_many_people_take_the_larger_pipe() -> None:
    frame = connect([(50, 12), (60, 12)], people=[20.0, 20.5]).frame
    assert frame["diameter_mm"].tolist() == [100, 150]


def test_a_given_flow_counts_as_people() -> None:
    # 378.5 L/d a person: 20 people are 20 x 378.5 / 86400 = 0.0876 L/s
    frame = connect([(50, 12), (60, 12)], flow=[0.087, 0.088], people=np.nan).frame
    assert frame["diameter_mm"].tolist() == [100, 150]


def test_the_axis_lies_half_the_inside_above_the_invert() -> None:
    # ASTM D3034 SDR 26, 4 in: outside 4.215 in, inside 4.215 - 2 x 4.215 / 26 = 3.891 in
    found = connect([(50, 12)])
    assert found.outside_diameter.tolist() == pytest.approx([4.215 * 0.0254])
    lift = 3.891 * 0.0254 / 2
    assert found.sewer[0].tolist() == pytest.approx([50, 0, 96.35 + lift], abs=1e-5)
    assert found.property[0].tolist() == pytest.approx([50, 12, 98.40 + lift], abs=1e-5)


# --- not served


def test_a_floor_that_is_too_low_says_by_how_much() -> None:
    # entry 96.35 + fall 2.08 % x 12 = 0.2496, up to 0.25: 96.60; + 0.60 = 97.20 is the lowest floor
    assert one([(50, 12)], floor=97.20).served
    row = one([(50, 12)], floor=97.00)
    assert row.why_not.startswith("floor too low: the sewer would have to be 0.20 m deeper")
    assert not row.served


def test_one_that_no_leg_serves_is_a_row_with_its_reason() -> None:
    houses = [(50.0, 60.0)]
    row = one(houses, route=route_of(houses, legs=(-1,)))
    assert (row.served, row.why_not, row.cost) == (False, "no street: 60.0 m away", 0.0)
    assert np.isnan([row.invert_property_m, row.invert_sewer_m, row.slope_pct]).all()
    assert list(row.geometry.coords) == [(50, 60), (50, 0)]


def test_one_that_is_longer_than_allowed_is_not_served() -> None:
    assert one([(50, 45.5)]).why_not.startswith("too far: 45.5 m")


def test_a_keep_out_is_gone_round_along_the_leg() -> None:
    row = one([(50, 12)], keep_out=[box(48, 4, 53, 6)])
    assert row.served
    assert not row.geometry.intersects(box(48, 4, 53, 6).buffer(-0.02))
    assert row.geometry.coords[-1][1] == pytest.approx(0.0)


def test_a_house_inside_a_keep_out_is_blocked() -> None:
    row = one([(50, 12)], keep_out=[box(40, 2, 60, 20)])
    assert row.why_not == "blocked: 10.0 m of the way to the sewer lie in a keep-out"


def test_no_ground_at_the_joint_is_a_reason() -> None:
    ground = plane()
    ground.values[195:206, 245:256] = np.nan  # noqa: PD011  (cells of a Ground)
    assert one([(50, 12)], ground=ground).why_not.startswith("ground: no elevation at the sewer")


# --- services


def along_street(y: float, top: float, **given: Any) -> dict[str, Any]:
    return service(LineString([(-50, y, top), (150, y, top)]), **given)


def test_a_connection_goes_clear_of_a_service_in_its_simplest_way() -> None:
    # at y = 6 the simplest axis is at 97.375 + 0.049: a pipe with its top at 97.50 is in its way
    services = [along_street(6, 97.50)]
    found = connect([(50, 12)], services)
    assert least_clearance(place_of([(50, 12)], services), found) >= 0.15 - 1e-9


def test_it_moves_no_further_than_the_clearance_asks() -> None:
    # The nearest pair that keeps 0.15 is on the edge: one grid step back there is less.
    services = [along_street(6, 97.50)]
    row = one([(50, 12)], services)
    away = (98.40 - row.invert_property_m) + (row.invert_sewer_m - 96.35)
    # middle of the pipe 97.40; at 96.35 to 98.40 the axis passes it 0.025 above it; needed are
    # 0.10 + 0.0535 + 0.15 = 0.3035 square to a slope of about 0.17: 0.308, so 0.333 lower or 0.283
    # higher at half way, which is twice as much at one end: 0.57
    assert away == pytest.approx(0.57, abs=0.05)


def test_a_raised_connection_is_charged_its_riser() -> None:
    row = one([(50, 12)], [along_street(6, 97.50)])
    riser = row.invert_sewer_m - 96.35
    assert riser > 0.4
    assert row.cost == pytest.approx(7500 + 600 * riser)


def test_a_riser_keeps_clear_of_a_service_above_the_sewer() -> None:
    # A main right above the sewer, 97.00 to 97.20, leaves no room for a riser through it.
    services = [along_street(6, 97.50), along_street(0, 97.20)]
    row = one([(50, 12)], services)
    assert row.invert_sewer_m + 0.0535 + 0.049 < 97.0


def test_one_that_cannot_miss_a_service_is_served_all_the_same() -> None:
    # a duct bank from 95 to 99.5 stands across the whole way
    wall = along_street(6, 99.8, shape="box", width_m=0.5, height_m=5.0, outside_diameter_m=np.nan)
    row = one([(50, 12)], [wall])
    assert row.served
    assert row.why_not == ""


def test_a_sewer_too_deep_takes_a_riser_to_the_greatest_depth() -> None:
    # main 93.00: entry 93.10, 6.90 deep; not deeper than 4.50: 95.50, a riser of 2.40
    houses = [(50.0, 12.0)]
    row = one(houses, route=route_of(houses, levels=(9300, 9300)))
    assert row.depth_at_sewer_m == pytest.approx(4.50)
    assert row.cost == pytest.approx(7500 + 600 * 2.40)


def test_a_house_above_a_bank_is_not_given_a_pipe_in_the_air() -> None:
    # ground 100 up to x = 54, 110 behind: a straight pipe from a floor of 110 would come out
    ground = plane()
    ground.values[:, 258:] = 110.0  # noqa: PD011  (cells of a Ground)
    houses = [(62.0, 0.0)]
    route = route_of(houses, pits=((50, 45), (50, -45)))
    row = one(houses, ground=ground, floor=110.0, route=route)
    at = np.linspace(0, 12, 9)
    pipe = row.invert_sewer_m + at / 12 * (row.invert_property_m - row.invert_sewer_m)
    assert (pipe[:5] + 0.0535 + 0.049 + 0.3 <= 100.0 + 1e-6).all()


# --- invariants


def test_names_follow_the_order_of_the_properties_whatever_the_rows() -> None:
    houses = [(50.0, 12.0), (60.0, 12.0), (70.0, 12.0)]
    frame = connect(houses, names=["B10", "A", "B2"]).frame
    assert frame["property_id"].tolist() == ["A", "B2", "B10"]
    assert frame["connection_id"].tolist() == ["H1", "H2", "H3"]
    turned = connect(houses[::-1], names=["B2", "A", "B10"]).frame
    pd.testing.assert_series_equal(frame["property_id"], turned["property_id"])


def test_the_columns_are_the_plans() -> None:
    frame = connect([(50, 12)]).frame
    assert list(frame.columns) == [*PLAN_COLUMNS["connections"], "geometry"]


def test_a_place_without_houses_has_no_rows() -> None:
    found = connect([])
    assert (len(found.frame), len(found.sewer)) == (0, 0)


@settings(max_examples=60, deadline=None)
@given(
    x=st.floats(2, 88), y=st.floats(0.5, 44), floor=st.floats(97.5, 101.0),
    top=st.floats(96.0, 99.5), across=st.floats(-1.0, 40.0), lean=st.floats(-20.0, 20.0),
)  # fmt: skip
def test_every_served_connection_closes_and_keeps_its_limits(
    x: float, y: float, floor: float, top: float, across: float, lean: float
) -> None:
    line = LineString([(-50, across - lean, top), (150, across + lean, top)])
    row = one([(x, y)], [service(line)], floor=floor)
    if not row.served:
        assert row.why_not.startswith("floor too low")
        return
    levels = np.array([row.invert_property_m, row.invert_sewer_m]) / 0.01
    assert np.abs(levels - levels.round()).max() < 1e-6
    fall = row.invert_property_m - row.invert_sewer_m
    assert row.slope_pct == pytest.approx(100 * fall / row.length_m)
    assert row.slope_pct >= 2.08 - 1e-6
    assert row.invert_property_m <= floor - 0.6 + 1e-9
    assert row.invert_sewer_m >= 96.0 + row.geometry.coords[-1][0] * 0.005 + 0.1 - 1e-9


def every_pair(y: float, highest: int) -> tuple[Floats, Floats]:
    """All pairs of levels of a house at (50, y) as bores, with their risers, and what they add."""
    fall = int(np.ceil(2.08 * y - 1e-9))
    high, low = np.meshgrid(np.arange(9635, highest + 1), np.arange(9635, highest + 1))
    high, low = (level[high - low >= fall] for level in (high, low))
    lift, radius = 3.891 * 0.0254 / 2, 4.215 * 0.0254 / 2
    bores = np.zeros((2, len(high), 7))
    bores[:, :, [0, 3]], bores[:, :, 6] = 50.0, radius
    bores[0, :, 4], bores[:, :, 2] = y, low / 100 + lift
    bores[0, :, 5], bores[1, :, 5] = high / 100 + lift, 96.35 + lift
    return bores, (highest - high + low - 9635) / 100


@settings(max_examples=40, deadline=None)
@given(
    floor=st.floats(97.5, 99.5), y=st.floats(3.0, 12.0),
    mains=st.lists(st.tuples(st.floats(0.1, 1.0), st.floats(96.2, 98.5)), min_size=1, max_size=4),
)  # fmt: skip
def test_the_pair_found_is_as_clear_and_as_little_work_as_the_best_of_all(
    floor: float, y: float, mains: list[tuple[float, float]]
) -> None:
    # Reference: every pair of levels on the grid, each measured exactly.
    houses = [(50.0, y)]
    site = place_of(houses, [along_street(share * y, top) for share, top in mains], floor=floor)
    services = prepare_services(site)
    row = connect_houses(site, route_of(houses), services).frame.iloc[0]
    bores, more = every_pair(y, int(np.floor((floor - 0.6) * 100 + 1e-9)))
    number, piece = (k.ravel() for k in np.indices((bores[0].shape[0], len(services.solids))))
    least = np.full(len(more), np.inf)
    for body in bores:
        np.minimum.at(least, number, pair_clearances(body, services.solids, number, piece)[0])
    clear = least >= 0.15 - 1e-9
    if not clear.any():
        return
    levels = (bores[0][:, [5, 2]] - 3.891 * 0.0254 / 2).round(6)
    mine = (levels == np.round([row.invert_property_m, row.invert_sewer_m], 6)).all(axis=1)
    assert clear[mine].all()
    assert more[mine].min() <= more[clear].min() + 0.10


def test_five_thousand_houses_that_all_need_a_search_take_seconds() -> None:
    # 5,000 houses along one street with six services that follow the ground; the simplest pipe of
    # each house runs through the one at 3 m: 96.4 to 98.4 in 9 m is 97.1 there, 2.9 deep.
    side = np.where(np.arange(5000) % 2, 9.0, -9.0)
    x = np.linspace(5, 195, 5000) - 100
    houses = list(zip(x.tolist(), side.tolist(), strict=True))
    lines = [
        service(LineString([(-120, y), (120, y)]), utility_id=f"U{y}", depth_m=depth)
        for y, depth in ((-5, 1.2), (-3, 2.8), (2, 0.9), (3, 2.8), (4, 2.0), (6, 1.5))
    ]
    site = place_of(houses, lines)
    services = prepare_services(site)
    route = route_of(houses, pits=((110, 0), (-110, 0)), levels=(9640, 9600))
    begin = time.perf_counter()
    found = connect_houses(site, route, services)
    taken = time.perf_counter() - begin
    few = dataclasses.replace(
        found, sewer=found.sewer[::500], property=found.property[::500],
        outside_diameter=found.outside_diameter[::500],
    )  # fmt: skip
    assert least_clearance(site, few) >= 0.15 - 1e-9
    assert taken < 30.0  # an alarm for the wrong order, not a measurement


def test_a_polygon_keep_out_with_a_hole_lets_a_way_through_the_hole() -> None:
    ring = Polygon(box(40, 1, 60, 20).exterior.coords, [box(41, -1 + 2.5, 59, 19).exterior.coords])
    row = one([(50, 12)], keep_out=[ring])
    assert row.why_not.startswith("blocked: 0.5 m")
