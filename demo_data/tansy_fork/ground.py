"""The ground of Tansy Fork: natural lie, creek, graded streets, house pads, small relief."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely import LineString, Polygon

from tansy_fork.paths import Floats, Path, curve_through
from tansy_fork.streets import Street

WEST, SOUTH, COLUMNS, ROWS = -84, -104, 788, 664  # [m] and cells of 1 m
CREEK = LineString(curve_through([
    (-34, 640), (-52, 560), (-46, 500), (-28, 452), (-34, 400), (-52, 350), (-46, 300), (-24, 258),
    (-28, 206), (-48, 160), (-40, 112), (-26, 66), (-36, 16), (-58, -30), (-52, -76), (-36, -130),
]))  # fmt: skip
POND = Polygon(curve_through([
    (20, 168), (24, 150), (40, 143), (56, 150), (62, 168), (54, 186), (36, 194), (23, 185),
    (20, 168),
]))  # fmt: skip
CREEK_DEPTH, CREEK_WIDTH = 1.7, 5.5  # [m]
CROSS_FALL = 0.02  # [-] of carriageway and verge
BLEND = 15.0  # [m] from the right of way's edge to natural ground
PAD_BLEND = 5.0  # [m]
QUANTUM = 1 / 256  # [m] levels of the raster are multiples of it, so that it packs well

SPOT_HEIGHTS = np.array([
    (-84, -104, 366.9), (-84, 100, 368.1), (-84, 300, 370.2), (-84, 560, 372.8),
    (-30, -60, 367.6), (-30, 100, 368.9), (-25, 300, 370.9), (-25, 520, 373.0),
    (10, 30, 369.0), (40, 40, 369.7), (14, 97, 371.0), (50, 95, 371.8), (40, 160, 371.3),
    (62, 54, 370.0), (96, 54, 370.8), (108, -50, 370.1), (112, 90, 372.4), (122, 180, 373.3),
    (170, 92, 372.9), (230, 98, 373.4), (230, 0, 371.9), (340, 117, 374.3), (340, 10, 372.7),
    (400, 122, 374.9), (460, 124, 375.3), (460, 20, 374.0), (575, 111, 376.4), (650, 96, 377.0),
    (690, -90, 375.2), (400, -100, 372.3), (180, -100, 370.6), (700, 200, 378.4),
    (228, 155, 374.7), (238, 212, 376.0), (262, 270, 377.6), (288, 330, 379.3),
    (300, 402, 380.7), (294, 462, 381.6), (288, 560, 382.6), (178, 222, 375.0),
    (128, 240, 374.3), (100, 274, 374.0), (96, 318, 374.6), (118, 362, 376.3), (168, 390, 378.3),
    (232, 402, 379.9), (180, 310, 376.6), (30, 280, 371.9), (30, 400, 373.4), (90, 480, 376.6),
    (190, 500, 380.2), (20, 560, 375.0), (468, 180, 377.4), (478, 214, 378.4), (486, 236, 378.3),
    (522, 304, 376.8), (556, 344, 376.1), (578, 398, 375.9), (640, 450, 374.6), (640, 300, 377.2),
    (700, 560, 373.2), (436, 256, 378.1), (382, 254, 377.7), (352, 346, 378.9), (420, 352, 378.0),
    (480, 336, 377.1), (330, 200, 376.0), (400, 190, 376.6), (440, 460, 378.2), (380, 560, 380.4),
    (360, 430, 380.2), (560, 200, 378.2),
])  # fmt: skip
"""East, north and level of the natural ground. [m]"""


@dataclass(frozen=True, eq=False)
class Relief:
    """The ground as cells of 1 m; row 0 is the northernmost."""

    cells: Floats  # (rows, columns) [m]

    def level(self, x: Floats, y: Floats) -> Floats:
        """Level of the ground, bilinear between cell centres. [m]"""
        column = np.clip(np.asarray(x, float) - WEST - 0.5, 0, COLUMNS - 1.001)
        row = np.clip(SOUTH + ROWS - np.asarray(y, float) - 0.5, 0, ROWS - 1.001)
        c, r = column.astype(int), row.astype(int)
        u, v = column - c, row - r
        top = self.cells[r, c] * (1 - u) + self.cells[r, c + 1] * u
        low = self.cells[r + 1, c] * (1 - u) + self.cells[r + 1, c + 1] * u
        return np.asarray(top * (1 - v) + low * v)


def cell_centres() -> tuple[Floats, Floats]:
    """East and north of every cell's centre, each (rows, columns). [m]"""
    x = WEST + 0.5 + np.arange(COLUMNS)
    y = SOUTH + ROWS - 0.5 - np.arange(ROWS)
    east, north = np.meshgrid(x, y)
    return east, north


