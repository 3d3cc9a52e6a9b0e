"""The ground behind the map: hill shading as a small image, and contours as hairlines."""

from __future__ import annotations

import base64
import struct
import zlib
from typing import Any, NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from planner.model import Floats, Ground
from planner.outputs.map_features import Layer, Pen

MARGIN = 150.0  # [m] of ground shown around the site
MOST_PIXELS = 720  # on the longer side of the shading
MOST_NODES = 220  # on the longer side of the contours' grid
LIGHT = np.array([-0.45, 0.45, 0.77])  # from the north-west, as maps are lit by custom
EXAGGERATION = 2.5  # relief of a street site is slight; it is a picture, not a measure
TONES = 20
FLAT = 0.62  # brightness of level ground, which is also the page's
FADE = 24  # [pixels] over which the shading fades out at its edge
DARK, PALE = np.array([203, 196, 184]), np.array([243, 240, 233])  # warm greys, low contrast
CONTOUR_COUNT = 14  # about so many contours over the site
INDEX_EVERY = 5  # each fifth contour is heavier and carries its level
LEAST_CONTOUR = 8.0  # [m] shorter ones are specks


class Window(NamedTuple):
    """A rectangle of the local frame. [m]"""

    x0: float
    y0: float
    x1: float
    y1: float


def site_window(pen: Pen) -> Window:
    """Rectangle around streets, properties and legs, with a margin."""
    site = pen.plan.site
    boxes = [
        frame.total_bounds for frame in (site.streets, site.properties, site.tie_ins) if len(frame)
    ]
    low, high = np.min(boxes, axis=0)[:2] - MARGIN, np.max(boxes, axis=0)[2:] + MARGIN
    return Window(float(low[0]), float(low[1]), float(high[0]), float(high[1]))


def sample(ground: Ground, x: Floats, y: Floats) -> Floats:
    """Elevation at local points, bilinear between cell centres; NaN where there is none. [m]"""
    across, up = (x - ground.mesh_x0) / ground.mesh_step, (y - ground.mesh_y0) / ground.mesh_step
    column = bilinear(ground.mesh_col, across, up)
    row = bilinear(ground.mesh_row, across, up)
    rows, columns = ground.values.shape
    inside = (column >= -0.5) & (column <= columns - 0.5) & (row >= -0.5) & (row <= rows - 0.5)
    held = bilinear(ground.values, np.clip(column, 0, columns - 1), np.clip(row, 0, rows - 1))
    return np.where(inside, held, np.nan)


def bilinear(grid: Floats, column: Floats, row: Floats) -> Floats:
    """Value between the nodes of a grid."""
    left = np.clip(np.floor(column).astype(int), 0, max(grid.shape[1] - 2, 0))
    low = np.clip(np.floor(row).astype(int), 0, max(grid.shape[0] - 2, 0))
    right, high = np.minimum(left + 1, grid.shape[1] - 1), np.minimum(low + 1, grid.shape[0] - 1)
    u, v = column - left, row - low
    lower = (1 - u) * grid[low, left] + u * grid[low, right]
    upper = (1 - u) * grid[high, left] + u * grid[high, right]
    between: Floats = (1 - v) * lower + v * upper
    return between


def shade(levels: Floats, step_x: float, step_y: float) -> Floats:
    """Brightness from 0 to 1 of a surface lit from the north-west; rows run southward."""
    south, east = np.gradient(levels, step_y, step_x)
    normal = np.stack([-east * EXAGGERATION, south * EXAGGERATION, np.ones_like(levels)])
    normal /= np.sqrt((normal**2).sum(axis=0))
    lit = np.tensordot(LIGHT / np.linalg.norm(LIGHT), normal, axes=1)
    flat = LIGHT[2] / np.linalg.norm(LIGHT)
    brightness: Floats = np.clip(FLAT + 1.7 * (lit - flat), 0, 1)
    return brightness


