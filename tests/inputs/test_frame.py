"""The local frame: metres on the ground, whatever the CRS and its unit."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely
from geopandas.testing import assert_geodataframe_equal
from pyproj import CRS

from planner.inputs import read_site
from planner.inputs.crs import axis_unit, make_frame, point_scale
from planner.model import FOOT, US_SURVEY_FOOT, Site
from tests.builders import GROUND_CRS, build_site, line, point

FEET_CRS = GROUND_CRS.replace("+units=m", "+units=us-ft")
INTERNATIONAL = GROUND_CRS.replace("+units=m", "+units=ft")


def curved_site(folder: Path, **options: object) -> Site:
    streets = [line((0, 0), (61.3, 8.7), (140.2, 3.1), street="Main Street")]
    services = [line((40, -20), (42, 20), kind="gas"), line((80, -9, 99), (81, 9, 98), kind="oil")]
    return read_site(build_site(folder, streets=streets, utilities=services, **options))


def test_a_street_of_200_m_is_200_m_long(tmp_path: Path) -> None:
    site = read_site(build_site(tmp_path))
    assert site.streets.length.iloc[0] == pytest.approx(200.0, abs=2e-4)


@pytest.mark.parametrize("crs", [FEET_CRS, INTERNATIONAL])
def test_the_same_site_in_feet_is_the_same_site(tmp_path: Path, crs: str) -> None:
    metres = curved_site(tmp_path / "m")
    feet = curved_site(tmp_path / "ft", crs=crs)
    for layer in ("streets", "properties", "tie_ins", "utilities"):
        assert_geodataframe_equal(getattr(metres, layer), getattr(feet, layer))
    assert feet.frame.k == pytest.approx(metres.frame.k, abs=1e-12)


def test_layers_in_other_crss_come_to_the_same_place(tmp_path: Path) -> None:
    one = curved_site(tmp_path / "one")
    crss = {"streets": "EPSG:26915", "utilities": "EPSG:4269", "properties": "EPSG:26992"}
    many = curved_site(tmp_path / "many", layer_crs=crss)
    for layer in ("streets", "properties", "utilities"):
        ours, theirs = getattr(one, layer).geometry, getattr(many, layer).geometry
        assert shapely.hausdorff_distance(ours.to_numpy(), theirs.to_numpy()).max() < 2e-4


def test_local_coordinates_lie_on_a_tenth_of_a_millimetre(tmp_path: Path) -> None:
    site = curved_site(tmp_path, crs="EPSG:26915")
    xy = shapely.get_coordinates(site.streets.geometry.to_numpy())
    assert np.abs(xy * 1e4 - np.round(xy * 1e4)).max() < 1e-6


@pytest.mark.parametrize(
    ("crs", "lon", "lat"),
    [("EPSG:26915", -93.9, 46.5), ("EPSG:2263", -73.9, 40.7), ("EPSG:2180", 19.0, 52.0)],
)
def test_the_scale_is_that_of_a_metre_walked_on_the_ellipsoid(
    crs: str, lon: float, lat: float
) -> None:
    """Reference: 10 m walked north and east with PROJ's geodesics, measured on the grid."""
    from pyproj import Transformer  # noqa: PLC0415

    project = CRS(crs)
    way = Transformer.from_crs(project.geodetic_crs, project, always_xy=True)
    geod = project.get_geod()
    assert geod is not None
    x, y = way.transform(lon, lat)
    walked = []
    for azimuth in (0.0, 90.0):
        east, north, _ = geod.fwd(lon, lat, azimuth, 10.0)
        a, b = way.transform(east, north)
        walked.append(np.hypot(a - x, b - y) * axis_unit(project) / 10.0)
    assert point_scale(project, x, y) == pytest.approx(np.mean(walked), abs=1e-7)


def test_k_is_the_scale_times_the_height_factor() -> None:
    """Hand calculation: 0.9996 x 6,371,000 / (6,371,000 + 300) = 0.99955293."""
    frame = make_frame(CRS("EPSG:26915"), 0.9996, 300.0, np.array([0.0, 0.0, 100.0, 100.0]))
    assert frame.k == pytest.approx(0.99955293, abs=5e-9)


def test_local_and_back_is_where_it_was(tmp_path: Path) -> None:
    frame = curved_site(tmp_path).frame
    x, y = frame.to_crs(*frame.to_local([5010.0], [5020.0]))
    assert (x[0], y[0]) == pytest.approx((5010.0, 5020.0), abs=1e-9)


def test_moving_the_site_moves_nothing_in_its_frame(tmp_path: Path) -> None:
    moved = GROUND_CRS.replace("+x_0=5000", "+x_0=8000").replace("+y_0=5000", "+y_0=1000")
    here, there = curved_site(tmp_path / "a"), curved_site(tmp_path / "b", crs=moved)
    assert_geodataframe_equal(here.streets, there.streets)
    assert_geodataframe_equal(here.utilities, there.utilities)


@pytest.mark.parametrize(
    ("crs", "unit", "foot"),
    [
        (GROUND_CRS, "m", FOOT),
        (GROUND_CRS, "us-ft", US_SURVEY_FOOT),
        (FEET_CRS, "m", US_SURVEY_FOOT),
        (INTERNATIONAL, "ft", FOOT),
    ],
)
def test_the_foot_that_is_shown_is_the_survey_foot_where_it_is_in_use(
    tmp_path: Path, crs: str, unit: str, foot: float
) -> None:
    factor = {"m": 1.0, "ft": FOOT, "us-ft": US_SURVEY_FOOT}[unit]
    project = build_site(
        tmp_path, crs=crs, ground=lambda x, _y: (100 + 0 * x) / factor,
        tables={"ground": {"vertical_unit": unit}}, project={"display_units": "us"},
    )  # fmt: skip
    site = read_site(project)
    assert site.project.foot == foot
    assert site.project.level_step == 0.01 * foot


def test_a_metric_project_has_levels_of_a_centimetre(tmp_path: Path) -> None:
    assert read_site(build_site(tmp_path)).project.level_step == 0.01


def test_heights_in_a_foot_crs_without_a_unit_are_doubted(tmp_path: Path) -> None:
    site = curved_site(tmp_path, crs=FEET_CRS)
    assert any("Z is read in metres" in one.what for one in site.ledger if one.kind == "doubt")


def test_a_datum_shift_that_is_known_badly_is_doubted(tmp_path: Path) -> None:
    site = read_site(
        build_site(tmp_path, utilities=[line((50, -9), (50, 9), kind="gas")],
                   layer_crs={"utilities": "EPSG:26715"})
    )  # fmt: skip
    assert any("from NAD27" in one.what for one in site.ledger if one.kind == "doubt")


def test_a_far_property_does_not_widen_the_site(tmp_path: Path) -> None:
    site = read_site(build_site(tmp_path, properties=[point(50, 15), point(4000, 0)]))
    assert site.ground.values.shape[1] < 400
    assert any("further from any street" in one.what for one in site.ledger)