def natural_level(x: Floats, y: Floats) -> Floats:
    """Level before anything was built: a thin plate through the spot heights. [m]"""
    weights = _plate_weights()
    total = weights[-3] + weights[-2] * (x / 100) + weights[-1] * (y / 100)
    for (px, py, _), weight in zip(SPOT_HEIGHTS, weights, strict=False):
        total = total + weight * _plate(((x - px) ** 2 + (y - py) ** 2) / 1e4)
    return np.asarray(total)


def _plate(square: Floats) -> Floats:
    return 0.5 * square * np.log(square + 1e-12)


def _plate_weights() -> Floats:
    """Weights of the plate, a little relaxed so that it is no slave of each spot."""
    x, y, z = SPOT_HEIGHTS.T
    square = ((x[:, None] - x) ** 2 + (y[:, None] - y) ** 2) / 1e4
    count = len(x)
    matrix = np.zeros((count + 3, count + 3))
    matrix[:count, :count] = _plate(square) + 0.02 * np.eye(count)
    matrix[:count, count:] = np.column_stack([np.ones(count), x / 100, y / 100])
    matrix[count:, :count] = matrix[:count, count:].T
    return np.linalg.solve(matrix, np.concatenate([z, np.zeros(3)]))


def grade_streets(streets: dict[str, Street]) -> dict[str, tuple[Floats, Floats]]:
    """Stations and levels of each centreline: smooth, and meeting at the junctions. [m]"""
    graded: dict[str, tuple[Floats, Floats]] = {}
    for street in streets.values():
        stations = np.arange(0.0, street.path.length + 0.5, 1.0)
        stations[-1] = street.path.length
        levels = _smooth(natural_level(*street.path.at(stations).T), 22.0)
        for other in list(graded):
            levels = _meet(stations, levels, street.path, streets[other].path, graded[other])
        graded[street.name] = (stations, levels)
    return graded


def _smooth(levels: Floats, sigma: float) -> Floats:
    """Levels at 1 m steps through a bell-shaped window; the ends keep their grade."""
    reach = int(3 * sigma)
    bell = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    before = 2 * levels[0] - levels[1 : reach + 1][::-1]
    after = 2 * levels[-1] - levels[-reach - 1 : -1][::-1]
    padded = np.concatenate([before, levels, after])
    return np.convolve(padded, bell / bell.sum(), mode="valid")


def _meet(
    stations: Floats, levels: Floats, path: Path, other: Path, graded: tuple[Floats, Floats]
) -> Floats:
    """Levels bent within 70 m of each end that lies on an earlier street, to its level."""
    for end in (0.0, path.length):
        point = shapely.Point(path.at(end)[0])
        if point.distance(other.line) > 0.01:
            continue
        theirs = np.interp(other.station_of(path.at(end)[0]), *graded)
        gap = theirs - np.interp(end, stations, levels)
        levels = levels + gap * _fade(np.abs(stations - end) / 70.0)
    return levels


