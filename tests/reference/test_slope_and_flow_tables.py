"""Published tables of slopes, flows and shear, to their printed digits."""

from __future__ import annotations

import pytest

from planner.kernels.hydraulics import full_capacity, full_velocity, shear
from planner.kernels.slopes import slope_of_full_velocity, slope_of_shear
from planner.model import FOOT
from planner.rules import load_book

INCH = 0.0254
N = 0.013
MGD = 3785.411784 / 86_400  # [m3/s] a million US gallons a day

# Illinois Administrative Code 35, 370.320(c), the table of Recommended Standards for Wastewater
# Facilities, clause 33.41: size in inches, least slope in ft per 100 ft, flow just full in MGD
LEAST_SLOPES = [
    (8, 0.40, "0.49"), (10, 0.28, "0.75"), (12, 0.22, "1.07"), (14, 0.17, "1.43"),
    (15, 0.15, "1.61"), (16, 0.14, "1.85"), (18, 0.12, "2.35"), (21, 0.10, "3.23"),
    (24, 0.08, "4.13"), (27, 0.067, "5.17"), (30, 0.058, "6.37"), (33, 0.050, "7.66"),
    (36, 0.046, "9.23"), (42, 0.036, "12.41"),
]  # fmt: skip
PRINTED_TO = 0.01  # relative; the table is printed to two or three digits and chopped
NOMINAL = {8: "200", 10: "250", 12: "300", 14: "350", 15: "375", 16: "400", 18: "450", 21: "525",
           24: "600", 27: "675", 30: "750", 33: "825", 36: "900", 42: "1050"}  # fmt: skip


@pytest.mark.parametrize(("inches", "slope", "flow"), LEAST_SLOPES)
def test_flow_at_the_least_slope_is_the_printed_one(inches: int, slope: float, flow: str) -> None:
    ours = full_capacity(inches * INCH, slope / 100, N) / MGD
    assert ours == pytest.approx(float(flow), rel=PRINTED_TO)


@pytest.mark.parametrize(("inches", "slope", "flow"), LEAST_SLOPES)
def test_the_rule_set_has_the_printed_slope(inches: int, slope: float, flow: str) -> None:
    del flow
    assert load_book("us-ten-states").rules.entry("min_slope_pct", NOMINAL[inches]) == slope


@pytest.mark.parametrize(("inches", "slope", "flow"), LEAST_SLOPES)
def test_the_least_slope_gives_two_feet_a_second(inches: int, slope: float, flow: str) -> None:
    del flow
    ours = full_velocity(inches * INCH, slope / 100, N) / FOOT
    assert ours >= (1.98 if inches in {33, 42} else 2.0)  # those two rows print too flat a slope


# Slope in per cent at which a pipe flowing just full makes 2.0 ft/s, n = 0.013: worked from the
# same clause with a desk calculator, V = (1.486 / n) (D / 4)^(2/3) S^(1/2)
TWO_FEET = [(4, "0.841"), (6, "0.490"), (8, "0.334"), (10, "0.248"), (12, "0.194"), (15, "0.144"),
            (18, "0.113"), (21, "0.092"), (24, "0.077")]  # fmt: skip


@pytest.mark.parametrize(("inches", "slope"), TWO_FEET)
def test_slope_of_two_feet_a_second_is_the_worked_one(inches: int, slope: str) -> None:
    assert f"{100 * slope_of_full_velocity(2 * FOOT, inches * INCH, N):.3f}" == slope


# Hand calculation: at y/D = 0.5 the hydraulic radius is D/4, so 1 Pa needs S = 4 / (9806.65 D)
@pytest.mark.parametrize("inside", [0.15, 0.2, 0.3, 0.6])
def test_shear_of_a_half_full_pipe_is_weight_times_quarter_diameter_times_slope(
    inside: float,
) -> None:
    assert shear(inside, 0.5, 4 / (9806.65 * inside)) == pytest.approx(1.0)


@pytest.mark.parametrize("inside", [0.15, 0.2, 0.3, 0.6])
def test_the_slope_of_a_shear_is_the_one_that_has_it(inside: float) -> None:
    slope = 4 / (9806.65 * inside)
    flow = full_capacity(inside, slope, N) / 2  # half full
    assert slope_of_shear(flow, inside, 1.0, N) == pytest.approx(slope, rel=1e-12)
