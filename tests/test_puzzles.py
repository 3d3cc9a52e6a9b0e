"""Three sites made by hand whose answer is worked out in the test."""

from __future__ import annotations

import itertools
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

import planner
from tests.builders import build_site, line, plane, point

FOOT = 0.3048
LEVEL = 0.01 * FOOT  # step of the printed grid
DROP = 0.10 * FOOT  # through a manhole, straight on
BORE, OUTSIDE, INSIDE = "bore_diameter_mm", "outside_diameter_mm", "inside_diameter_mm"


def planned(folder: Path, **layers: Any) -> planner.Plan:
    project = build_site(folder, project={"display_units": "us"}, **layers)
    return planner.make_plan(planner.read_site(project))


# --- a storm drain that must be passed under or over

HOUSES = [point(x, 12.0, property_id=f"H{x}") for x in (30, 70, 150, 190)]


def with_storm(folder: Path, top: float) -> planner.Plan:
    """A street that rises 1 % to the east, and a storm drain of 0.6 m across it at 100 m."""
    storm = line((100, -20), (100, 20), kind="storm", utility_id="S", quality="A", top_elev_m=top,
                 diameter_m=0.6, wall_m=0.05)  # fmt: skip
    return planned(
        folder, ground=plane(100.0, fall_x=-0.01), utilities=[storm], properties=HOUSES,
        tie_ins=[point(0, 0, tie_in_id="T", invert_elev_m=97.2)],
    )  # fmt: skip


def axis_at(plan: planner.Plan, x: float) -> tuple[float, float]:
    """Axis and radius of the bore where it crosses x. [m]"""
    for leg in plan.legs.itertuples():
        (x_up, _), (x_down, _) = shapely.get_coordinates(leg.geometry) - 5000.0
        if x_down <= x <= x_up:
            f = (x - x_down) / (x_up - x_down)
            axis = leg.bore_axis_down_m + f * (leg.bore_axis_up_m - leg.bore_axis_down_m)
            return axis, leg.bore_diameter_mm / 2000
    raise AssertionError(f"no leg at {x}")


REQUIRED = 0.30 + 0.013  # [m] quality A, and the tolerance in grade


def test_a_storm_drain_in_the_way_is_passed_under_as_high_as_the_clearance_lets(
    tmp_path: Path,
) -> None:
    """Ground at 100 m is 101.0; the drain lies from 99.2 down to 98.5.

    Over it the bore, 0.30 m or more, would have to stand above 99.51: its top within 1.2 m of the
    ground where 1.2 m are asked for. So it goes under: top of the bore at most 98.5 - 0.313.
    """
    plan = with_storm(tmp_path, top=99.2)
    axis, radius = axis_at(plan, 100.0)
    gap = 98.5 - (axis + radius)
    assert REQUIRED <= gap < REQUIRED + 3 * LEVEL
    assert plan.legs["binds"].str.contains("passing below storm S").any()


def test_a_storm_drain_far_below_is_passed_over(tmp_path: Path) -> None:
    """The drain's top at 98.3 and 0.313 m leave 98.613 for the bottom of the bore.

    With 1.2 m of cover its bottom may lie at 101.0 - 1.2 - bore, about 99.5: it need not go down.
    """
    plan = with_storm(tmp_path, top=98.3)
    axis, radius = axis_at(plan, 100.0)
    assert axis - radius - 98.3 >= REQUIRED
    without = planned(
        tmp_path / "without", ground=plane(100.0, fall_x=-0.01), utilities=None, properties=HOUSES,
        tie_ins=[point(0, 0, tie_in_id="T", invert_elev_m=97.2)],
    )  # fmt: skip
    assert plan.legs["invert_up_m"].tolist() == without.legs["invert_up_m"].tolist()


# --- a basement that deepens 300 m of sewer


def with_basement(folder: Path, floor: float | None) -> planner.Plan:
    """A street of 380 m that rises 0.3 %, less than the sewer must, and a house at 370 m."""
    last = point(370, 12, property_id="B", **({} if floor is None else {"floor_elev_m": floor}))
    others = [point(x, -12, property_id=f"H{x}") for x in range(30, 370, 60)]
    return planned(
        folder, ground=plane(100.0, fall_x=-0.003),
        streets=[line((0, 0), (380, 0), street="Long Street")], properties=[*others, last],
        tie_ins=[point(0, 0, tie_in_id="T", invert_elev_m=95.3)],
        tables={"costs": {"slope_margin_per_m": 0.0}},  # as flat as the rules allow
    )  # fmt: skip


