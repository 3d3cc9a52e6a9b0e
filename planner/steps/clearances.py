"""Holds bores, pits and connections against every buried service: clearances and conflicts."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from statistics import NormalDist
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from planner.kernels.clearance import pair_axes, pair_clearances
from planner.kernels.ground import sample_ground
from planner.kernels.neighbours import Cells, near_clearances, sort_into_cells
from planner.kernels.pit_clearance import pit_clearances
from planner.kernels.separation import separations
from planner.kernels.solids import cut_into_pieces, hold_over_gaps, mitre, upright_boxes
from planner.kernels.strike import AT_PIT, BESIDE, CROSSING, ENDING, near_probabilities
from planner.model import CONFLICT_COLUMNS, Figures, Floats, Ground, Site
from planner.rules import required_clearance

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Texts = NDArray[np.object_]

SAMPLE_STEP = 0.5  # [m] along a service that follows the ground
WATER_KINDS = ("water", "reclaimed")
DRAIN_KINDS = ("sewer", "storm")
PARALLEL_DEG = 15.0  # [deg] in plan; below it a bore and a service run alongside
MANHOLE_MARGIN = 0.3  # [m] a pipe that ends this near to a manhole's inside is the manhole's own
OWN_PIPE_REACH = 2.0  # [m] from a manhole: further away its own pipes are obstacles like others
SEARCH_MARGIN = 1e-3  # [m] by which a search reaches further than what it is asked for
SAME = 1e-9  # [m] a clearance that lacks less than this keeps what is required


@dataclass(frozen=True, eq=False)
class Services:
    """Every buried service as straight solid pieces, and what is required of a bore near it.

    A piece is a round pipe (``radius`` above 0), a ball where both ends are one point, or a box:
    an upright rectangle, twice ``half_width`` by twice ``half_height``, swept from ``start`` to
    ``end``. Arrays of the first group have one entry a piece; those of the second have one a row
    of ``site.utilities``, which ``row`` points to.
    """

    start: Floats  # (pieces, 3) centre of the section [m]
    end: Floats  # (pieces, 3) [m]
    radius: Floats  # (pieces,) outside, 0 for a box [m]
    half_width: Floats  # (pieces,) the radius for a pipe [m]
    half_height: Floats  # (pieces,) the radius for a pipe [m]
    row: Ints  # (pieces,) position in site.utilities
    open_start: Flags  # (pieces,) the service ends here: no other piece follows
    open_end: Flags  # (pieces,)

    utility_id: Texts  # (rows,)
    kind: Texts  # (rows,)
    owner: Texts  # (rows,)
    quality: Texts  # (rows,)
    live: Flags  # (rows,)
    water: Flags  # (rows,) live water or reclaimed: water separation applies
    box: Flags  # (rows,)
    point: Flags  # (rows,)
    follows_ground: Flags  # (rows,)
    level_assumed: Flags  # (rows,)
    required: Floats  # (rows,) `clearance_m` by kind and quality, without tolerance [m]
    sigma_plan: Floats  # (rows,) [m]
    sigma_level: Floats  # (rows,) [m]
    without_level: Ints  # rows that have no ground under them anywhere, so no piece

    @cached_property
    def solids(self) -> Floats:
        """Pieces as the kernels take them, (pieces, 11)."""
        sizes = (self.half_width, self.half_height, self.radius, self.open_start, self.open_end)
        return np.ascontiguousarray(np.column_stack((self.start, self.end, *sizes)), float)


@dataclass(frozen=True, eq=False)
class Legs:
    """Bores between pits, each from the centre of its downstream pit to that of its upstream one.

    ``tie_in`` is the row of ``site.tie_ins`` that a leg drains into, -1 for none.
    """

    leg_id: Texts  # (legs,)
    down: Floats  # (legs, 3) axis of the bore [m]
    up: Floats  # (legs, 3) [m]
    bore_diameter: Floats  # (legs,) [m]
    outside_diameter: Floats  # (legs,) of the pipe, which rests on the floor of the bore [m]
    pressure_rated: Flags  # (legs,)
    tie_in: Ints  # (legs,)


@dataclass(frozen=True, eq=False)
class Pits:
    """Excavations with their shoring, from the floor up. ``tie_in`` as in `Legs`."""

    pit_id: Texts  # (pits,)
    footprint: Texts  # (pits,) polygons to the outside of the shoring
    floor: Floats  # (pits,) [m]
    tie_in: Ints  # (pits,)


@dataclass(frozen=True, eq=False)
class Connections:
    """House connections as straight round pipes, from the sewer to the property."""

    connection_id: Texts  # (connections,)
    sewer: Floats  # (connections, 3) axis [m]
    property: Floats  # (connections, 3) [m]
    outside_diameter: Floats  # (connections,) [m]
    pressure_rated: Flags  # (connections,)


@dataclass(frozen=True, eq=False)
class ServiceIndex:
    """Pieces of services sorted for search, each with how near a bore matters to it."""

    services: Services
    cells: Cells
    piece: Ints  # (indexed,) position in the services' pieces, by place in the cells
    reach: Floats  # (pieces,) [m]


@dataclass(frozen=True, eq=False)
class Neighbours:
    """Pairs of a bore and a piece of a service whose clearance is within reach."""

    subject: Ints  # (pairs,)
    piece: Ints  # (pairs,) position in the services' pieces
    clearance: Floats  # (pairs,) [m]
    share: Floats  # (pairs,) of the bore's axis, from its first end, where it is nearest


@dataclass(frozen=True, eq=False)
class Conflicts:
    """What is nearer than it may be, or may be so.

    ``frame`` has the columns of the plan's ``conflicts`` and points in the local frame. ``detail``
    has a row for each of its rows: ``service_row`` in ``site.utilities``, the point of the
    service's axis ``service_x``, ``service_y``, ``service_axis_m`` and the top ``service_top_m``
    there, ``crossing``, and ``below_probability``. ``own_pipes`` names (leg, service, tie-in)
    where the service is a pipe of the manhole that the leg drains into.
    """

    frame: gpd.GeoDataFrame
    detail: pd.DataFrame
    own_pipes: tuple[tuple[str, str, str], ...]


# --- services as pieces


def prepare_services(site: Site) -> Services:
    """Every service of a site as straight pieces with their outsides and required clearances."""
    layer = site.utilities
    points, part, row = _vertices(site)
    known = ~np.isnan(points[:, 2])
    return Services(
        **_solid_pieces(site, points[known], part[known], row[known]),
        **_row_figures(site),
        box=(layer["shape"] == "box").to_numpy(bool),
        point=np.isin(shapely.get_type_id(layer.geometry.to_numpy()), (0, 4)),
        follows_ground=layer["depth_m"].notna().to_numpy(bool),
        without_level=np.setdiff1d(np.arange(len(layer)), row[known]),
    )


def _vertices(site: Site) -> tuple[Floats, Ints, Ints]:
    """Vertices of all parts of all services at the level of the outside top, part and row."""
    layer = site.utilities
    follows = layer["depth_m"].notna().to_numpy(bool)
    parts, row_of_part = shapely.get_parts(layer.geometry.to_numpy(), return_index=True)
    dense = shapely.segmentize(shapely.force_2d(parts), SAMPLE_STEP)
    lines = np.where(follows[row_of_part], dense, parts)
    points, part = shapely.get_coordinates(lines, include_z=True, return_index=True)
    part, row = part.astype(np.int64), row_of_part[part].astype(np.int64)
    under = follows[row]
    depth = layer["depth_m"].to_numpy(float)[row[under]]
    points[under, 2] = _ground_at(site.ground, points[under]) - depth
    points[:, 2] = hold_over_gaps(points, part)
    return points, part, row


def _ground_at(ground: Ground, points: Floats) -> Floats:
    return np.asarray(
        sample_ground(
            ground.values, ground.mesh_x0, ground.mesh_y0, ground.mesh_step, ground.mesh_col,
            ground.mesh_row, np.ascontiguousarray(points[:, 0]), np.ascontiguousarray(points[:, 1]),
        )
    )  # fmt: skip


def _solid_pieces(site: Site, points: Floats, part: Ints, row: Ints) -> dict[str, Any]:
    """Arrays of the first group of `Services`."""
    pieces = cut_into_pieces(points, part)
    row = row[pieces.first]
    half_width, half_height, radius = (size[row] for size in _half_sizes(site))
    lower = np.column_stack((np.zeros((len(row), 2)), half_height))
    pieces = pieces._replace(start=pieces.start - lower, end=pieces.end - lower)
    pieces, taller = upright_boxes(pieces, half_width, radius == 0)
    pieces = mitre(pieces, half_width, radius == 0)
    return {
        "start": pieces.start, "end": pieces.end, "radius": radius, "half_width": half_width,
        "half_height": half_height + taller, "row": row,
        "open_start": pieces.open_start, "open_end": pieces.open_end,
    }  # fmt: skip


def _half_sizes(site: Site) -> tuple[Floats, Floats, Floats]:
    """Half width, half height and radius of each row; the radius of a box is 0. [m]"""
    layer = site.utilities
    box = (layer["shape"] == "box").to_numpy(bool)
    round_half = layer["outside_diameter_m"].to_numpy(float) / 2
    half_width = np.where(box, layer["width_m"].to_numpy(float) / 2, round_half)
    half_height = np.where(box, layer["height_m"].to_numpy(float) / 2, round_half)
    return half_width, half_height, np.where(box, 0.0, round_half)


def _row_figures(site: Site) -> dict[str, Any]:
    """Arrays of the second group of `Services`: names, required clearances and sigmas."""
    layer, known = site.utilities, site.book.services
    texts = {name: layer[name].to_numpy(object) for name in ("utility_id", "kind", "owner")}
    kinds, grades = layer["kind"].astype(str), layer["quality"].astype(str)
    live = (layer["status"] != "abandoned").to_numpy(bool)
    assumed = layer["level_assumed"].to_numpy(bool)
    pairs = zip(kinds, grades, strict=True)
    required = [required_clearance(site.book.rules, kind, grade) for kind, grade in pairs]
    level = [known.entry("sigma_level_m", grade) for grade in grades]
    return texts | {
        "quality": layer["quality"].to_numpy(object),
        "live": live,
        "water": live & kinds.isin(WATER_KINDS).to_numpy(bool),
        "level_assumed": assumed,
        "required": np.array(required, float),
        "sigma_plan": np.array([known.entry("sigma_plan_m", grade) for grade in grades], float),
        "sigma_level": np.where(assumed, known.number("sigma_level_assumed_m"), level).astype(
            float
        ),
    }


# --- search


def index_services(services: Services, reach: Floats) -> ServiceIndex:
    """Sort the pieces of services for search.

    Parameters
    ----------
    services
        The services.
    reach : (pieces,)
        Clearance above which a bore does not matter to a piece. [m]
    """
    ends = np.hstack((services.start, services.end))
    corner = np.hypot(services.half_width, services.half_height)
    outside = np.where(services.radius > 0, services.radius, corner)
    cells = sort_into_cells(ends, outside, reach + SEARCH_MARGIN)
    return ServiceIndex(services, cells, cells.item, reach)


def nearest_services(index: ServiceIndex, bores: Floats) -> Neighbours:
    """Exact clearances of straight round bores to all pieces within reach.

    Parameters
    ----------
    index
        Services from `index_services`.
    bores : (bores, 7)
        Ends of the axis x0, y0, z0, x1, y1, z1 and the radius of each. [m]
    """
    bores = np.ascontiguousarray(bores, float)
    found, place, _ = near_clearances(index.cells, bores)
    subject, piece = found.astype(np.int64), index.piece[place]
    clearance, share = pair_clearances(bores, index.services.solids, subject, piece)
    near = clearance <= index.reach[piece]
    return Neighbours(subject[near], piece[near], clearance[near], share[near])


def _near_in_plan(
    services: Services, use: Flags, reach: Floats, bores: Floats
) -> tuple[Ints, Ints]:
    """Pairs of a bore and a piece in use whose outsides are within the piece's reach in plan."""
    flat = np.array([1.0, 1.0, 0.0, 1.0, 1.0, 0.0, 1.0])
    piece = np.flatnonzero(use)
    ends = np.hstack((services.start, services.end))[piece] * flat[:6]
    cells = sort_into_cells(ends, services.half_width[piece], reach[piece] + SEARCH_MARGIN)
    subject, place, _ = near_clearances(cells, np.ascontiguousarray(bores * flat))
    return subject.astype(np.int64), piece[cells.item[place]]


