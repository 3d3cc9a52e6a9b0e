"""Streets as they lie on the ground: strips of true width, kerbs with round corners, lanes."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from planner.outputs.map_features import Field, Layer, Pen, make_features

Shapes = NDArray[np.object_]
KERB_RADIUS = 5.0  # [m] of the drawn corners; common practice, no source
JUNCTION_MARGIN = 3.0  # [m] lanes end this far before the kerb of a crossing street
SIMPLE = 0.05  # [m] what the eye does not see
GRID = 1e-3  # [m] ends that are this close meet

STREET_FIELDS = (
    Field("lanes", "Lanes", "count"),
    Field("lane_width_m", "Lane width", "width"),
    Field("row_width_m", "Right of way", "width"),
    Field("parking_left_m", "Parking, left", "width"),
    Field("parking_right_m", "Parking, right", "width"),
    Field("footway_width_m", "Footway", "width"),
    Field("speed_kmh", "Speed", "speed"),
    Field("one_way", "One way", "yes"),
    Field("road_class", "Class"),
    Field("vehicles_per_day", "Vehicles a day", "count"),
    Field("bus_route", "Bus route", "yes"),
    Field("no_cut_until", "No cut until", "date"),
    Field("sewer", "Sewer"),
    Field("street", "Name"),
)


def carriageway_lines(streets: gpd.GeoDataFrame) -> tuple[Shapes, NDArray[np.float64]]:
    """Middle of each carriageway and half its width. [m]

    The centreline runs in the middle of the lanes; parking lies outside them, left and right.
    """
    left, right = (streets[f"parking_{side}_m"].to_numpy(float) for side in ("left", "right"))
    half = (streets["lanes"].to_numpy(float) * streets["lane_width_m"] + left + right) / 2
    lines = [
        shift_line(shape, shift)
        for shape, shift in zip(streets.geometry, (left - right) / 2, strict=True)
    ]
    return np.array(lines, dtype=object), half.to_numpy(float)


def shift_line(shape: BaseGeometry, shift: float) -> BaseGeometry:
    """Line moved to its left; the line itself where the move would break it."""
    if abs(shift) < GRID:
        return shape
    moved: BaseGeometry = shape.offset_curve(shift)
    return shape if moved.is_empty or moved.geom_type != shape.geom_type else moved


def draw_surface(streets: gpd.GeoDataFrame) -> dict[str, list[BaseGeometry]]:
    """Shapes of the street surface: footway, carriageway and the lines between lanes."""
    middles, half = carriageway_lines(streets)
    footway = half + streets["footway_width_m"].fillna(0.0).to_numpy(float)
    lines = lane_lines(streets)
    junctions = junction_areas(streets, half)
    return {
        "footway": [round_corners(shapely.union_all(shapely.buffer(middles, footway)))],
        "carriageway": [round_corners(shapely.union_all(shapely.buffer(middles, half)))],
        "lane": [line.difference(junctions) for line in lines],
    }


def round_corners(surface: BaseGeometry) -> BaseGeometry:
    """Surface with its inner corners rounded as kerbs are."""
    rounded = surface.buffer(KERB_RADIUS, quad_segs=6).buffer(-KERB_RADIUS, quad_segs=6)
    return rounded.simplify(SIMPLE)


def lane_lines(streets: gpd.GeoDataFrame) -> list[BaseGeometry]:
    """Lines between the lanes of each street."""
    lines: list[BaseGeometry] = []
    for shape, lanes, width in zip(
        streets.geometry, streets["lanes"], streets["lane_width_m"], strict=True
    ):
        lines.extend(
            shift_line(shape, (place - lanes / 2) * float(width)) for place in range(1, int(lanes))
        )
    return lines


def junction_areas(streets: gpd.GeoDataFrame, half: NDArray[np.float64]) -> BaseGeometry:
    """Areas around points where three or more street ends or passing streets meet."""
    counts: dict[tuple[int, int], list[float]] = {}
    for shape, width in zip(streets.geometry, half, strict=True):
        xy = np.round(shapely.get_coordinates(shape)[:, :2] / GRID).astype(int)
        inner = [tuple(point) for point in xy[1:-1].tolist()]
        for point in [tuple(xy[0].tolist()), tuple(xy[-1].tolist()), *inner, *inner]:
            counts.setdefault(point, []).append(float(width))
    discs = [
        shapely.Point(x * GRID, y * GRID).buffer(max(widths) + JUNCTION_MARGIN)
        for (x, y), widths in counts.items()
        if len(widths) > 2
    ]
    return shapely.union_all(discs)


def street_layer(pen: Pen) -> Layer:
    """Streets to be chosen: each a strip between its kerbs."""
    streets = pen.plan.site.streets
    layer = Layer("street", "Street", 90, STREET_FIELDS)
    if len(streets):
        middles, half = carriageway_lines(streets)
        strips = shapely.simplify(shapely.buffer(middles, half, cap_style="flat"), SIMPLE)
        features = make_features(
            pen, streets.set_geometry(strips), "street", STREET_FIELDS, "streets"
        )
        centres = pen.reach.pack(streets.geometry, local=True)
        for feature, centre in zip(features, centres, strict=True):
            feature["along"] = centre
        layer.add("street", ["street"], features)
    return layer


def surface_layer(pen: Pen) -> Layer:
    """Street surface below everything: it is seen, not chosen."""
    layer = Layer("surface", "", 100)
    streets = pen.plan.site.streets
    if not len(streets):
        return layer
    for style, shapes in draw_surface(streets).items():
        layer.add(style, ["street"], plain_features(pen, shapes))
    return layer


def plain_features(pen: Pen, shapes: list[BaseGeometry]) -> list[dict[str, Any]]:
    """Features without details, of shapes in the local frame."""
    packed = pen.reach.pack(shapes, local=True)
    return [{"id": "", "at": at, "values": []} for at in packed if at is not None]


def right_of_way_layer(pen: Pen) -> Layer:
    """Edge of the right of way: as given, or half the row width on each side of the streets."""
    site = pen.plan.site
    layer = Layer("right_of_way", "", 95)
    if len(site.right_of_way):
        areas = list(site.right_of_way.geometry)
    elif len(site.streets):
        width = site.streets["row_width_m"].to_numpy(float) / 2
        areas = [shapely.union_all(shapely.buffer(site.streets.geometry.to_numpy(), width))]
    else:
        return layer
    edges = [area.boundary.simplify(SIMPLE) for area in areas]
    layer.add("right-of-way", ["right-of-way"], plain_features(pen, edges))
    return layer
