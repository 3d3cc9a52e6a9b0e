"""The audit's own measures against printed figures and hand calculations."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import fluids
import numpy as np
import pyproj
import pytest
import rasterio
from shapely.geometry import LineString, box

from tests.independent.clearance import to_pit
from tests.independent.flows import full_flow, part_flow, peak_factor, solve_depth
from tests.independent.ground import Raster, grid_to_ground
from tests.independent.hand_made import make
from tests.independent.levels import covers
from tests.independent.network import between
from tests.independent.places import extents
from tests.independent.reading import read_case
from tests.independent.services import Service, clearance
from tests.independent.solids import service_of
from tests.independent.water import vertical_gaps


def pipe(points: list[tuple[float, float, float]], radius: float = 0.1, **more: Any) -> Service:
    return Service("S", "water", "A", True, False, np.array(points, float), radius, **more)


def bore(x0: float, x1: float, z: float) -> tuple[Any, Any]:
    return np.array([x0, 0.0, z]), np.array([x1, 0.0, z])


def test_a_crossing_is_its_difference_in_height_less_the_radii() -> None:
    gas = pipe([(5, -9, 2), (5, 9, 2)])
    assert clearance(gas, *bore(0, 10, 0), 0.15, 3.0) == pytest.approx(2 - 0.1 - 0.15, abs=1e-6)


def test_a_skew_crossing_is_found_between_the_samples() -> None:
    gas = pipe([(4.013, -9, 0.7), (6.027, 9, 0.7)])
    assert clearance(gas, *bore(0, 10, 0), 0.15, 3.0) == pytest.approx(0.45, abs=1e-5)


def test_an_overlap_is_negative() -> None:
    gas = pipe([(5, -9, 0.05), (5, 9, 0.05)])
    assert clearance(gas, *bore(0, 10, 0), 0.15, 3.0) == pytest.approx(-0.2, abs=2e-3)


def test_a_parallel_service_is_measured_sideways() -> None:
    gas = pipe([(-50, 1, 0), (50, 1, 0)])
    assert clearance(gas, *bore(0, 10, 0), 0.15, 3.0) == pytest.approx(0.75, abs=1e-9)


def test_a_service_past_the_end_is_measured_from_the_end() -> None:
    gas = pipe([(13, -9, 4), (13, 9, 4)])
    assert clearance(gas, *bore(0, 10, 0), 0.15, 6.0) == pytest.approx(5 - 0.25, abs=1e-6)


def test_a_duct_bank_is_a_rectangle() -> None:
    bank = pipe([(5, -9, 1), (5, 9, 1)], radius=0.0, width=0.8, height=0.4)
    assert clearance(bank, *bore(0, 10, 0), 0.15, 3.0) == pytest.approx(1 - 0.2 - 0.15, abs=1e-6)
    beside = clearance(bank, *bore(5.7, 10, 1.0), 0.15, 3.0)
    assert beside == pytest.approx(0.7 - 0.4 - 0.15, abs=1e-6)


def test_a_pit_reaches_from_its_floor_to_the_ground() -> None:
    pit = box(-1, -1, 1, 1)
    assert to_pit(pipe([(1.5, -9, 5), (1.5, 9, 5)]), pit, 0.0, 0.6) == pytest.approx(0.4)
    assert to_pit(pipe([(0, -9, -0.4), (0, 9, -0.4)]), pit, 0.0, 0.6) == pytest.approx(0.3)
    deep_beside = pipe([(1.3, -9, -0.4), (1.3, 9, -0.4)])
    assert to_pit(deep_beside, pit, 0.0, 0.6) == pytest.approx(0.5 - 0.1)


@pytest.mark.parametrize(
    ("ratio", "velocity", "flow"),  # by fluids 1.3.1: V_Manning and A_partial_circle, D 0.3 m
    [(0.10, 0.38806, 1.428), (0.25, 0.67779, 9.367), (0.50, 0.96735, 34.189)],
)
def test_part_full_flow_is_that_of_tables(ratio: float, velocity: float, flow: float) -> None:
    depth, speed = solve_depth(flow / 1000, 0.3, 0.005, 0.013)
    assert depth == pytest.approx(ratio, abs=1e-4)
    assert speed == pytest.approx(velocity, rel=1e-3)


def test_part_full_flow_is_that_of_a_general_library() -> None:
    depth, angle = 0.21, 2 * np.arccos(1 - 2 * 0.21 / 0.3)
    area = fluids.geometry.A_partial_circle(0.3, depth)
    speed = fluids.open_flow.V_Manning(area / (0.3 * angle / 2), 0.005, 0.013)
    assert part_flow(angle, 0.3, 0.005, 0.013) == pytest.approx((area * speed, speed), rel=1e-12)


def test_full_flow_is_that_of_the_printed_standard() -> None:
    # 35 Ill. Adm. Code 370.320(c): 8 in at 0.40 % carries 0.49 million gallons a day
    gallons = full_flow(8 * 0.0254, 0.0040, 0.013) * 86_400 / 0.003785411784 / 1e6
    assert gallons == pytest.approx(0.49, abs=0.006)


def test_the_peak_factor_of_a_thousand_people_is_19_over_5() -> None:
    assert peak_factor(1000.0, 4.5) == pytest.approx(3.8)
    assert peak_factor(0.0, 4.4) == 4.4


def test_the_scale_on_a_central_meridian_is_known() -> None:
    # UTM: 0.9996 there by definition; at 637.1 m of height R / (R + h) is 1 / 1.0001
    k = grid_to_ground(pyproj.CRS("EPSG:32635"), (500_000.0, 6_670_000.0), 637.1)
    assert k == pytest.approx(0.9996 / 1.0001, abs=1e-9)


def test_the_ground_is_bilinear_and_unknown_outside() -> None:
    values = np.array([[1.0, 3.0], [5.0, 7.0]])
    raster = Raster(values, ~rasterio.Affine(1, 0, 0, 0, -1, 2), pyproj.CRS("EPSG:32635"))
    assert raster.at(1.0, 1.0) == pytest.approx(4.0)
    assert raster.at(0.5, 1.5) == pytest.approx(1.0)
    assert raster.at(0.1, 1.9) == pytest.approx(1.0)
    assert np.isnan(raster.at(2.1, 1.0))


def test_cover_of_the_hand_made_leg(tmp_path: Path) -> None:
    # at x = 0: ground 20.00, invert 17.04, top of the bore 0.258 over it
    plan = make(tmp_path)
    case = read_case(plan.project_file, plan.write())
    _, cover, pipe_cover = covers(case, next(case.legs.itertuples()))
    assert cover.min() == pytest.approx(20 - 17.04 - 0.258, abs=1e-6)
    assert pipe_cover.min() == pytest.approx(20 - 17.04 - 0.238, abs=1e-6)


def test_a_water_main_beside_the_sewer_is_measured_in_height(tmp_path: Path) -> None:
    # main 1.138 m off the axis, radii 0.100 and 0.138: 0.9 m in plan; 18.5 is over the pipe's
    # axis at x = 120 (18.27 + 0.100 = 18.37) by 0.13: the pipes overlap in height by 0.108
    plan = make(tmp_path)
    case = read_case(plan.project_file, plan.write())
    leg = list(case.legs.itertuples())[1]
    spots = np.asarray(leg.geometry.coords)
    side = spots[0][0], spots[0][1] + 1.138
    main = pipe([(side[0], side[1], 18.5), (side[0] - 0.001, side[1], 18.5)])
    beside, apart = vertical_gaps(main, leg, 1.0)
    assert beside[0] == pytest.approx(0.9, abs=1e-6)
    assert apart[0] == pytest.approx(0.13 - 0.138 - 0.1, abs=1e-4)


@pytest.mark.parametrize(
    ("columns", "radius", "level"),
    [
        ({"depth_m": 1.0, "diameter_m": 0.3}, 0.15, -1.15),
        ({"top_elev_m": 18.0, "diameter_m": 0.3}, 0.15, 17.85),
        ({"centre_elev_m": 18.0, "diameter_m": 0.3}, 0.15, 18.0),
        # a sewer is given inside: 0.6 / 12 + 0.025 = 0.075 of wall
        ({"invert_elev_m": 18.0, "diameter_m": 0.6, "kind": "sewer"}, 0.375, 18.3),
        ({"invert_elev_m": 18.0, "diameter_m": 0.2, "kind": "sewer"}, 0.108, 18.1),
        ({"kind": "gas"}, 0.075, -0.875),  # a default depth of 0.8 and diameter of 0.15
    ],
)
def test_the_axis_follows_from_what_is_given(
    tmp_path: Path, columns: dict[str, Any], radius: float, level: float
) -> None:
    plan = make(tmp_path)
    case = read_case(plan.project_file, plan.write())
    spot = case.pits.geometry.iloc[1]  # where the ground is 20.6
    row = RowOf(columns, LineString([(spot.x, spot.y), (spot.x, spot.y + 0.1)]))
    solid = service_of(case.place, row, "S", columns.get("kind", "water"))[0]
    assert solid.radius == pytest.approx(radius)
    assert solid.axis[0, 2] == pytest.approx(level + (20.6 if level < 0 else 0.0), abs=1e-6)


class RowOf(dict[str, Any]):
    """A row of a layer: columns by name, and a geometry."""

    def __init__(self, columns: dict[str, Any], geometry: LineString) -> None:
        super().__init__(columns)
        self.geometry = geometry


def test_angles_and_extents_by_hand() -> None:
    assert between(np.array([1.0, 0.0]), np.array([0.0, 2.0])) == pytest.approx(90.0)
    along, across = extents(box(0, 0, 4.3, 2.7), np.array([10.0, 0.0]))
    assert (along, across) == pytest.approx((4.3, 2.7))