# --- conflicts


def find_conflicts(
    site: Site, services: Services, legs: Legs, pits: Pits, connections: Connections
) -> Conflicts:
    """Every pair of a leg, pit or connection and a service that is too near or may be.

    One row for each (subject, service, rule) whose measure is below what is required, or, for
    clearances in 3D, may be so with more than the accepted probability.
    """
    rules = site.book.rules
    own = _own_pipes(site, services)
    bored, joined = _leg_bores(legs, site), _connection_bores(connections)
    found = [
        _bore_rows(services, bored, rules, own),
        _bore_rows(services, joined, rules, own),
        _water_rows(services, bored, rules),
        _water_rows(services, joined, rules),
        _pit_rows(services, pits, rules, own),
    ]
    rows = pd.concat([part for part in found if len(part)] or found[:1], ignore_index=True)
    rows = _in_order(rows, services)
    return Conflicts(
        _frame(rows, services), _detail(rows, services), _own_names(site, services, legs, own)
    )


def _own_names(
    site: Site, services: Services, legs: Legs, own: Flags
) -> tuple[tuple[str, str, str], ...]:
    """Leg, service and tie-in of each pipe of a manhole that a leg drains into."""
    tie_ins = site.tie_ins["tie_in_id"].astype(str).tolist()
    return tuple(
        (str(legs.leg_id[leg]), str(services.utility_id[row]), tie_ins[tie_in])
        for leg, tie_in in enumerate(legs.tie_in)
        if tie_in >= 0
        for row in np.flatnonzero(own[tie_in])
    )