def test_a_basement_at_the_head_fixes_every_invert_down_to_the_tie_in(tmp_path: Path) -> None:
    """From the basement down each leg falls by the least slope and each manhole by 0.10 ft.

    The street rises 0.3 % where the sewer needs 0.4 %: it only gets deeper, so nothing but what
    comes from above holds it down. Falls are whole hundredths of a foot, rounded up.
    """
    plan = with_basement(tmp_path, floor=98.6)
    legs = plan.legs.sort_values("station_down_m", ascending=False).to_dict("records")
    for leg in legs:
        fall = math.ceil(0.004 * leg["length_m"] / LEVEL - 1e-6) * LEVEL
        assert leg["invert_up_m"] - leg["invert_down_m"] == pytest.approx(fall, abs=1e-9)
    for above, below in itertools.pairwise(legs):
        assert above["invert_down_m"] - below["invert_up_m"] == pytest.approx(DROP, abs=1e-9)
    # the house: floor 98.6, 0.60 m down to its drain, 2.08 % to a saddle 1.5 m from the head pit
    head = legs[0]
    x, y = shapely.get_coordinates(head["geometry"])[1] - 5000.0
    joint = min(370.0 - x, head["length_m"] - 1.5)
    away = math.hypot(x + joint - 370.0, 12.0 - y)
    needs = math.floor((98.6 - 0.6) / LEVEL) * LEVEL
    needs -= math.ceil(0.0208 * away / LEVEL - 1e-6) * LEVEL
    main = head["invert_down_m"] + joint / head["length_m"] * head["fall_m"]
    assert 0 <= needs - head["inside_diameter_mm"] / 2000 - main < 1.5 * LEVEL
    assert plan.pits[plan.pits["kind"] == "pit"]["binds"].str.contains("the drain of B").all()


def test_what_the_basement_costs_is_told_and_is_no_more_than_is_saved_without_it(
    tmp_path: Path,
) -> None:
    deep, shallow = (with_basement(tmp_path / name, floor) for name, floor in
                     (("a", 98.6), ("b", 98.7)))  # fmt: skip
    told = {row["what"]: row for row in deep.summary["savings"]}["the drain of B"]
    saved = deep.summary["optimality"]["cost"] - shallow.summary["optimality"]["cost"]
    assert told["fixes_length_m"] > 300.0
    assert 0 < told["saves_at_least"] <= saved + 1.0


# --- a curve that two legs pass only by changing lanes

RADIUS, HALF, TURN = 100.0, 4.5, 0.68  # [m], [m] half of the right of way, [rad] of each bend
LANE = 1.75  # [m] centre of a lane from the centreline


def s_curve(count: int = 60) -> np.ndarray:
    """A bend to the left, then one to the right, from 0, 0 towards the east."""
    a = np.linspace(0.0, TURN, count)
    left = np.column_stack([RADIUS * np.sin(a), RADIUS * (1 - np.cos(a))])
    back = left[-1] - left[::-1]
    return np.vstack([left, left[-1] + back[1:]])


def beside(xy: np.ndarray, offset: float) -> shapely.LineString:
    """The curve moved to the left (positive) or the right."""
    return shapely.offset_curve(shapely.LineString(xy), offset, quad_segs=64)


def fewest_legs(lanes: tuple[float, ...]) -> float:
    """Fewest chords in the right of way from the first lane's start to the last 10 m."""
    corridor = shapely.LineString(s_curve()).buffer(HALF, quad_segs=64)
    spots = [(0.0, shapely.Point(shapely.get_coordinates(beside(s_curve(), lanes[0]))[0]))]
    length = shapely.LineString(s_curve()).length
    for offset in lanes:
        lane = beside(s_curve(), offset)
        spots += [(s, lane.interpolate(s / length, normalized=True)) for s in
                  np.arange(2.0, length, 2.0).tolist()]  # fmt: skip
    reached = [0.0] + [math.inf] * (len(spots) - 1)
    order = sorted(range(len(spots)), key=lambda i: spots[i][0])
    for i in order:
        for j in order:
            far = spots[i][1].distance(spots[j][1])
            if spots[j][0] > spots[i][0] and 12.0 <= far <= 91.44 and reached[i] < 2:
                chord = shapely.LineString([spots[i][1], spots[j][1]])
                if corridor.covers(chord):
                    reached[j] = min(reached[j], reached[i] + 1)
    return min(n for n, (s, _) in zip(reached, spots, strict=True) if s >= length - 10.0)


def test_the_lane_of_the_tie_in_alone_does_not_take_the_curve_in_two_legs() -> None:
    assert fewest_legs((-LANE,)) > 2
    assert fewest_legs((-LANE, LANE)) == 2


def test_the_curve_is_taken_in_two_legs_by_changing_lanes(tmp_path: Path) -> None:
    xy = s_curve()
    street = line(*map(tuple, xy.tolist()), street="Bent Street", row_width_m=2 * HALF)
    start = shapely.get_coordinates(beside(xy, -LANE))[0]
    end = xy[-1]
    plan = planned(
        tmp_path, ground=plane(100.0, fall_x=-0.01), streets=[street],
        properties=[point(float(end[0]), float(end[1]) + 12.0, property_id="E")],
        tie_ins=[point(*start.tolist(), tie_in_id="T", invert_elev_m=96.0)],
    )  # fmt: skip
    assert len(plan.legs) == 2
    centre = shapely.LineString(xy)
    sides = []
    for pit in plan.pits[plan.pits["kind"] == "pit"].geometry:
        spot = shapely.Point(pit.x - 5000.0, pit.y - 5000.0)
        s = centre.project(spot)
        ahead = np.array(centre.interpolate(s + 0.5).coords[0]) - centre.interpolate(s).coords[0]
        away = np.array(spot.coords[0]) - centre.interpolate(s).coords[0]
        sides.append(float(np.sign(ahead[0] * away[1] - ahead[1] * away[0])))
    assert 1.0 in sides  # the tie-in is on the right
