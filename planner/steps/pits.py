"""Writes out the pits of a route: footprints, floors, roles, manholes and price."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from planner.kernels.pairs import Sizes
from planner.model import PLAN_COLUMNS, Floats, Site
from planner.records import Bools, Candidates, Ints, Prices, Route
from planner.rules import stepped


def rectangle(x: float, y: float, ux: float, uy: float, size: tuple[float, float]) -> Any:
    """A rectangle around a point along a direction.

    Parameters
    ----------
    x, y
        Centre. [m]
    ux, uy
        Unit vector along it.
    size
        Half length and half width. [m]
    """
    a, b = size
    corners = ((-a, -b), (a, -b), (a, b), (-a, b))
    return shapely.Polygon([(x + p * ux - q * uy, y + p * uy + q * ux) for p, q in corners])


def dig_pits(site: Site, route: Route, sizes: Sizes) -> list[Any]:
    """Footprint of each pit with its shoring: a rectangle a drive, one for those in line.

    A tie-in's is the exit pit dug against its manhole on the way of each leg that comes in.
    """
    in_line = site.book.equipment.number("in_line_angle_deg")
    shapes = []
    for pit in range(len(route.pit_id)):
        drives = _drives(route, pit)
        if route.pit_tie_in[pit] >= 0:
            shapes.append(_against_manhole(site, route, pit, drives, sizes))
            continue
        x, y = route.pit_xy[pit].tolist()
        launched = [(u, v) for u, v, launch in drives if launch]
        parts = [
            rectangle(x, y, *axis, (sizes.launch_length, sizes.launch_width)) for axis in launched
        ]
        for u, v, launch in drives:
            if not launch and not any(_in_line((u, v), axis, in_line) for axis in launched):
                size = (sizes.exit_length, sizes.exit_width)
                parts.append(rectangle(x, y, u, v, size))
        if not parts:  # a pit that no drive uses, as a design may have
            parts = [rectangle(x, y, 1.0, 0.0, (sizes.exit_length, sizes.exit_width))]
        shapes.append(shapely.union_all(parts))
    return shapes


def _drives(route: Route, pit: int) -> list[tuple[float, float, bool]]:
    """Unit vectors from a pit along its legs, and whether the drive is launched there."""
    found = []
    for leg in range(len(route.leg_length)):
        ends = (int(route.leg_up[leg]), int(route.leg_down[leg]))
        if pit in ends:
            other = ends[1] if ends[0] == pit else ends[0]
            d = route.pit_xy[other] - route.pit_xy[pit]
            d = d / np.hypot(*d)
            found.append((float(d[0]), float(d[1]), bool(route.leg_launch[leg] == pit)))
    return found


def _in_line(a: tuple[float, float], b: tuple[float, float], most: float) -> bool:
    sine = abs(a[0] * b[1] - a[1] * b[0])
    return bool(np.degrees(np.arcsin(min(1.0, sine))) <= most)


def _against_manhole(
    site: Site, route: Route, pit: int, drives: list[tuple[float, float, bool]], sizes: Sizes
) -> Any:
    manhole = float(site.tie_ins["manhole_diameter_m"].iloc[route.pit_tie_in[pit]]) / 2
    x, y = route.pit_xy[pit]
    away = manhole + sizes.exit_length
    size = (sizes.exit_length, sizes.exit_width)
    return shapely.union_all([rectangle(x + away * u, y + away * v, u, v, size)
                              for u, v, _ in drives])  # fmt: skip


def bored_lengths(route: Route, footprints: list[Any]) -> Floats:
    """Length of each leg between the outer faces of its two pits. [m]"""
    bored = np.empty(len(route.leg_length))
    for i, length in enumerate(route.leg_length):
        a, b = route.pit_xy[route.leg_up[i]], route.pit_xy[route.leg_down[i]]
        line = shapely.LineString([a, b])
        upper = line.intersection(footprints[route.leg_up[i]])
        lower = line.intersection(footprints[route.leg_down[i]])
        start = _furthest(upper, a)
        end = _furthest(lower, b)
        bored[i] = length - start - end
    return bored


def _furthest(part: Any, point: Floats) -> float:
    xy = shapely.get_coordinates(part)
    return float(np.hypot(*(xy - point).T).max()) if len(xy) else 0.0


def roles(route: Route) -> tuple[Ints, Ints]:
    """Numbers of drives that each pit launches and receives."""
    pits = len(route.pit_id)
    launches = np.bincount(route.leg_launch, minlength=pits)
    ends = np.bincount(route.leg_up, minlength=pits) + np.bincount(route.leg_down, minlength=pits)
    return launches, ends - launches


def floors(route: Route, prices: Prices, step: float) -> Floats:
    """Bottom of each pit; of a tie-in its invert. [m]"""
    launches, _ = roles(route)
    under = np.where(launches > 0, prices.under[1], prices.under[0])
    lowest, dug = route.pit_level.copy(), route.pit_tie_in < 0
    ends = (route.leg_up, route.leg_up_level), (route.leg_down, route.leg_down_level)
    for pit, level in ends:  # a design may drop the wrong way: the floor is below all that meets
        np.fmin.at(lowest, pit[dug[pit]], level[dug[pit]])
    return np.asarray(lowest * step - np.where(dug, under, 0.0))


def drops(route: Route, step: float) -> Floats:
    """Greatest fall from an incoming invert to the outgoing one. [m]"""
    fall = np.zeros(len(route.pit_id))
    below = route.pit_level[route.leg_down]
    np.maximum.at(fall, route.leg_down, (route.leg_down_level - below) * step)
    return fall


def pit_prices(site: Site, route: Route, prices: Prices, launch: Bools) -> Floats:
    """Price of each pit, with its manhole where one stays; of a tie-in its works."""
    step = site.project.level_step
    role = launch.astype(int)
    at, new = route.candidate, route.pit_tie_in < 0
    depth = route.pit_ground - floors(route, prices, step) + np.where(new, 0.0, prices.under[role])
    total = prices.pit[at, role] + prices.pit_depth[at, role] * depth
    for step_depth, step_price in zip(prices.step_depth, prices.step_price, strict=True):
        total += np.where(depth >= step_depth, step_price[role], 0.0)
    total += _drop_prices(site, route, prices)
    well = prices.manhole[role] + prices.manhole_depth * depth
    total -= np.where(route.has_manhole, 0.0, well)
    used = np.bincount(route.leg_down, minlength=len(at)) > 0
    return np.where(new | used, total, 0.0)


def _drop_prices(site: Site, route: Route, prices: Prices) -> Floats:
    """Price of the drop structures at each pit."""
    step = site.project.level_step
    fall = (route.leg_down_level - route.pit_level[route.leg_down]) * step
    built = fall > site.book.rules.number("max_manhole_drop_m") + 1e-9
    total = np.zeros(len(route.pit_id))
    np.add.at(total, route.leg_down[built], prices.drop + prices.drop_depth * fall[built])
    return total


def manhole_diameters(site: Site, route: Route) -> Floats:
    """Inside diameter of each manhole by its largest pipe, NaN where none stays. [m]"""
    largest = np.zeros(len(route.pit_id))
    np.maximum.at(largest, route.leg_up, route.leg_nominal)
    np.maximum.at(largest, route.leg_down, route.leg_nominal)
    sizes = [stepped(site.book.rules, "manhole_diameter_m", size) for size in largest]
    return np.where(route.has_manhole, sizes, np.nan)


def pit_frame(
    site: Site, route: Route, candidates: Candidates, prices: Prices, streets: list[str]
) -> gpd.GeoDataFrame:
    """The plan's ``pits`` in the local frame."""
    step = site.project.level_step
    launches, receives = roles(route)
    floor = floors(route, prices, step)
    tie_in = route.pit_tie_in >= 0
    manhole = manhole_diameters(site, route)
    manhole[tie_in] = site.tie_ins["manhole_diameter_m"].to_numpy(float)[route.pit_tie_in[tie_in]]
    columns: dict[str, Any] = {
        "pit_id": route.pit_id, "kind": np.where(tie_in, "tie-in", "pit"), "street": streets,
        "ground_elev_m": route.pit_ground, "invert_elev_m": np.round(route.pit_level * step, 9),
        "floor_elev_m": np.round(floor, 9), "depth_m": route.pit_ground - floor,
        "launches": launches, "receives": receives, "manhole": route.has_manhole,
        "manhole_diameter_m": manhole, "drop_m": np.round(drops(route, step), 9),
        "lanes_closed": candidates.lanes[route.candidate].astype(int),
        "days_open": np.full(len(floor), np.nan), "binds": route.pit_binds or "",
        "cost": pit_prices(site, route, prices, launches > 0),
    }  # fmt: skip
    points = shapely.points(route.pit_xy)
    return gpd.GeoDataFrame(columns, geometry=points)[[*PLAN_COLUMNS["pits"], "geometry"]]


def footprint_frame(pits: gpd.GeoDataFrame, footprints: list[Any]) -> gpd.GeoDataFrame:
    """The plan's ``pit_footprints`` in the local frame, one row a pit."""
    dug = (pits["kind"] == "pit").to_numpy()
    shapes = [shape for shape, use in zip(footprints, dug, strict=True) if use]
    sides = [_sides(shape) for shape in shapes]
    depth = pits["depth_m"].to_numpy(float)[dug]
    columns: dict[str, Any] = {
        "pit_id": pits["pit_id"].to_numpy()[dug], "length_m": [max(s) for s in sides],
        "width_m": [min(s) for s in sides], "depth_m": depth, "shoring": "",
        "volume_m3": depth * np.array([shape.area for shape in shapes]),
    }  # fmt: skip
    frame = gpd.GeoDataFrame(columns, geometry=shapes)
    return frame[[*PLAN_COLUMNS["pit_footprints"], "geometry"]]


def _sides(shape: Any) -> tuple[float, float]:
    """Sides of the smallest rectangle around a footprint. [m]"""
    box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shape))
    return float(np.hypot(*(box[1] - box[0]))), float(np.hypot(*(box[2] - box[1])))