@dataclass(frozen=True, eq=False)
class _Bores:
    """Legs or connections as round bores; ``offset`` is the station of the first end."""

    subject: Texts
    axis: Floats  # (bores, 7) ends and radius [m]
    pipe: Floats  # (bores, 7) ends of the pipe's axis and its outside radius [m]
    pressure_rated: Flags
    tie_in: Ints
    offset: Floats  # [m]
    shortened: Flags  # a second, shorter look at a leg, for the pipes of its manhole only
    rule: str


def _leg_bores(legs: Legs, site: Site) -> _Bores:
    """Legs, and behind them those that end at a tie-in once more, without their last metres."""
    axis = np.column_stack((legs.down, legs.up, legs.bore_diameter / 2)).astype(float)
    sunk = (legs.bore_diameter - legs.outside_diameter) / 2
    pipe = axis - np.column_stack([sunk * k for k in (0, 0, 1, 0, 0, 1, 0)])
    pipe[:, 6] = legs.outside_diameter / 2
    whole = _Bores(
        legs.leg_id, axis, pipe, legs.pressure_rated, legs.tie_in,
        np.zeros(len(axis)), np.zeros(len(axis), bool), "clearance_m",
    )  # fmt: skip
    manhole = site.tie_ins["manhole_diameter_m"].to_numpy(float)
    cut = np.where(legs.tie_in >= 0, np.append(manhole, 0.0)[legs.tie_in], 0.0) / 2
    cut += MANHOLE_MARGIN + OWN_PIPE_REACH
    length = np.hypot(*(legs.up - legs.down)[:, :2].T)
    again = np.flatnonzero((legs.tie_in >= 0) & (length > cut))
    part = (cut / np.maximum(length, SAME))[again, None]
    shorter = axis[again]
    shorter[:, :3] += part * (shorter[:, 3:6] - shorter[:, :3])
    return _Bores(
        np.append(whole.subject, legs.leg_id[again]),
        np.vstack((axis, shorter)),
        np.vstack((pipe, pipe[again])),
        np.append(whole.pressure_rated, legs.pressure_rated[again]),
        np.append(whole.tie_in, legs.tie_in[again]),
        np.append(whole.offset, cut[again]),
        np.append(whole.shortened, np.ones(len(again), bool)),
        whole.rule,
    )


