"""Ground elevations by bilinear sampling, and the way from the grid to the ground."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyproj
import rasterio
from numpy.typing import ArrayLike, NDArray
from shapely import transform
from shapely.geometry.base import BaseGeometry

Floats = NDArray[np.float64]

EARTH_RADIUS = 6_371_000.0  # [m]
UNITS = {
    "m": 1.0, "cm": 0.01, "mm": 0.001, "ft": 0.3048, "us-ft": 1200 / 3937, "in": 0.0254,
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Raster:
    """Elevations of cell centres, NaN where there is none, in the raster's own CRS."""

    values: Floats  # (rows, columns) [m]
    inverse: rasterio.Affine
    crs: pyproj.CRS

    def at(self, x: ArrayLike, y: ArrayLike) -> Floats:
        """Elevation at points of the raster's CRS; outside it is NaN. [m]"""
        east, north, way = np.asarray(x, float), np.asarray(y, float), self.inverse
        column = way.a * east + way.b * north + way.c
        row = way.d * east + way.e * north + way.f
        rows, columns = self.values.shape
        outside = (column < 0) | (column > columns) | (row < 0) | (row > rows)
        column = np.clip(np.nan_to_num(column) - 0.5, 0, columns - 1)
        row = np.clip(np.nan_to_num(row) - 0.5, 0, rows - 1)
        left = np.minimum(column.astype(int), max(columns - 2, 0))
        top = np.minimum(row.astype(int), max(rows - 2, 0))
        return np.where(outside, np.nan, self._blend(left, top, column - left, row - top))

    def _blend(self, left: NDArray[np.int_], top: NDArray[np.int_], u: Floats, v: Floats) -> Floats:
        total = np.zeros(left.shape)
        for down, weight_down in ((0, 1 - v), (1, v)):
            for right, weight_right in ((0, 1 - u), (1, u)):
                weight = weight_down * weight_right
                row = np.minimum(top + down, self.values.shape[0] - 1)
                column = np.minimum(left + right, self.values.shape[1] - 1)
                cell = self.values[row, column]
                total = total + np.where(weight > 0, weight * cell, 0.0)
        return total


def read_raster(path: Path, vertical_unit: str) -> Raster:
    """Read a single-band raster of elevations."""
    with rasterio.open(path) as source:
        band = source.read(1, masked=True).astype(float)
        values = band.filled(np.nan) * UNITS[vertical_unit]
        return Raster(values, ~source.transform, pyproj.CRS.from_user_input(source.crs))


@dataclass(frozen=True, eq=False)
class Place:
    """The local frame of metres on the ground, and the ground in it."""

    crs: pyproj.CRS
    unit: float  # [m] of the CRS's unit
    x0: float
    y0: float
    k: float
    raster: Raster

    def local(self, shape: BaseGeometry) -> BaseGeometry:
        """A geometry of the project's CRS in metres on the ground; Z is left as it is."""
        scale = self.unit / self.k
        has_z = shape.has_z

        def move(points: Floats) -> Floats:
            moved = points.copy()
            moved[:, 0] = (points[:, 0] - self.x0) * scale
            moved[:, 1] = (points[:, 1] - self.y0) * scale
            return moved

        return transform(shape, move, include_z=has_z)

    def ground(self, x: ArrayLike, y: ArrayLike) -> Floats:
        """Ground elevation at local points. [m]"""
        scale = self.k / self.unit
        grid_x = np.asarray(x, float) * scale + self.x0
        grid_y = np.asarray(y, float) * scale + self.y0
        move = pyproj.Transformer.from_crs(self.crs, self.raster.crs, always_xy=True)
        return self.raster.at(*move.transform(grid_x, grid_y))


def grid_to_ground(crs: pyproj.CRS, centre: tuple[float, float], height: float) -> float:
    """Grid distance over ground distance at a point of a projected CRS, at a mean height."""
    to_degrees = pyproj.Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    longitude, latitude = to_degrees.transform(*centre)
    factors = pyproj.Proj(crs).get_factors(longitude, latitude)
    scale = (factors.meridional_scale + factors.parallel_scale) / 2
    return float(scale * EARTH_RADIUS / (EARTH_RADIUS + height))


def place_of(crs: pyproj.CRS, streets: list[BaseGeometry], raster: Raster) -> Place:
    """The local frame of a project, from its streets and its ground."""
    unit = float(crs.axis_info[0].unit_conversion_factor)
    points = np.vstack([np.asarray(part.coords)[:, :2] for part in streets])
    low, high = points.min(axis=0), points.max(axis=0)
    centre = (low + high) / 2
    move = pyproj.Transformer.from_crs(crs, raster.crs, always_xy=True)
    heights = raster.at(*move.transform(points[:, 0], points[:, 1]))
    k = grid_to_ground(crs, (centre[0], centre[1]), float(np.nanmean(heights)))
    return Place(crs, unit, float(centre[0]), float(centre[1]), k, raster)