def _fade(share: Floats) -> Floats:
    """From 1 at 0 to 0 at 1 and beyond, flat at both ends."""
    t = np.clip(share, 0.0, 1.0)
    return np.asarray(1 - t * t * (3 - 2 * t))


def shape_ground(
    streets: dict[str, Street], pads: list[Polygon], rng: np.random.Generator
) -> Relief:
    """The whole relief: natural ground, creek, graded streets, pads and small relief."""
    x, y = cell_centres()
    rough = [_noise(rng, 45.0), _noise(rng, 11.0), _noise(rng, 2.2)]
    base = natural_level(x, y) + 0.22 * rough[0] + 0.10 * rough[1]
    points = shapely.points(x, y)
    base -= CREEK_DEPTH * np.exp(-((shapely.distance(points, CREEK) / CREEK_WIDTH) ** 2))
    cells, built = _grade(base, points, streets)
    cells = _lay_pads(cells, x, y, pads)
    cells += 0.028 * rough[2] * (1 - 0.82 * built)
    cells = _fill_pond(cells, shapely.distance(points, POND))
    return Relief((cells / QUANTUM).round() * QUANTUM)


def _grade(base: Floats, points: np.ndarray, streets: dict[str, Street]) -> tuple[Floats, Floats]:
    """Ground with the streets' platforms, and how far each cell belongs to one (0 to 1)."""
    built, weights, levels = np.zeros(base.shape), np.zeros(base.shape), np.zeros(base.shape)
    graded = grade_streets(streets)
    for street in streets.values():
        distance = shapely.distance(points, street.path.line)
        half = max(street.row_width / 2, street.bulb + 2.0 if street.bulb else 0.0)
        near = distance < half + BLEND + 25.0
        d = distance[near]
        stations = shapely.line_locate_point(street.path.line, points[near])
        edge = street.edge(1)
        section = CROSS_FALL * (np.clip(d - edge, 0, half - edge) - np.minimum(d, edge))
        weight = 1 / (d**4 + 1)
        levels[near] += weight * (np.interp(stations, *graded[street.name]) + section)
        weights[near] += weight
        built[near] = np.maximum(built[near], _fade((d - street.row_width / 2) / BLEND))
    platform = np.where(weights > 0, levels / np.where(weights > 0, weights, 1), base)
    return base * (1 - built) + platform * built, built


def _lay_pads(cells: Floats, x: Floats, y: Floats, pads: list[Polygon]) -> Floats:
    """Ground levelled under each house at its mean level, and sloped off around it."""
    cells = cells.copy()
    for pad in pads:
        west, south, east, north = pad.buffer(PAD_BLEND).bounds
        rows = slice(max(0, int(SOUTH + ROWS - north) - 1), int(SOUTH + ROWS - south) + 2)
        columns = slice(max(0, int(west - WEST) - 1), int(east - WEST) + 2)
        distance = shapely.distance(shapely.points(x[rows, columns], y[rows, columns]), pad)
        level = cells[rows, columns][distance == 0].mean() + 0.12
        share = _fade(distance / PAD_BLEND)
        cells[rows, columns] += share * (level - cells[rows, columns])
    return cells


def _fill_pond(cells: Floats, distance: Floats) -> Floats:
    """Ground with the pond's level water, and banks around it."""
    water = cells[distance == 0].min() - 0.5
    return np.asarray(cells + _fade(distance / 6.0) * (water - cells))


def _noise(rng: np.random.Generator, sigma: float) -> Floats:
    """Random relief of unit spread whose hills are about `sigma` metres wide."""
    white = rng.standard_normal((ROWS, COLUMNS))
    fy, fx = np.fft.fftfreq(ROWS)[:, None], np.fft.fftfreq(COLUMNS)[None, :]
    low = np.exp(-2 * (np.pi * sigma) ** 2 * (fx**2 + fy**2))
    relief = np.fft.ifft2(np.fft.fft2(white) * low).real
    return np.asarray(relief / relief.std())