def _connection_bores(connections: Connections) -> _Bores:
    ends = (connections.sewer, connections.property, connections.outside_diameter / 2)
    axis = np.column_stack(ends).astype(float)
    count = len(axis)
    return _Bores(
        connections.connection_id, axis, axis, connections.pressure_rated,
        np.full(count, -1), np.zeros(count), np.zeros(count, bool), "connection_clearance_m",
    )  # fmt: skip


def _own_pipes(site: Site, services: Services) -> Flags:
    """Which sewers and storm drains end in the manhole of a tie-in: (tie-ins + 1, rows)."""
    drain = np.isin(services.kind.astype(str), DRAIN_KINDS) & ~services.point
    own = np.zeros((len(site.tie_ins) + 1, len(services.kind)), bool)  # the last: no tie-in
    for k, (spot, diameter) in enumerate(
        zip(site.tie_ins.geometry, site.tie_ins["manhole_diameter_m"], strict=True)
    ):
        for ends, is_open in (
            (services.start, services.open_start), (services.end, services.open_end),
        ):  # fmt: skip
            away = np.hypot(ends[:, 0] - spot.x, ends[:, 1] - spot.y)
            inside = is_open & (away <= diameter / 2 + MANHOLE_MARGIN)
            own[k, services.row[inside]] = True
    return own & drain


def _bore_rows(services: Services, bores: _Bores, rules: Figures, own: Flags) -> pd.DataFrame:
    """Rows of `clearance_m` or `connection_clearance_m`."""
    required, across, alongside = _required(services, bores, rules)
    reach = required + max(across, alongside) + _unproven_reach(services, rules)
    near = nearest_services(index_services(services, reach[services.row]), bores.axis)
    row = services.row[near.piece]
    kept = bores.shortened[near.subject] == own[bores.tie_in[near.subject], row]
    pairs = pd.DataFrame({
        "bore": near.subject, "row": row, "piece": near.piece,
        "clearance_m": near.clearance, "share": near.share,
    })  # fmt: skip
    rows = _with_lie(_closest(pairs[kept]), services, bores)
    tolerance = np.where(rows["crossing"], across, alongside)
    rows["required_m"] = required[rows["row"].to_numpy(np.int64)] + tolerance
    rows["rule"], rows["measure"] = bores.rule, "3d"
    return _judged(rows, rules)


