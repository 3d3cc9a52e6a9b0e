"""Ground profiles of many legs: against the bare read of their window, and point sampling.

Goals: reading and sampling together at most 1.15 times rasterio's read of the same window; the
sampling 5,000 times faster than rasterio's own, point by point.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import rasterio
from affine import Affine
from rasterio.windows import Window

from planner.inputs.crs import make_frame, read_project_crs
from planner.inputs.ledger import Ledger
from planner.inputs.project_file import GroundTable
from planner.inputs.raster import make_ground, read_raster
from planner.kernels.ground import sample_ground
from planner.model import Ground

SIDE, ORIGIN = 6000, (400_000.0, 5_100_000.0)
BOX = np.array([401_000.0, 5_095_500.0, 404_500.0, 5_099_000.0])
STREETS, STEP = 20, 0.5
MOST_OVER_READ, LEAST_OVER_SAMPLE = 1.15, 5000.0
ROUNDS = 5


@pytest.fixture(scope="module")
def raster(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Rolling ground at 1 m with the roughness of a survey, tiled and deflated as is usual."""
    path = tmp_path_factory.mktemp("ground") / "ground.tif"
    random = np.random.default_rng(1)
    x, y = np.meshgrid(np.arange(SIDE), np.arange(SIDE))
    values = 100 + 8 * np.sin(x / 300) * np.cos(y / 200) + random.normal(0, 0.03, (SIDE, SIDE))
    profile = {"driver": "GTiff", "height": SIDE, "width": SIDE, "count": 1, "dtype": "float32",
               "crs": "EPSG:26915", "nodata": -9999.0, "tiled": True, "compress": "deflate",
               "transform": Affine(1.0, 0.0, ORIGIN[0], 0.0, -1.0, ORIGIN[1])}  # fmt: skip
    with rasterio.open(path, "w", **profile) as file:
        file.write(values.astype(np.float32), 1)
    return path


def read_ours(path: Path) -> Ground:
    crs = read_project_crs("EPSG:26915", "project.toml")
    read = read_raster(
        path.parent, GroundTable(path=path.name, vertical_unit="m"), crs, BOX, Ledger()
    )
    frame = make_frame(crs, 1.0, 0.0, BOX)
    local = np.concatenate(
        [np.ravel(frame.to_local(BOX[[0]], BOX[[1]])), np.ravel(frame.to_local(BOX[[2]], BOX[[3]]))]
    )
    return make_ground(read, frame, local)


def sample_ours(ground: Ground, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    mesh = (ground.mesh_x0, ground.mesh_y0, ground.mesh_step, ground.mesh_col, ground.mesh_row)
    return sample_ground(ground.values, *mesh, x, y)


def profiles(ground: Ground) -> tuple[np.ndarray, np.ndarray]:
    """Points each half metre along the legs of 600 m streets: from every 2 m, 12 to 90 m long."""
    random = np.random.default_rng(2)
    span = BOX[2:] - BOX[:2] - 1000
    x, y = [], []
    for _ in range(STREETS):
        origin = random.uniform([200, 200], span) + np.array([ground.mesh_x0, ground.mesh_y0])
        turn = random.uniform(0, 1.5)
        for station in np.arange(0, 600, 2.0):
            along = station + np.arange(0, random.uniform(12, 90), STEP)
            lean = turn + random.normal(0, 0.02)
            x.append(origin[0] + along * np.cos(lean))
            y.append(origin[1] + along * np.sin(lean))
    return np.concatenate(x), np.concatenate(y)


def quickest(*works: Callable[[], object]) -> list[float]:
    """Least time of several runs of each work, the works taken in turn. [s]"""
    times: list[list[float]] = [[] for _ in works]
    for _ in range(ROUNDS):
        for work, own in zip(works, times, strict=True):
            start = time.perf_counter()
            work()
            own.append(time.perf_counter() - start)
    return [min(own) for own in times]


@pytest.mark.benchmark(group="ground")
def test_profiles_cost_little_more_than_the_bare_read_of_their_window(
    raster: Path, benchmark: Callable[[Callable[[], object]], object]
) -> None:
    ground = benchmark(lambda: read_ours(raster))
    assert isinstance(ground, Ground)
    x, y = profiles(ground)
    rows, cols = ground.values.shape
    west, north = BOX[0] - ORIGIN[0], ORIGIN[1] - BOX[3]

    def bare() -> None:
        with rasterio.open(raster) as file:
            file.read(1, window=Window(int(west) - 2, int(north) - 2, cols, rows))

    bare_time, ours = quickest(bare, lambda: sample_ours(read_ours(raster), x, y))
    print(f"bare {bare_time:.3f} s, ours {ours:.3f} s, ratio {ours / bare_time:.2f}; "
          f"{len(x)} points along legs, {rows * cols / 1e6:.1f} million cells")  # fmt: skip
    assert ours <= MOST_OVER_READ * bare_time


@pytest.mark.benchmark(group="ground")
def test_sampling_is_thousands_of_times_faster_than_point_by_point(
    raster: Path, benchmark: Callable[[Callable[[], object]], object]
) -> None:
    ground = read_ours(raster)
    x, y = profiles(ground)
    assert not np.isnan(sample_ours(ground, x, y)).any()
    benchmark(lambda: sample_ours(ground, x, y))
    few = 3000
    which = np.linspace(0, len(x) - 1, few).astype(int)
    places = list(zip((BOX[0] + x[which] - ground.mesh_x0).tolist(),
                      (BOX[1] + y[which] - ground.mesh_y0).tolist(), strict=True))  # fmt: skip

    def point_by_point() -> None:
        with rasterio.open(raster) as file:
            list(file.sample(places))

    theirs, ours = quickest(point_by_point, lambda: sample_ours(ground, x, y))
    ratio = (theirs / few) / (ours / len(x))
    print(f"rasterio {theirs / few * 1e6:.2f} us a point, ours {ours / len(x) * 1e9:.1f} ns, "
          f"{ratio:,.0f} times faster")  # fmt: skip
    assert ratio >= LEAST_OVER_SAMPLE
