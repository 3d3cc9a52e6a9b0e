"""The ground: its window, its unit, its holes, and the way from the local frame to its cells."""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine

from planner.inputs import read_site
from planner.inputs.levels import ground_at
from planner.model import FOOT, Site
from tests.builders import GROUND_CRS, build_site, plane


def sampled(site: Site, x: float, y: float) -> float:
    """Ground at a place relative to the builders' origin, which is 100 m west of the frame's."""
    return float(ground_at(site.ground, np.array([x - 100.0]), np.array([y]))[0])


def notes(site: Site, kind: str) -> list[str]:
    return [one.what for one in site.ledger if one.layer == "ground" and one.kind == kind]


def test_a_plane_is_sampled_exactly(tmp_path: Path) -> None:
    """Hand calculation: 100 - 0.02 x 37.3 - 0.01 x 4.6 = 99.208."""
    site = read_site(build_site(tmp_path, ground=plane(100.0, 0.02, 0.01)))
    assert sampled(site, 37.3, 4.6) == pytest.approx(99.208, abs=1e-5)


@pytest.mark.parametrize("crs", ["EPSG:26915", "EPSG:4269", "EPSG:26992"])
def test_a_raster_in_another_crs_gives_the_same_ground(tmp_path: Path, crs: str) -> None:
    """On a plane, bilinear is exact: what is left is the mesh, and the cells' own warp."""
    site = read_site(
        build_site(tmp_path, ground=plane(100.0, 0.02, 0.01), layer_crs={"ground": crs})
    )
    assert sampled(site, 37.3, 4.6) == pytest.approx(99.208, abs=1e-4)


def test_the_mesh_is_true_to_the_transformation_to_a_thousandth_of_a_cell(tmp_path: Path) -> None:
    """Reference: pyproj, point by point."""
    from pyproj import Transformer  # noqa: PLC0415

    site = read_site(build_site(tmp_path, layer_crs={"ground": "EPSG:26992"}))
    frame, ground = site.frame, site.ground
    x, y = np.random.default_rng(1).uniform((-90, -40), (90, 40), (500, 2)).T
    columns = np.broadcast_to(np.arange(ground.values.shape[1], dtype=float), ground.values.shape)
    mesh = (ground.mesh_x0, ground.mesh_y0, ground.mesh_step, ground.mesh_col, ground.mesh_row)
    from planner.kernels.ground import sample_ground  # noqa: PLC0415

    ours = sample_ground(np.ascontiguousarray(columns), *mesh, x, y)
    way = Transformer.from_crs(GROUND_CRS, "EPSG:26992", always_xy=True)
    with rasterio.open(tmp_path / "ground.tif") as file:
        there = way.transform(*frame.to_crs(x, y))
        shift = (there[0] - file.transform.c) / file.transform.a - 0.5
    assert np.ptp(ours - shift) < 1e-3


def test_feet_become_metres(tmp_path: Path) -> None:
    project = build_site(
        tmp_path, ground=lambda x, _y: (100 + 0.01 * x) / FOOT,
        tables={"ground": {"vertical_unit": "ft"}},
    )  # fmt: skip
    assert sampled(read_site(project), 50.0, 0.0) == pytest.approx(100.5, abs=1e-6)


def test_scale_and_offset_of_a_band_are_honoured(tmp_path: Path) -> None:
    project = build_site(tmp_path, ground=lambda x, _y: 1000.0 + 0.1 * x)
    with rasterio.open(tmp_path / "ground.tif", "r+") as file:
        file.scales, file.offsets = (0.1,), (5.0,)
    assert sampled(read_site(project), 50.0, 0.0) == pytest.approx(105.5, abs=1e-6)


def with_hole(folder: Path, size: int) -> Site:
    project = build_site(folder, ground=plane(100.0, 0.02, 0.01))
    with rasterio.open(folder / "ground.tif", "r+") as file:
        values = file.read(1)
        row, col = values.shape[0] // 2, values.shape[1] // 2
        values[row : row + size, col : col + size] = file.nodata
        file.write(values, 1)
    return read_site(project)