def _required(services: Services, bores: _Bores, rules: Figures) -> tuple[Floats, float, float]:
    """Clearance required from each service, and what is added where it crosses or runs along."""
    if bores.rule != "clearance_m":
        return np.full(len(services.kind), rules.number(bores.rule)), 0.0, 0.0
    across, alongside = (rules.number(f"{name}_tolerance_mm") for name in ("grade", "line"))
    return services.required, across / 1000, alongside / 1000


def _unproven_reach(services: Services, rules: Figures) -> Floats:
    """How much above the required clearance a pair can still be unproven. [m]"""
    accepted = min(max(rules.number("max_unproven_probability"), SAME), 0.5)
    sigma = np.maximum(services.sigma_plan, services.sigma_level)
    return sigma * NormalDist().inv_cdf(1 - accepted)


def _closest(rows: pd.DataFrame) -> pd.DataFrame:
    """One row for each bore and service: the least clearance, then the lowest station."""
    ties = rows.assign(micron=rows["clearance_m"].round(6))
    ties = ties.sort_values(["bore", "row", "micron", "share", "piece"], kind="stable")
    kept = ties.drop_duplicates(["bore", "row"]).drop(columns="micron")
    return kept.reset_index(drop=True)


def _with_lie(rows: pd.DataFrame, services: Services, bores: _Bores) -> pd.DataFrame:
    """Rows with how bore and service lie to each other, station and points."""
    bore, piece = rows["bore"].to_numpy(np.int64), rows["piece"].to_numpy(np.int64)
    axis = bores.axis[bore]
    gap, share, along = pair_axes(bores.axis, services.solids, bore, piece)
    way = services.end[piece] - services.start[piece]
    spot = services.start[piece] + along[:, None] * way
    drive = axis[:, 3:6] - axis[:, :3]
    apart = axis[:, :3] + share[:, None] * drive - spot
    meeting = _meeting(drive, way)
    middle = (share > 0) & (share < 1)
    middle &= (along > 0) | ~services.open_start[piece]
    middle &= (along < 1) | ~services.open_end[piece]
    lie = np.where(~meeting | services.point[rows["row"]], BESIDE,
                   np.where(middle, CROSSING, ENDING))  # fmt: skip
    normal = _normal(apart, np.cross(drive, way), gap)
    at = axis[:, :3] + rows["share"].to_numpy()[:, None] * drive
    length = np.hypot(drive[:, 0], drive[:, 1])
    return rows.assign(
        subject=bores.subject[bore], crossing=meeting, lie=lie,
        station_m=bores.offset[bore] + rows["share"] * length,
        x=at[:, 0], y=at[:, 1],
        service_x=spot[:, 0], service_y=spot[:, 1], service_axis_m=spot[:, 2],
        **_lie_figures(services, piece, (axis[:, 6], gap, apart, normal, way)),
    )  # fmt: skip


def _meeting(drive: Floats, way: Floats) -> Flags:
    """Whether a bore and a service meet at an angle in plan, rather than run alongside."""
    long = np.hypot(*drive[:, :2].T) * np.hypot(*way[:, :2].T)
    turn = np.abs(drive[:, 0] * way[:, 1] - drive[:, 1] * way[:, 0])
    return np.asarray((long > SAME) & (turn >= np.sin(np.radians(PARALLEL_DEG)) * long))


def _normal(apart: Floats, cross: Floats, gap: Floats) -> Floats:
    """Direction of the shortest way between two axes; their common normal where they meet."""
    touching = gap < 1e-6
    way = np.where(touching[:, None], cross, apart)
    size = np.linalg.norm(way, axis=1)
    upward = np.array([0.0, 0.0, 1.0])
    return np.where(size[:, None] > 0, way / np.where(size > 0, size, 1.0)[:, None], upward)


