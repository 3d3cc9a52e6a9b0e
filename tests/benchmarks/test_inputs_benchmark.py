"""Reading and checking a town, against geopandas and rasterio reading the same files.

Goal: at most 1.5 times. The town is the demo repeated to 20,000 services and 5,000 properties.
"""

from __future__ import annotations

import time
import tomllib
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
from affine import Affine

from planner.inputs import read_site

DEMO = Path(__file__).parents[2] / "demo_data"
SERVICES, PROPERTIES = 20_000, 5_000
GOAL = 1.5
ROUNDS = 5


@pytest.fixture(scope="module")
def town(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo laid out again and again, on a square of its own ground."""
    folder = tmp_path_factory.mktemp("town")
    content = tomllib.loads((DEMO / "project.toml").read_text(encoding="utf-8"))
    of_services = {table["path"] for table in content["utilities"]}
    layers = [(file, str(name)) for file in sorted(DEMO.glob("*.gpkg"))
              for name, _ in pyogrio.list_layers(file)]  # fmt: skip
    frames = {key: gpd.read_file(key[0], layer=key[1]) for key in layers}
    pieces = sum(len(frame) for (file, _), frame in frames.items() if file.name in of_services)
    across = int(np.ceil(np.sqrt(SERVICES / pieces)))
    with rasterio.open(DEMO / "ground.tif") as file:
        profile, cells = file.profile, file.read(1)
    step = (cells.shape[1] * profile["transform"].a, cells.shape[0] * profile["transform"].a)
    for (file, name), frame in frames.items():
        copies = [frame.set_geometry(frame.translate(i * step[0], -j * step[1]))
                  for j in range(across) for i in range(across)]  # fmt: skip
        most = SERVICES if file.name in of_services else PROPERTIES
        pd.concat(copies).iloc[:most].to_file(folder / file.name, layer=name, driver="GPKG")
    way: Affine = profile["transform"]
    profile |= {"height": cells.shape[0] * across, "width": cells.shape[1] * across}
    with rasterio.open(folder / "ground.tif", "w", **(profile | {"transform": way})) as file:
        file.write(np.tile(cells, (across, across)), 1)
    (folder / "project.toml").write_bytes((DEMO / "project.toml").read_bytes())
    return folder


def read_bare(folder: Path) -> None:
    """Every layer with geopandas, the ground with rasterio."""
    for file in sorted(folder.glob("*.gpkg")):
        for name, _ in pyogrio.list_layers(file):
            gpd.read_file(file, layer=str(name))
    with rasterio.open(folder / "ground.tif") as raster:
        raster.read(1)


def quickest(*works: Callable[[], object]) -> list[float]:
    """Least time of several runs of each work, the works taken in turn. [s]"""
    times: list[list[float]] = [[] for _ in works]
    for _ in range(ROUNDS):
        for work, own in zip(works, times, strict=True):
            start = time.perf_counter()
            work()
            own.append(time.perf_counter() - start)
    return [min(own) for own in times]


@pytest.mark.benchmark(group="inputs")
def test_reading_a_town_costs_little_more_than_reading_its_files(
    town: Path, benchmark: Callable[[Callable[[], object]], object]
) -> None:
    benchmark(lambda: read_site(town / "project.toml"))
    bare, ours = quickest(lambda: read_bare(town), lambda: read_site(town / "project.toml"))
    site = read_site(town / "project.toml")
    print(f"bare {bare:.3f} s, ours {ours:.3f} s, ratio {ours / bare:.2f}; "
          f"{len(site.utilities)} services, {len(site.properties)} properties, "
          f"{np.size(site.ground.values) / 1e6:.1f} million cells")  # fmt: skip
    assert ours <= GOAL * bare