def encode_png(tones: NDArray[np.uint8], palette: NDArray[np.uint8]) -> bytes:
    """PNG of palette indices; index 0 is transparent.

    References
    ----------
    W3C, Portable Network Graphics specification: chunk layout, colour type 3, filter type 0.
    """
    rows, columns = tones.shape
    lines = np.hstack([np.zeros((rows, 1), np.uint8), tones]).tobytes()
    head = struct.pack(">IIBBBBB", columns, rows, 8, 3, 0, 0, 0)
    chunks = (
        (b"IHDR", head),
        (b"PLTE", palette.astype(np.uint8).tobytes()),
        (b"tRNS", b"\x00"),
        (b"IDAT", zlib.compress(lines, 9)),
        (b"IEND", b""),
    )
    return b"\x89PNG\r\n\x1a\n" + b"".join(png_chunk(*chunk) for chunk in chunks)


def png_chunk(name: bytes, body: bytes) -> bytes:
    """Chunk of a PNG with its length and its checksum."""
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def shading(pen: Pen) -> dict[str, Any] | None:
    """Hill shading as an image that lies north up between two corners in degrees."""
    window = site_window(pen)
    corners = pen.reach.local_degrees(
        np.array([[x, y] for x in (window.x0, window.x1) for y in (window.y0, window.y1)])
    )
    west, south = corners.min(axis=0)
    east, north = corners.max(axis=0)
    wide, tall = window.x1 - window.x0, window.y1 - window.y0
    cell = max(pen.plan.site.ground.cell, max(wide, tall) / MOST_PIXELS)
    columns, rows = max(int(wide / cell), 2), max(int(tall / cell), 2)
    lon = west + (np.arange(columns) + 0.5) / columns * (east - west)
    lat = mercator_rows(south, north, rows)
    levels = smooth(levels_at(pen, lon, lat))
    known = np.isfinite(levels)
    if not known.any():
        return None
    bright = shade(np.where(known, levels, np.nanmean(levels)), cell, cell)
    bright = FLAT + fade_edges(known) * (bright - FLAT)
    tones = np.where(known, 1 + np.round(bright * (TONES - 1)), 0).astype(np.uint8)
    mix = np.linspace(0, 1, TONES)[:, None]
    palette = np.vstack([PALE, np.round(DARK * (1 - mix) + PALE * mix)])
    image = base64.b64encode(encode_png(tones, palette)).decode("ascii")
    bounds = [[round(south, 7), round(west, 7)], [round(north, 7), round(east, 7)]]
    return {"image": f"data:image/png;base64,{image}", "bounds": bounds}


def fade_edges(known: NDArray[np.bool_]) -> Floats:
    """Weight from 0 at the edge of what is known to 1 well inside it."""
    weight = np.pad(known, FADE + 1).astype(float)
    for axis in (0, 1):
        total = np.cumsum(weight, axis=axis)
        ahead = np.roll(total, -FADE, axis=axis)
        weight = (ahead - np.roll(total, FADE, axis=axis)) / (2 * FADE)
    inner = weight[FADE + 1 : -FADE - 1, FADE + 1 : -FADE - 1]
    faded: Floats = np.clip(2 * inner - 1, 0, 1)
    return faded


def mercator_rows(south: float, north: float, rows: int) -> Floats:
    """Latitudes of the middles of rows that are equally high on a Mercator map, north first."""
    low, high = (np.arctanh(np.sin(np.radians(value))) for value in (south, north))
    height = high - (np.arange(rows) + 0.5) / rows * (high - low)
    latitudes: Floats = np.degrees(np.arcsin(np.tanh(height)))
    return latitudes


def levels_at(pen: Pen, lon: Floats, lat: Floats) -> Floats:
    """Elevations at a grid of longitudes and latitudes. [m]"""
    across, up = np.meshgrid(lon, lat)
    x, y = pen.reach.local(np.column_stack([across.ravel(), up.ravel()]))
    return sample(pen.plan.site.ground, x, y).reshape(across.shape)


def smooth(levels: Floats) -> Floats:
    """Mean of each cell and its eight neighbours; edges and gaps stay as they are."""
    mean = levels.copy()
    total = sum(
        levels[1 + up : levels.shape[0] - 1 + up, 1 + side : levels.shape[1] - 1 + side]
        for up in (-1, 0, 1)
        for side in (-1, 0, 1)
    )
    inner = np.asarray(total) / 9
    mean[1:-1, 1:-1] = np.where(np.isfinite(inner), inner, levels[1:-1, 1:-1])
    return mean