def _lie_figures(services: Services, piece: Ints, drawn: tuple[Floats, ...]) -> dict[str, Floats]:
    """Columns that `near_probabilities` takes."""
    radius, gap, apart, normal, way = drawn
    row, pipe = services.row[piece], services.radius[piece]
    box = pipe == 0
    wide, high = services.half_width[piece], services.half_height[piece]
    length = np.maximum(np.hypot(way[:, 0], way[:, 1]), SAME)
    across = np.abs(way[:, 0] * normal[:, 1] - way[:, 1] * normal[:, 0]) / length
    extent = radius + np.where(box, across * wide + np.abs(normal[:, 2]) * high, pipe)
    beside = np.hypot(normal[:, 0], normal[:, 1])
    return {
        "gap": gap - extent, "both": 2 * extent,
        "beside": np.hypot(apart[:, 0], apart[:, 1]), "above": np.abs(apart[:, 2]),
        "half_width": np.where(box, wide, 0.0), "half_height": np.where(box, high, 0.0),
        "round": radius + pipe,
        "sigma_normal": np.hypot(
            beside * services.sigma_plan[row], normal[:, 2] * services.sigma_level[row]
        ),
        "sigma_plan": services.sigma_plan[row], "sigma_level": services.sigma_level[row],
    }  # fmt: skip


def _probabilities(rows: pd.DataFrame, allowed: Floats) -> Floats:
    """Probability that each row's clearance is below what is allowed."""
    lie = rows["lie"].to_numpy(np.int64)
    figures = rows[
        ["gap", "both", "beside", "above", "half_width", "half_height", "round", "sigma_plan",
         "sigma_level"]
    ].to_numpy(float)  # fmt: skip
    along_normal = np.isin(lie, (CROSSING, AT_PIT))
    figures[along_normal, 7] = rows["sigma_normal"].to_numpy(float)[along_normal]
    return near_probabilities(lie, figures, np.ascontiguousarray(allowed, float))


def _judged(rows: pd.DataFrame, rules: Figures) -> pd.DataFrame:
    """Rows that are below what is required or unproven, with severity and probabilities."""
    clearance, required = rows["clearance_m"].to_numpy(), rows["required_m"].to_numpy(float)
    below = _probabilities(rows, required)
    unproven = below > rules.number("max_unproven_probability")
    choices = [clearance < 0, clearance < required - SAME, unproven]
    rows = rows.assign(
        severity=np.select(choices, ["clash", "tight", "unproven"], ""),
        strike_probability=_probabilities(rows, np.zeros(len(rows))),
        below_probability=below,
    )
    return rows[rows["severity"] != ""]


# --- water separation


def _water_rows(services: Services, bores: _Bores, rules: Figures) -> pd.DataFrame:
    """Rows of `water_vertical_m` and `water_horizontal_m`."""
    limits = (rules.number("water_horizontal_m"), rules.number("water_vertical_m"))
    pairs = _water_pairs(services, bores, limits[0])
    begin = np.flatnonzero(~pairs.duplicated(["bore", "row"]).to_numpy())
    bounds = np.append(begin, len(pairs)).astype(np.int64)
    piece = pairs["piece"].to_numpy(np.int64)
    main = np.ascontiguousarray(services.solids[piece][:, :8])
    bore = pairs["bore"].to_numpy(np.int64)
    figures = separations(bores.pipe, (main, bounds), bore[begin], limits)
    clearance, share = pair_clearances(bores.axis, services.solids, bore, piece)
    rows = _closest(pairs.assign(clearance_m=clearance, share=share))
    rows = _with_lie(rows, services, bores).assign(apart=lambda r: r["clearance_m"])
    rows["strike_probability"] = _probabilities(rows, np.zeros(len(rows)))
    rows["below_probability"] = np.nan
    return _water_findings(rows, figures, limits, bores)


def _water_pairs(services: Services, bores: _Bores, limit: float) -> pd.DataFrame:
    """Pieces of water mains that may be within the limit of each pipe in plan."""
    reach = np.full(len(services.row), limit)
    water = services.water[services.row]
    subject, piece = _near_in_plan(services, water, reach, bores.pipe)
    pairs = pd.DataFrame({"bore": subject, "piece": piece})
    pairs["row"] = services.row[pairs["piece"].to_numpy(np.int64)]
    whole: pd.DataFrame = pairs[~bores.shortened[pairs["bore"].to_numpy(np.int64)]]
    return whole.sort_values(["bore", "row", "piece"]).reset_index(drop=True)