def test_a_small_hole_in_a_plane_is_filled_with_the_plane(tmp_path: Path) -> None:
    site = with_hole(tmp_path, 5)
    assert not np.isnan(site.ground.values).any()
    assert sampled(site, 102.0, -2.5) == pytest.approx(100 - 2.04 + 0.025, abs=1e-4)
    assert "25 cells without elevation" in notes(site, "repaired")[0]


def test_a_large_hole_stays_and_is_said(tmp_path: Path) -> None:
    site = with_hole(tmp_path, 6)
    assert np.isnan(site.ground.values).sum() == 36
    assert "36 cells near the site have no elevation" in notes(site, "doubt")[0]


def test_wild_cells_are_nodata(tmp_path: Path) -> None:
    project = build_site(tmp_path)
    with rasterio.open(tmp_path / "ground.tif", "r+") as file:
        values = file.read(1)
        values[60, 60] = -32768.0
        file.write(values, 1)
    site = read_site(project)
    assert site.ground.values.min() > 90
    assert "1 cells hold less than -500 m" in notes(site, "doubt")[0]


def test_a_street_over_a_large_hole_is_doubted(tmp_path: Path) -> None:
    site = with_hole(tmp_path, 60)
    assert notes(site, "doubt")


def test_a_rotated_raster_is_read_where_it_lies(tmp_path: Path) -> None:
    project = build_site(tmp_path)
    size, turn = 500, np.radians(30.0)
    way = Affine(np.cos(turn), np.sin(turn), 4800.0, np.sin(turn), -np.cos(turn), 5100.0)
    cols, rows = np.meshgrid(np.arange(size) + 0.5, np.arange(size) + 0.5)
    x, y = way.a * cols + way.b * rows + way.c, way.d * cols + way.e * rows + way.f
    profile = {"driver": "GTiff", "height": size, "width": size, "count": 1, "dtype": "float64",
               "crs": GROUND_CRS, "transform": way}  # fmt: skip
    with rasterio.open(tmp_path / "ground.tif", "w", **profile) as file:
        file.write(100 + 0.01 * (x - 5000) + 0.02 * (y - 5000), 1)
    assert sampled(read_site(project), 51.7, 3.3) == pytest.approx(100.583, abs=1e-5)


def test_a_vast_raster_costs_no_more_memory_than_the_window(tmp_path: Path) -> None:
    project = build_site(tmp_path)
    profile = {"driver": "GTiff", "height": 10_000, "width": 10_000, "count": 1, "nodata": -9999.0,
               "dtype": "float32", "crs": GROUND_CRS, "tiled": True, "sparse_ok": True,
               "transform": Affine(1.0, 0.0, 0.0, 0.0, -1.0, 10_000.0)}  # fmt: skip
    with rasterio.open(tmp_path / "ground.tif", "w", **profile) as file:
        block = np.full((512, 1024), 100.0, np.float32)
        file.write(block, 1, window=rasterio.windows.Window(4608, 4608, 1024, 512))
    read_site(project)
    tracemalloc.start()
    site = read_site(project)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert site.ground.values.size < 400 * 200
    assert peak < 20e6


def test_a_raster_whose_crs_goes_by_another_name_is_still_in_the_projects(tmp_path: Path) -> None:
    """GeoTIFF spells the datum of EPSG:3879 another way than EPSG does."""
    from tests.builders import write_ground  # noqa: PLC0415

    streets = gpd.GeoDataFrame(
        {"street": ["Main"]},
        geometry=[shapely.LineString([(25_496_100, 6_672_000), (25_496_300, 6_672_000)])],
        crs="EPSG:3879",
    )
    houses = streets.set_geometry(streets.centroid)
    project = build_site(tmp_path)
    for name, frame in (
        ("streets", streets),
        ("properties", houses),
        ("tie_ins", houses.assign(invert_elev_m=96.0)),
    ):
        frame.to_file(tmp_path / f"{name}.gpkg", driver="GPKG")
    write_ground(tmp_path / "ground.tif", lambda x, _y: 100 + 0 * x, streets, "EPSG:3879")
    project.write_text(project.read_text().replace(GROUND_CRS, "EPSG:3879"))
    site = read_site(project)
    assert site.ground.mesh_col.shape == (2, 2)
    assert notes(site, "doubt") == []
