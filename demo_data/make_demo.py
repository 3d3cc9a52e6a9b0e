"""Makes the demo: writes every file of the invented place Tansy Fork beside this script.

Run ``python demo_data/make_demo.py`` (or with ``--out DIRECTORY``). The same seed gives the same
place, value for value.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import rasterio
import shapely
from rasterio.transform import from_origin
from tansy_fork import drains, mains, services, surroundings
from tansy_fork.ground import ROWS, SOUTH, WEST, Relief, shape_ground
from tansy_fork.houses import House, mark_corners, place_houses, property_layer
from tansy_fork.paths import Floats
from tansy_fork.streets import CRS, ORIGIN, Street, lay_streets, right_of_way, street_layer

SEED = 20260601
INCH, FOOT = 0.0254, 0.3048  # [m]


def make_layers() -> tuple[Relief, dict[str, gpd.GeoDataFrame]]:
    """The ground, and every layer as ``file/layer``, in metres from the place's origin."""
    rng = np.random.default_rng(SEED)
    streets = lay_streets()
    houses = mark_corners(place_houses(streets, rng), streets)
    relief = shape_ground(streets, [house.building for house in houses], rng)
    row = gpd.GeoDataFrame(geometry=[right_of_way(streets)])
    layers = {
        "streets/streets": street_layer(streets),
        "properties/properties": property_layer(houses, relief),
        "site/right_of_way": row,
        "site/tie_ins": drains.tie_in_layer(streets, relief),
        "site/keep_out": surroundings.keep_out_layer(streets),
        "site/street_features": surroundings.feature_layer(streets, houses, rng),
        "site/boreholes": surroundings.borehole_layer(streets),
        "site/zones": surroundings.zone_layer(houses),
        "site/control": surroundings.control_layer(streets, relief),
        **_service_layers(streets, houses, relief, rng),
    }
    return relief, layers


def _service_layers(
    streets: dict[str, Street], houses: list[House], relief: Relief, rng: np.random.Generator
) -> dict[str, gpd.GeoDataFrame]:
    lines: dict[Any, Any] = {}
    registers = {"water": mains.WATER, "gas": mains.GAS, "telecom": mains.TELECOM,
                 "electric": mains.ELECTRIC}  # fmt: skip
    rows = {
        kind: [
            services.main_row(main, piece, number)
            for main, line in services.main_lines(listed, streets, lines)
            for number, piece in enumerate(services.in_pieces(line, 110.0), 1)
        ]
        for kind, listed in registers.items()
    }
    rows |= {kind: services.prove(rows[kind], relief) for kind in ("water", "gas")}
    rows["water"] += services.house_services("water", houses, lines, 0.45, rng)
    rows["gas"] += services.house_services("gas", houses, lines, 0.35, rng)
    files = {f"{kind}/{kind}": services.layer(listed) for kind, listed in rows.items()}
    files["water/water"] = _in_inches(files["water/water"])
    files["electric/electric"] = _with_duct_bank(files["electric/electric"])
    files["telecom/vaults"] = services.layer(services.vault_rows(streets))
    files["storm/storm"] = services.layer(drains.storm_rows(streets, relief))
    files["storm/inlets"] = services.layer(drains.inlet_rows(streets, relief))
    files["sewer/sewer"] = services.layer(drains.sewer_rows(streets, relief))
    files["records/records"] = services.layer(_old_records(streets))
    return files


def _in_inches(water: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """The water board's own columns: inches and feet."""
    water["DIA_IN"] = (water.pop("diameter_m") / INCH).round(2)
    water["COVER_FT"] = (water.pop("depth_m") / FOOT).round(1)
    return water.drop(columns="kind")


def _with_duct_bank(electric: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    bank = electric["diameter_m"].isna()
    electric["width_m"] = np.where(bank, mains.DUCT_BANK[0], np.nan)
    electric["height_m"] = np.where(bank, mains.DUCT_BANK[1], np.nan)
    return electric


def _old_records(streets: dict[str, Street]) -> list[services.Row]:
    """What only old paper shows: an abandoned main, a drain and a line that nobody claims."""
    rows = []
    for number, main in enumerate((mains.ABANDONED, mains.OLD_DRAIN), 1):
        [(_, line)] = services.main_lines([main], streets, {})
        rows.append(services.main_row(main, line, number) | {"utility_id": f"OLD-{number}"})
    rows[0] |= {"status": "abandoned", "owner": None}
    stray, path = mains.STRAY, streets[mains.STRAY.street].path
    crossing = np.vstack([path.at(stray.start, -7.0), path.at(stray.end, 7.5)])
    rows.append(services.main_row(stray, crossing, 3) | {"utility_id": "OLD-3"})
    return rows


def write_ground(relief: Relief, path: Path) -> None:
    """The ground as a GeoTIFF."""
    cells = relief.cells.astype("float32")
    transform = from_origin(ORIGIN[0] + WEST, ORIGIN[1] + SOUTH + ROWS, 1.0, 1.0)
    with rasterio.open(
        path, "w", driver="GTiff", height=cells.shape[0], width=cells.shape[1], count=1,
        dtype="float32", crs=CRS, transform=transform, nodata=-9999.0, compress="deflate",
        predictor=3, zlevel=9, tiled=True, blockxsize=256, blockysize=256,
    ) as raster:  # fmt: skip
        raster.write(cells, 1)


def write_layers(layers: dict[str, gpd.GeoDataFrame], directory: Path) -> None:
    """The layers as GeoPackages, in the project's CRS."""
    for name, frame in layers.items():
        file, layer = name.split("/")
        placed = frame.set_geometry(
            shapely.transform(frame.geometry.values, _to_crs, include_z=True), crs=CRS
        )
        path = directory / f"{file}.gpkg"
        placed.to_file(path, layer=layer, driver="GPKG", engine="pyogrio", mode="w")


def _to_crs(points: Floats) -> Floats:
    shift = np.array([*ORIGIN, 0.0])[: points.shape[1]]
    placed = points + shift
    placed[:, :2] = placed[:, :2].round(3)
    return np.asarray(placed)


def main() -> None:
    """Write the demo."""
    here = Path(__file__).parent
    parser = argparse.ArgumentParser(description="Make the demo place Tansy Fork.")
    parser.add_argument("--out", type=Path, default=here, help="directory to write into")
    directory: Path = parser.parse_args().out
    directory.mkdir(parents=True, exist_ok=True)
    # The day stands in every GeoPackage; a fixed one keeps the files the same from run to run.
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "2026-06-01T00:00:00.000Z"})
    for old in directory.glob("*.gpkg"):
        old.unlink()
    relief, layers = make_layers()
    write_ground(relief, directory / "ground.tif")
    write_layers(layers, directory)


if __name__ == "__main__":
    main()