def _water_findings(
    rows: pd.DataFrame, figures: Floats, limits: tuple[float, float], bores: _Bores
) -> pd.DataFrame:
    """What fails of each pair.

    Levels too near: `water_vertical_m`; but where the main stays beside the pipe at the same
    level, neither above nor below it, `water_horizontal_m`. A main far enough below a pipe that
    is not pressure-rated: `water_horizontal_m`. A connection clashes with a main only where they
    touch.
    """
    vertical, at_vertical, beside, at_beside, under, at_under = figures.T
    failing = vertical < limits[1] - SAME
    level = failing & (vertical < 0) & (beside >= 0)
    rated = bores.pressure_rated[rows["bore"].to_numpy(np.int64)]
    unrated = ~level & ~rated & np.isfinite(under)
    parts = [
        _water_part(rows, failing & ~level, (vertical, at_vertical), bores, "water_vertical_m"),
        _water_part(rows, level, (beside, at_beside), bores, "water_horizontal_m"),
        _water_part(rows, unrated, (under, at_under), bores, "water_horizontal_m"),
    ]
    joined = pd.concat(parts, ignore_index=True)
    needed = np.where(joined["rule"] == "water_vertical_m", limits[1], limits[0])
    touches = (joined["apart"] < 0) | (bores.rule == "clearance_m")
    clash = (joined["rule"] == "water_vertical_m") & (joined["clearance_m"] < 0) & touches
    severity = np.where(clash, "clash", "tight")
    return joined.assign(required_m=needed, severity=severity)


def _water_part(
    rows: pd.DataFrame, use: Flags, found: tuple[Floats, Floats], bores: _Bores, rule: str
) -> pd.DataFrame:
    rows = rows[use]
    axis = bores.axis[rows["bore"].to_numpy(np.int64)]
    share = found[1][use]
    drive = axis[:, 3:6] - axis[:, :3]
    return rows.assign(
        clearance_m=found[0][use], rule=rule,
        measure=rule.removeprefix("water_").removesuffix("_m"),
        station_m=share * np.hypot(drive[:, 0], drive[:, 1]),
        x=axis[:, 0] + share * drive[:, 0], y=axis[:, 1] + share * drive[:, 1],
    )  # fmt: skip


# --- pits


def _pit_rows(services: Services, pits: Pits, rules: Figures, own: Flags) -> pd.DataFrame:
    """Rows of `pit_clearance_m`; only live services count."""
    required = rules.number("pit_clearance_m")
    reach = (required + _unproven_reach(services, rules))[services.row]
    rings, owner = _rings(pits)
    live = services.live[services.row]
    ring, piece = _near_in_plan(services, live, reach, _discs(rings, len(owner)))
    clearance, along, beside, below = pit_clearances(services.solids, rings, ring, piece)
    pit, row = owner[ring], services.row[piece]
    rows = pd.DataFrame({
        "bore": pit, "row": row, "piece": piece, "clearance_m": clearance, "share": along,
        "beside": beside, "above": below,
    })  # fmt: skip
    kept = (clearance <= reach[piece]) & ~own[pits.tie_in[pit], row]
    rows = _with_pit_lie(_closest(rows[kept]), services, pits)
    rows["required_m"], rows["rule"], rows["measure"] = required, "pit_clearance_m", "3d"
    return _judged(rows, rules)


def _rings(pits: Pits) -> tuple[tuple[Floats, Ints, Floats], Ints]:
    """Outlines of all parts of all footprints with their floors, and the pit of each."""
    parts, owner = shapely.get_parts(pits.footprint, return_index=True)
    outlines = shapely.get_exterior_ring(parts)
    points, ring = shapely.get_coordinates(outlines, return_index=True)
    begin = np.searchsorted(ring, np.arange(len(parts) + 1)).astype(np.int64)
    return (points, begin, pits.floor[owner].astype(float)), owner.astype(np.int64)


def _discs(rings: tuple[Floats, Ints, Floats], count: int) -> Floats:
    """Discs around rings, as bores without length: (rings, 7)."""
    points, begin, _ = rings
    discs = np.zeros((count, 7))
    for k in range(count):
        own = points[begin[k] : begin[k + 1]]
        middle = (own.min(axis=0) + own.max(axis=0)) / 2
        discs[k, (0, 1)] = discs[k, (3, 4)] = middle
        discs[k, 6] = np.hypot(*(own - middle).T).max()
    return discs


