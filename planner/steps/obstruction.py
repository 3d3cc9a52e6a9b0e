"""Turns services, zones and houses into the arrays that bind a leg."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import shapely

from planner.kernels.ground import sample_ground
from planner.kernels.plane import build_grid
from planner.kernels.rows import GroundCells, Houses, Runs, Water, Zones
from planner.model import Floats, Ground, Site
from planner.records import Chain, ChainPipe, Ints, Layout, Obstructions
from planner.rules import required_clearance, stepped

PROFILE_STEP = 0.5  # [m] a service that follows the ground is sampled this closely
AT_MANHOLE = 0.3  # [m] a pipe that ends this near to a manhole belongs to it
GRID_CELL = 6.0  # [m]
GRID_STEP = 2.1  # [m] half of the step at which legs ask the grid, and a little


def find_obstructions(
    site: Site, layout: Layout, pipes: tuple[ChainPipe, ...], property_xy: Floats
) -> Obstructions:
    """Everything that binds the levels of a leg.

    Parameters
    ----------
    site
        The site.
    layout
        The chains.
    pipes : (pipes,)
        Pipes that legs may be laid in.
    property_xy : (properties, 2)
        Where each property's connection starts. [m]
    """
    widest = [max([1.0, *(getattr(pipe, name) for pipe in pipes)]) for name in ("bore", "outside")]
    return Obstructions(
        ground=ground_cells(site.ground),
        runs=service_runs(site, *widest),
        zones=cover_zones(site),
        water=water_rule(site),
        houses=tuple(houses_of(site, chain, property_xy) for chain in layout.chains),
    )


def _own_pipes(site: Site) -> Ints:
    """Tie-in at whose manhole a sewer or drain ends, by service; -1 where it does not."""
    own = np.full(len(site.utilities), -1)
    kinds = site.utilities["kind"].isin(["sewer", "storm"]).to_numpy()
    for row, shape in enumerate(site.utilities.geometry):
        if kinds[row]:
            ends = shapely.get_coordinates(shape)[[0, -1]]
            for tie_in, (point, width) in enumerate(
                zip(site.tie_ins.geometry, site.tie_ins["manhole_diameter_m"], strict=True)
            ):
                xy = shapely.get_coordinates(point)[0]
                if np.hypot(*(ends - xy).T).min() <= float(width) / 2 + AT_MANHOLE:
                    own[row] = tie_in
    return own


def ground_cells(ground: Ground) -> GroundCells:
    """A ground as its arrays."""
    g = ground
    return GroundCells(g.values, g.mesh_x0, g.mesh_y0, g.mesh_step, g.mesh_col, g.mesh_row)


def water_rule(site: Site) -> Water:
    """Separation from water mains."""
    rules = site.book.rules
    return Water(rules.number("water_horizontal_m"), rules.number("water_vertical_m"))


def service_runs(site: Site, widest_bore: float, widest_pipe: float) -> Runs:
    """Every straight run of every service, with the profile of its axis.

    Parameters
    ----------
    site
        The site.
    widest_bore, widest_pipe
        Outside diameters that the grid must allow for. [m]
    """
    found: list[tuple[Floats, int, Floats, Floats]] = []
    layer = site.utilities
    box = (layer["shape"] == "box").to_numpy()
    diameter = layer["outside_diameter_m"].astype(float).to_numpy()
    half_width = np.where(box, layer["width_m"].astype(float).to_numpy(), diameter) / 2
    half_height = np.where(box, layer["height_m"].astype(float).to_numpy(), diameter) / 2
    depth = layer["depth_m"].astype(float).to_numpy()
    for row, shape in enumerate(layer.geometry):
        for part in shapely.get_parts(shape):
            found += _runs_of(site.ground, part, row, float(depth[row]), float(half_height[row]))
    service = np.array([f[1] for f in found], np.int64)
    ends = np.array([f[0] for f in found], float).reshape(-1, 4)
    tolerance = np.array([
        site.book.rules.number(name) / 1000 for name in ("grade_tolerance_mm", "line_tolerance_mm")
    ])  # fmt: skip
    required = np.array([
        required_clearance(site.book.rules, kind, quality) + tolerance
        for kind, quality in zip(layer["kind"], layer["quality"], strict=True)
    ]).reshape(-1, 2)  # fmt: skip
    water = layer["kind"].isin(["water", "reclaimed"]).to_numpy()
    per_run = service if len(service) else np.empty(0, np.int64)
    lengths = [len(f[2]) for f in found]
    apart = site.book.rules.number("water_horizontal_m") + widest_pipe / 2
    reach = _reach(
        required[per_run], half_width[per_run], widest_bore, np.where(water[per_run], apart, 0.0)
    )
    return Runs(
        ends, service, np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64),
        np.concatenate([f[2] for f in found]) if found else np.empty(0),
        np.concatenate([f[3] for f in found]) if found else np.empty(0),
        half_width[per_run], half_height[per_run], box[per_run], required[per_run],
        water[per_run], _own_pipes(site)[per_run], *build_grid(ends, reach, GRID_CELL),
    )  # fmt: skip


def keep_farther(
    around: Obstructions, services: tuple[int, ...], required: float, widest: float
) -> Obstructions:
    """The same, with some services that ask for more room.

    Parameters
    ----------
    around
        Everything that binds the levels of a leg.
    services
        Their rows.
    required
        Least clearance to them, edge to edge. [m]
    widest
        Outside diameter that the grid must allow for. [m]
    """
    runs = around.runs
    mine = np.isin(runs.service, services)[:, None]
    least = np.where(mine, np.maximum(runs.required, required), runs.required)
    apart = np.where(runs.is_water, around.water.horizontal + widest / 2, 0.0)
    grid = build_grid(runs.ends, _reach(least, runs.half_width, widest, apart), GRID_CELL)
    runs = runs._replace(
        required=np.ascontiguousarray(least), frame=grid[0], start=grid[1], items=grid[2]
    )
    return replace(around, runs=runs)


def _reach(required: Floats, half_width: Floats, widest: float, apart: Floats) -> Floats:
    """How far from the axis of each run its cells of the grid reach. [m]"""
    reach = np.maximum(required.max(axis=1) + widest / 2, apart)
    return np.asarray(reach + half_width + GRID_STEP)


def _runs_of(
    ground: Ground, part: shapely.Geometry, row: int, depth: float, half_height: float
) -> list[tuple[Floats, int, Floats, Floats]]:
    """Straight runs of one line or point: ends, row, distances along and axis elevations."""
    xyz = shapely.get_coordinates(part, include_z=True)
    if len(xyz) == 1:
        xyz = np.vstack([xyz, xyz])
    runs = []
    for a, b in pairwise(xyz):
        long = float(np.hypot(*(b - a)[:2]))
        if np.isnan(depth):
            at, top = np.array([0.0, long]), np.array([a[2], b[2]])
        else:
            at = np.linspace(0.0, long, max(2, int(np.ceil(long / PROFILE_STEP)) + 1))
            f = at / long if long > 0 else at
            g = ground
            top = sample_ground(
                g.values, g.mesh_x0, g.mesh_y0, g.mesh_step, g.mesh_col, g.mesh_row,
                a[0] + f * (b[0] - a[0]), a[1] + f * (b[1] - a[1]),
            ) - depth  # fmt: skip
        if long == 0.0:
            at, top = at[:1], top[:1]
        known = ~np.isnan(top)
        if known.any():
            ends = np.array([a[0], a[1], b[0], b[1]])
            runs.append((ends, row, at[known], top[known] - half_height))
    return runs


def cover_zones(site: Site) -> Zones:
    """Zones that ask for more cover or have a deeper frost."""
    rings, cover, frost = [], [], []
    for shape, c, f in zip(
        site.zones.geometry, site.zones["min_cover_m"].astype(float),
        site.zones["frost_depth_m"].astype(float), strict=True,
    ):  # fmt: skip
        if np.isnan(c) and np.isnan(f):
            continue
        for part in shapely.get_parts(shape):
            rings.append(shapely.get_coordinates(part.exterior))
            cover.append(0.0 if np.isnan(c) else c)
            frost.append(0.0 if np.isnan(f) else f)
    start = np.concatenate([[0], np.cumsum([len(r) for r in rings])]).astype(np.int64)
    xy = np.vstack(rings) if rings else np.empty((0, 2))
    return Zones(start, xy, np.array(cover, float), np.array(frost, float))


def houses_of(site: Site, chain: Chain, xy: Floats) -> Houses:
    """What the connections along a chain ask of its legs; see `find_obstructions`."""
    rules, costs = site.book.rules, site.book.costs
    rows = chain.properties
    step = site.project.level_step
    floor = site.properties["floor_elev_m"].to_numpy(float)[rows]
    start = floor - rules.number("connection_floor_drop_m")
    method = "shaft and saddle"
    return Houses(
        xy[rows], chain.property_stations, np.floor(start / step + 1e-9) * step,
        stepped(rules, "connection_min_slope_pct", rules.number("connection_diameter_mm")) / 100,
        rules.number("connection_max_length_m"),
        costs.entry("connection_fixed", method), costs.entry("connection_per_m", method),
    )  # fmt: skip
