"""Figures as people read them: outside conversions, places, slopes that close, dates."""

from __future__ import annotations

import math

import pytest

from planner.outputs.display import ABSENT, THIN, Display, add_working_days

US = Display("us", 0.3048, "NAVD88", 0.01 * 0.3048, "USD")
METRIC = Display("metric", 0.3048, "EVRF2019", 0.01, "EUR")
NIST = "NIST Special Publication 811, appendix B.8"


@pytest.mark.parametrize(
    ("measure", "value", "text", "source"),
    [
        ("level", 30.48, "100.00 ft", NIST + ": 1 ft = 0.3048 m"),
        ("velocity", 0.6096, "2.00 ft/s", NIST + ": 1 ft/s = 0.3048 m/s"),
        ("flow", 6.309020, "100.0 gpm", NIST + ": 1 gal/min = 6.309020 E-05 m3/s"),
        ("volume", 7.645549, "10.0 cu yd", NIST + ": 1 yd3 = 7.645549 E-01 m3"),
        ("diameter", 254.0, "10.00 in", NIST + ": 1 in = 25.4 mm"),
        ("speed", 80.4672, "50 mph", NIST + ": 1 mi/h = 1.609344 km/h"),
        ("area", 9.290304, "100 sq ft", NIST + ": 1 ft2 = 9.290304 E-02 m2"),
        ("flow", 43.81264, "1.00 MGD", NIST + ": 1 gal = 3.785412 L; a million in 86,400 s"),
    ],
)
def test_us_figures_agree_with_published_factors(
    measure: str, value: float, text: str, source: str
) -> None:
    assert US.text(measure, value) == text, source


@pytest.mark.parametrize(
    ("millimetres", "inches"),
    [
        (100, 4),
        (150, 6),
        (200, 8),
        (250, 10),
        (300, 12),
        (375, 15),
        (450, 18),
        (525, 21),
        (600, 24),
    ],
)
def test_nominal_sizes_pair_as_pipe_catalogues_pair_them(millimetres: int, inches: int) -> None:
    assert US.text("nominal", millimetres) == f"{inches} in"  # common practice, no source
    assert METRIC.text("nominal", millimetres) == f"{millimetres} mm"


def test_survey_feet_differ_from_international_feet_by_two_in_a_million() -> None:
    survey = Display("us", 1200 / 3937)
    # 1,000,000 ft x (0.3048 / (1200 / 3937)) = 999,998.00 by hand
    assert US.number("level", 304_800.0) == 1_000_000.0
    assert survey.number("level", 304_800.0) == 999_998.0


@pytest.mark.parametrize("fall_steps", range(1, 400, 7))
@pytest.mark.parametrize("length", [12.0, 45.72, 91.44, 121.9])
def test_a_printed_slope_closes_on_the_grid_of_levels(fall_steps: int, length: float) -> None:
    step = US.level_step
    printed = float(US.slope(fall_steps * step, length))
    assert round(printed / 100 * length / step) == fall_steps


def test_a_slope_needs_no_more_places_than_make_it_close() -> None:
    # 1.11 ft on 213.42 ft is 0.520101 %; 0.52 % of it is 1.1098 ft, which is 1.11 ft on the grid
    assert US.slope(1.11 * 0.3048, 213.42 * 0.3048) == "0.52"


def test_an_adverse_slope_is_written_with_a_minus_sign() -> None:
    assert METRIC.slope(-0.5, 100.0) == "−0.50"


def test_thousands_are_spaced_thin_and_minus_is_a_minus() -> None:
    assert METRIC.money(1_234_567.4) == f"1{THIN}234{THIN}567"
    assert METRIC.text("clearance", -0.041) == "−0.04 m"
    assert METRIC.text("clearance", -0.001) == "0.00 m"


@pytest.mark.parametrize("value", [None, math.nan, math.inf, ""])
def test_an_absent_figure_is_a_dash_and_no_number(value: object) -> None:
    assert US.text("level", value) == ABSENT
    assert US.number("level", value) is None


def test_each_measure_has_one_unit_for_the_head_of_a_table() -> None:
    assert [US.unit(name) for name in ("level", "nominal", "flow", "money")] == [
        "ft", "in", "gpm", "USD",
    ]  # fmt: skip
    assert [METRIC.unit(name) for name in ("level", "nominal", "flow", "money")] == [
        "m", "mm", "L/s", "EUR",
    ]  # fmt: skip


def test_sentences_of_ours_change_their_units_and_nothing_else() -> None:
    said = "floor too low by 1.32 m for the 200 mm main; 13 mm on 12 m3"
    assert US.prose(said) == "floor too low by 4.33 ft for the 8 in main; 0.51 in on 12 m3"
    assert METRIC.prose(said) == said


def test_days_are_numbers_without_a_start_and_dates_with_one() -> None:
    assert US.day(3.0) == "day 3"
    # 25 November 2026 is a Wednesday: the fourth working day is the Monday after
    started = Display("us", start_date="2026-11-25")
    assert started.day(1) == "25 Nov 2026"
    assert started.day(4) == "30 Nov 2026"


@pytest.mark.parametrize("start", ["2026-11-28", "2026-11-29", "2026-11-30"])
def test_work_that_starts_on_a_weekend_starts_on_monday(start: str) -> None:
    assert add_working_days(start, 0) == "2026-11-30"
    assert add_working_days(start, 5) == "2026-12-07"


def test_text_that_is_no_date_stays_as_it_was_read() -> None:
    assert US.date("next spring") == "next spring"
    assert US.date("2028-06-30") == "30 Jun 2028"