def _with_pit_lie(rows: pd.DataFrame, services: Services, pits: Pits) -> pd.DataFrame:
    piece = rows["piece"].to_numpy(np.int64)
    row = rows["row"].to_numpy(np.int64)
    spot = services.start[piece]
    spot = spot + rows["share"].to_numpy()[:, None] * (services.end[piece] - spot)
    beside, below = rows["beside"].to_numpy(), rows["above"].to_numpy()
    size = np.hypot(beside, below)
    level = np.where(size > 0, below / np.where(size > 0, size, 1.0), 0.0)
    sigma = np.hypot(
        np.sqrt(1 - level**2) * services.sigma_plan[row], level * services.sigma_level[row]
    )
    zero = np.zeros(len(rows))
    return rows.assign(
        subject=pits.pit_id[rows["bore"].to_numpy(np.int64)], crossing=False, lie=AT_PIT,
        station_m=np.nan, x=spot[:, 0], y=spot[:, 1],
        service_x=spot[:, 0], service_y=spot[:, 1], service_axis_m=spot[:, 2],
        gap=rows["clearance_m"], both=zero, half_width=zero, half_height=zero, round=zero,
        sigma_normal=sigma, sigma_plan=services.sigma_plan[row],
        sigma_level=services.sigma_level[row],
    )  # fmt: skip


# --- rows as they are handed on


def _in_order(rows: pd.DataFrame, services: Services) -> pd.DataFrame:
    """Rows by subject, station, service and rule, with a running id."""
    rows = rows.assign(
        utility_id=services.utility_id[rows["row"].to_numpy(np.int64)],
        order=pd.Series([_subject_order(str(name)) for name in rows["subject"]], dtype=object),
        place=rows["station_m"].round(3),
    )
    rows = rows.sort_values(
        ["order", "place", "utility_id", "rule", "row", "bore"], kind="stable"
    ).reset_index(drop=True)
    return rows.assign(conflict_id=[f"C{number}" for number in range(1, len(rows) + 1)])


def _subject_order(name: str) -> tuple[tuple[str, int], ...]:
    """Sort key by which L2 stands before L10."""
    return tuple((word, int(number or 0)) for word, number in re.findall(r"(\D*)(\d*)", name))


RESOLUTIONS: Mapping[tuple[str, str], str] = {
    ("clearance_m", "clash"): "re-grade or shift the bore, or have the service moved; expose it "
    "before boring",
    ("clearance_m", "tight"): "re-grade or shift the bore; expose the service before boring",
    ("clearance_m", "unproven"): "expose by a test hole before boring",
    ("water_vertical_m", "clash"): "re-grade the sewer above or below the main, or have the main "
    "moved",
    ("water_vertical_m", "tight"): "re-grade to the vertical separation, or agree a protection "
    "with the water authority",
    (
        "water_horizontal_m",
        "tight",
    ): "shift the sewer away from the main, or agree a pressure-rated "
    "pipe or a protection with the water authority",
    ("pit_clearance_m", "clash"): "move or turn the pit, or have the service moved; expose it "
    "before digging",
    ("pit_clearance_m", "tight"): "shift the pit; expose the service before digging and support it "
    "as its owner asks",
    ("pit_clearance_m", "unproven"): "expose by a test hole before digging",
    ("connection_clearance_m", "clash"): "change line or level of the connection; expose the "
    "service before boring",
    ("connection_clearance_m", "tight"): "expose the service before boring and agree the clearance "
    "with its owner",
    ("connection_clearance_m", "unproven"): "expose by a test hole before boring",
}
"""What would cure a conflict, by rule and severity."""


def _frame(rows: pd.DataFrame, services: Services) -> gpd.GeoDataFrame:
    """Rows with the columns of the plan's ``conflicts``."""
    row = rows["row"].to_numpy(np.int64)
    proof = np.where(services.live[row], "", "; prove that the abandoned service is dead")
    cures = [RESOLUTIONS[pair] for pair in zip(rows["rule"], rows["severity"], strict=True)]
    rows = rows.assign(
        kind=services.kind[row], owner=services.owner[row], quality=services.quality[row],
        resolution=[cure + more for cure, more in zip(cures, proof, strict=True)],
        status="potential",
    )  # fmt: skip
    points = gpd.points_from_xy(rows["x"].to_numpy(float), rows["y"].to_numpy(float))
    columns = list(CONFLICT_COLUMNS)
    numbers = [name for name in columns if name.endswith("_m") or name == "strike_probability"]
    types = dict.fromkeys(columns, str) | dict.fromkeys(numbers, float)
    return gpd.GeoDataFrame(rows[columns].astype(types), geometry=points)


def _detail(rows: pd.DataFrame, services: Services) -> pd.DataFrame:
    """Where the service of each row is, and how sure."""
    high = services.half_height[rows["piece"].to_numpy(np.int64)]
    return pd.DataFrame({
        "service_row": rows["row"].astype(np.int64), "service_x": rows["service_x"],
        "service_y": rows["service_y"], "service_axis_m": rows["service_axis_m"],
        "service_top_m": rows["service_axis_m"] + high, "crossing": rows["crossing"].astype(bool),
        "below_probability": rows["below_probability"].astype(float),
    })  # fmt: skip
