"""Worked examples of public pages, each with its source, to the digits that they print."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from scipy.optimize import brentq

from planner.kernels.hydraulics import full_capacity
from planner.kernels.part_full import flow_ratio, velocity_ratio
from planner.kernels.peaks import design_peak, peak_factor
from planner.kernels.tapers import round_up, stopping_distance, taper_length
from planner.model import FOOT
from planner.rules import load_book
from planner.steps.legs import bore_axes, slopes
from tests.steps.house_site import route_of

INCH = 0.0254
CUBIC_FOOT = FOOT**3
US_CONSTANT = FOOT ** (-1 / 3)  # Manning's constant in feet that is 1 in metres, 1.4859
TRAFFIC = load_book("us-ten-states").traffic


def flow_in_cubic_feet(inside: float, slope: float, n: float, constant: float) -> float:
    """Flow of a full pipe in ft3/s as a source has it whose constant is rounded."""
    return full_capacity(inside, slope, n) / CUBIC_FOOT * constant / US_CONSTANT


def test_a_24_inch_pipe_at_four_fifths_depth() -> None:
    # CE 4353 university workbook, example 4.6: n 0.009, S 0.003, k 1.49: 17.54 ft3/s
    full = flow_in_cubic_feet(24 * INCH, 0.003, 0.009, 1.49)
    assert f"{full * flow_ratio(0.8):.2f}" == "17.54"


def test_the_textbook_behind_it_uses_the_finer_constant() -> None:
    # the same example, the textbook's answer: 17.5 ft3/s
    full = flow_in_cubic_feet(24 * INCH, 0.003, 0.009, 1.486)
    assert f"{full * flow_ratio(0.8):.1f}" == "17.5"


def test_the_diameter_for_ten_cubic_feet_a_second() -> None:
    # the same workbook, example 4.7: n 0.015, S 0.003, k 1.49, y/D 0.80: D 23.545 in
    def excess(inches: float) -> float:
        return flow_in_cubic_feet(inches * INCH, 0.003, 0.015, 1.49) * flow_ratio(0.8) - 10

    assert brentq(excess, 6, 60) == pytest.approx(23.545, rel=1e-3)


def test_a_short_full_pipe() -> None:
    # engineeringprep.com, problem 472: D 0.5 ft, S 5 %, n 0.02, k 1.486: 0.82 ft3/s
    assert f"{flow_in_cubic_feet(0.5 * FOOT, 0.05, 0.02, 1.486):.2f}" == "0.82"


def test_velocity_of_a_part_full_pipe() -> None:
    # US Army subcourse EN0389, sample design problem: full 3.2 ft/s, ratio 1.045: 3.34 ft/s
    depth = brentq(lambda y: velocity_ratio(y) - 1.045, 0.5, 0.8)
    assert f"{3.2 * velocity_ratio(depth):.2f}" == "3.34"


# wizedu.com, question 99574: 600 ft of pipe at 2 %, invert 5395.00 ft at 0+00, outside diameter
# 1 ft, wall 1 in: top of the pipe in ft at each 100 ft
TOP_OF_PIPE = [
    (0, "5395.917"), (100, "5393.917"), (200, "5391.917"), (300, "5389.917"), (400, "5387.917"),
    (500, "5385.917"), (600, "5383.917"),
]  # fmt: skip


@pytest.mark.parametrize(("station", "top"), TOP_OF_PIPE)
def test_the_profile_along_a_pipe(station: float, top: str) -> None:
    step = FOOT / 100
    route = dataclasses.replace(
        route_of([], levels=(539_500, 538_300)), leg_length=np.array([600 * FOOT]),
        leg_inside=np.array([FOOT - 2 * INCH]), leg_outside=np.array([FOOT]),
        leg_bore=np.array([1.5 * FOOT]),
    )  # fmt: skip
    axis = np.interp(station, [0, 600], np.array(bore_axes(route, step)).ravel() / FOOT)
    assert 100 * slopes(route, step)[0] == pytest.approx(2.0)
    assert f"{axis - 1.5 / 2 + 1.0:.3f}" == top  # the pipe rests on the floor of its bore


TAPERS = [  # California MUTCD, Table 6H-4(CA), 12 ft lane: mph, merging, shifting, shoulder in ft
    (20, 80, 40, 27), (25, 125, 63, 42), (30, 180, 90, 60), (35, 245, 123, 82),
    (40, 320, 160, 107), (45, 540, 270, 180), (50, 600, 300, 200), (55, 660, 330, 220),
    (60, 720, 360, 240), (65, 780, 390, 260), (70, 840, 420, 280), (75, 900, 450, 300),
]  # fmt: skip


def taper(width: float, speed: float) -> float:
    split, divisor = (TRAFFIC.number(f"taper_{what}") for what in ("split_mph", "slow_divisor"))
    return float(taper_length(width, speed, split, divisor))


@pytest.mark.parametrize(("speed", "merging", "shifting", "shoulder"), TAPERS)
def test_tapers_of_a_12_foot_lane(speed: int, merging: int, shifting: int, shoulder: int) -> None:
    full = taper(12, speed)
    shares = TRAFFIC.table("taper_share")
    assert full * shares["merging"] == merging
    assert full * shares["shifting"] == pytest.approx(shifting, abs=0.5)
    assert full / 3 == pytest.approx(shoulder, abs=0.5)  # the rule's 0.33 is a third


OFFSETS = [102, 123, 143, 163, 184, 204, 225, 245, 265, 286, 306, 327, 347, 368]


@pytest.mark.parametrize(("width", "length"), list(zip(range(5, 19), OFFSETS, strict=True)))
def test_tapers_at_35_miles_an_hour(width: int, length: int) -> None:
    # San Joaquin County, traffic control guide, table of offsets of 5 to 18 ft
    assert taper(width, 35) == pytest.approx(length, abs=0.51)


MPH = 1609.344 / 3600
G = 9.80665


@pytest.mark.parametrize(("grade", "feet"), [(0.0, 563.36), (-0.07, 649.07)])
def test_stopping_distance_at_60_miles_an_hour(grade: float, feet: float) -> None:
    # sciemce.com question: t 2.5 s, a/g 0.35, on the level and 7 % downhill, with 1.47 for the
    # feet a second of a mile an hour and 30 for twice g in those units
    ours = stopping_distance(60 * MPH, 2.5, 0.35 * G, grade) / FOOT
    assert float(ours) == pytest.approx(feet, rel=0.003)


# Highway Engineering Handbook, Table 2.2, p. 79: mph and stopping distance in ft
STOPPING = [(20, 115), (25, 155), (30, 200), (35, 250), (50, 425), (55, 495), (60, 570), (65, 645)]


@pytest.mark.parametrize(("speed", "feet"), STOPPING)
def test_stopping_distances_of_the_handbook(speed: int, feet: int) -> None:
    reaction, slowing = (TRAFFIC.number(name) for name in
                         ("buffer_reaction_s", "buffer_deceleration_m_per_s2"))  # fmt: skip
    raw = float(stopping_distance(speed * MPH, reaction, slowing)) / FOOT
    assert round_up(raw, 5.0) == feet


def test_average_and_peak_sewage_of_a_district() -> None:
    # curioustab.com 67789: 40 ha x 250 persons/ha x 200 L/d x 0.8, peak factor 3: 0.0556 m3/s
    people = 40 * 250
    average = people * 200e-3 * 0.8 / 86_400
    peak = float(design_peak(people, average, 0.0, 3.0)) * 3.0 / float(peak_factor(people, 3.0))
    assert f"{peak:.4f}" == "0.0556"


def test_average_flow_of_320_houses() -> None:
    # FE problem 1-1 (studylib.net 25398809): 320 houses x 4 people x 120 gal/d: 153,600 gal/d
    book = load_book("us-ten-states", {"rules": {"flow_per_person_l_per_day": 120 * 3.785411784}})
    litres = 320 * 4 * book.rules.number("flow_per_person_l_per_day")
    assert litres / 3.785411784 == pytest.approx(153_600)


@pytest.mark.parametrize(("people", "factor"), [
    (1_000, 19 / 5), (10_000, (18 + math.sqrt(10)) / (4 + math.sqrt(10))), (100_000, 2.0),
    (0, 4.5),
])  # fmt: skip
def test_peak_factors_worked_by_hand(people: int, factor: float) -> None:
    # (18 + sqrt P) / (4 + sqrt P), Recommended Standards for Wastewater Facilities, figure 1
    assert float(peak_factor(people, 4.5)) == pytest.approx(factor, rel=1e-15)


def test_the_peak_factor_is_the_classical_ratio_of_1918() -> None:
    people = np.geomspace(1.0, 1e6, 50)
    classical = 1 + 14 / (4 + np.sqrt(people / 1000))
    assert peak_factor(people, 4.5) == pytest.approx(classical, rel=1e-14)