def contour_interval(span: float, unit: float) -> float:
    """Round step of contours in a shown unit. [m]"""
    wish = span / unit / CONTOUR_COUNT
    steps = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100)
    return unit * next((step for step in steps if step >= wish), 100)


def contour_layer(pen: Pen) -> Layer:
    """Contours at round levels of the shown unit; each fifth is heavier and labelled."""
    layer = Layer("contour", "", 99)
    window = site_window(pen)
    step = max(
        pen.plan.site.ground.cell,
        (window.x1 - window.x0) / MOST_NODES,
        (window.y1 - window.y0) / MOST_NODES,
    )
    x, y = (np.arange(a, b, step) for a, b in ((window.x0, window.x1), (window.y0, window.y1)))
    across, up = np.meshgrid(x, y)
    levels = smooth(
        smooth(sample(pen.plan.site.ground, across.ravel(), up.ravel()).reshape(across.shape))
    )
    if not np.isfinite(levels).any():
        return layer
    unit = pen.show.scale("ground").size
    low, high = float(np.nanmin(levels)), float(np.nanmax(levels))
    interval = contour_interval(high - low, unit)
    for count in range(int(np.ceil(low / interval)), int(np.floor(high / interval)) + 1):
        lines = trace_level(levels, x, y, count * interval + 1e-9)
        style = "contour" if count % INDEX_EVERY else "contour-index"
        packed = [at for at in pen.reach.pack(lines, local=True) if at]
        label = "" if count % INDEX_EVERY else f"{count * interval / unit:g}"
        named = {"label": label} if label else {}
        layer.add(style, ["ground"], [{"id": "", "at": at, "values": [], **named} for at in packed])
    return layer


def trace_level(levels: Floats, x: Floats, y: Floats, level: float) -> list[BaseGeometry]:
    """Lines along which a gridded surface has one level.

    Each square of the grid is cut into two triangles; a triangle that the level passes gives one
    piece, and pieces that meet are joined.
    """
    across, up = np.meshgrid(x, y)
    corners = np.stack([across, up, levels], axis=-1)
    south_west, south_east = corners[:-1, :-1].reshape(-1, 3), corners[:-1, 1:].reshape(-1, 3)
    north_west, north_east = corners[1:, :-1].reshape(-1, 3), corners[1:, 1:].reshape(-1, 3)
    triangles = np.concatenate([
        np.stack([south_west, south_east, north_east], axis=1),
        np.stack([south_west, north_east, north_west], axis=1),
    ])  # fmt: skip
    heights = triangles[:, :, 2]
    passed = (heights.min(axis=1) < level) & (heights.max(axis=1) > level)
    pieces = cut_triangles(triangles[passed], level)
    joined = shapely.line_merge(shapely.multilinestrings(shapely.linestrings(pieces)))
    lines = shapely.get_parts(shapely.simplify(joined, 0.15 * (x[1] - x[0])))
    return [line for line in lines if line.length >= LEAST_CONTOUR]


def cut_triangles(triangles: Floats, level: float) -> Floats:
    """Ends (n, 2, 2) of the piece on which each triangle (n, 3, 3) has the level."""
    ends = []
    for start, end in ((0, 1), (1, 2), (0, 2)):
        one, two = triangles[:, start], triangles[:, end]
        crosses = (one[:, 2] < level) != (two[:, 2] < level)
        # the same two corners give the same point, whichever triangle asks
        swap = (one[:, 0] > two[:, 0]) | ((one[:, 0] == two[:, 0]) & (one[:, 1] > two[:, 1]))
        first, last = np.where(swap[:, None], two, one), np.where(swap[:, None], one, two)
        with np.errstate(divide="ignore", invalid="ignore"):
            share = (level - first[:, 2]) / (last[:, 2] - first[:, 2])
            points = first[:, :2] + share[:, None] * (last[:, :2] - first[:, :2])
        ends.append(np.where(crosses[:, None], points, np.nan))
    stacked = np.stack(ends, axis=1)
    chosen = np.argsort(np.isnan(stacked[:, :, 0]), axis=1, kind="stable")[:, :2]
    return np.round(np.take_along_axis(stacked, chosen[:, :, None], axis=1), 6)
