"""Writes out the legs of a route: slopes, bores, flows, hydraulics, cover and price."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import ArrayLike

from planner.kernels.ground import sample_ground
from planner.kernels.hydraulics import FlowStates
from planner.model import PLAN_COLUMNS, Floats, Ground, Site
from planner.records import Prices, Route

COVER_STEP = 0.5  # [m]
LITRES = 1000.0


def bore_axes(route: Route, step: float) -> tuple[Floats, Floats]:
    """Elevation of the bore's axis at the upper and lower end of each leg. [m]"""
    wall = (route.leg_outside - route.leg_inside) / 2
    above = route.leg_bore / 2 - wall
    return route.leg_up_level * step + above, route.leg_down_level * step + above


def cover_of_legs(ground: Ground, route: Route, step: float) -> Floats:
    """Least cover of each leg over the top of its bore or pipe. [m]"""
    wall = (route.leg_outside - route.leg_inside) / 2
    over = np.maximum(route.leg_bore, route.leg_outside) - wall
    covers = np.empty(len(route.leg_length))
    for i, length in enumerate(route.leg_length):
        f = np.linspace(0.0, 1.0, int(np.ceil(length / COVER_STEP)) + 1)
        a, b = route.pit_xy[route.leg_up[i]], route.pit_xy[route.leg_down[i]]
        level = sample_ground(
            ground.values, ground.mesh_x0, ground.mesh_y0, ground.mesh_step, ground.mesh_col,
            ground.mesh_row, a[0] + f * (b[0] - a[0]), a[1] + f * (b[1] - a[1]),
        )  # fmt: skip
        z, w = route.leg_up_level[i] * step, route.leg_down_level[i] * step
        covers[i] = (level - (z + f * (w - z)) - over[i]).min()
    return covers


def slopes(route: Route, step: float) -> Floats:
    """Slope of each leg. [m/m]"""
    return np.asarray((route.leg_up_level - route.leg_down_level) * step / route.leg_length)


def leg_prices(prices: Prices, route: Route, bored: Floats, step: float) -> Floats:
    """Price of each leg: bored length times a sum that grows with mean depth."""
    depth_up = route.pit_ground[route.leg_up] - route.leg_up_level * step
    depth_down = route.pit_ground[route.leg_down] - route.leg_down_level * step
    per_m = prices.leg[route.leg_pipe]
    per_m = per_m + prices.leg_depth[route.leg_pipe] * (depth_up + depth_down) / 2
    per_m = per_m + prices.downgrade * (route.leg_launch == route.leg_up)
    return np.asarray(bored * per_m)


def leg_frame(
    site: Site,
    route: Route,
    streets: list[str],
    run: tuple[Floats, FlowStates],
    bored: Floats,
    prices: Prices,
) -> gpd.GeoDataFrame:
    """The plan's ``legs`` in the local frame.

    Parameters
    ----------
    site, route
        The site and its route.
    streets : (legs,)
        Street that each leg runs in.
    run
        Design peak of each leg [m3/s] and how it runs.
    bored : (legs,)
        Length between the outer faces of the pits. [m]
    prices
        Prices of legs.
    """
    step = site.project.level_step
    fall = route.leg_up_level - route.leg_down_level
    flow, state = run
    up, down = bore_axes(route, step)
    pit = np.array(route.pit_id, object)
    jacked = np.array(route.leg_method, object) == "jacked"
    other = np.where(route.leg_launch == route.leg_up, route.leg_down, route.leg_up)
    columns: dict[str, Any] = {
        "leg_id": route.leg_id, "up_pit": pit[route.leg_up], "down_pit": pit[route.leg_down],
        "run_id": route.run_id, "station_down_m": route.station_down,
        "station_up_m": route.station_down + route.leg_length, "street": streets,
        "length_m": route.leg_length, "bored_length_m": bored, "fall_m": rounded(fall * step),
        "slope_pct": 100 * slopes(route, step), "invert_up_m": rounded(route.leg_up_level * step),
        "invert_down_m": rounded(route.leg_down_level * step), "diameter_mm": route.leg_nominal,
        "inside_diameter_mm": 1000 * route.leg_inside,
        "outside_diameter_mm": 1000 * route.leg_outside,
        "bore_diameter_mm": 1000 * route.leg_bore, "bore_axis_up_m": up, "bore_axis_down_m": down,
        "material": route.leg_material, "min_cover_m": cover_of_legs(site.ground, route, step),
        "flow_l_per_s": LITRES * flow, "capacity_l_per_s": LITRES * state.capacity,
        "velocity_m_per_s": state.velocity, "velocity_full_m_per_s": state.full_velocity,
        "depth_ratio": state.depth_ratio, "launch_pit": pit[route.leg_launch],
        "pipe_entry_pit": np.where(jacked, pit[route.leg_launch], pit[other]),
        "method": route.leg_method, "reamer_diameter_mm": np.full(len(fall), np.nan),
        "binds": route.leg_binds or "", "cost": leg_prices(prices, route, bored, step),
    }  # fmt: skip
    ends = np.stack([route.pit_xy[route.leg_up], route.pit_xy[route.leg_down]], axis=1)
    lines = shapely.linestrings(ends.reshape(-1, 2, 2))
    return gpd.GeoDataFrame(columns, geometry=lines)[[*PLAN_COLUMNS["legs"], "geometry"]]


def rounded(level: ArrayLike) -> Floats:
    """Levels as they are written, free of the noise of multiplying. [m]"""
    return np.round(np.asarray(level, float), 9)
