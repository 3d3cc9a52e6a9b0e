"""Buried services as straight solid pieces, and what is required of a bore near them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from planner.kernels.ground import sample_ground
from planner.kernels.solids import cut_into_pieces, hold_over_gaps, mitre, upright_boxes
from planner.model import Floats, Ground, Site
from planner.records import Bools, Ints
from planner.rules import required_clearance

Texts = NDArray[np.object_]

SAMPLE_STEP = 0.5  # [m] along a service that follows the ground
WATER_KINDS = ("water", "reclaimed")


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
    open_start: Bools  # (pieces,) the service ends here: no other piece follows
    open_end: Bools  # (pieces,)

    utility_id: Texts  # (rows,)
    kind: Texts  # (rows,)
    owner: Texts  # (rows,)
    quality: Texts  # (rows,)
    live: Bools  # (rows,)
    water: Bools  # (rows,) live water or reclaimed: water separation applies
    box: Bools  # (rows,)
    point: Bools  # (rows,)
    follows_ground: Bools  # (rows,)
    level_assumed: Bools  # (rows,)
    required: Floats  # (rows,) `clearance_m` by kind and quality, without tolerance [m]
    sigma_plan: Floats  # (rows,) [m]
    sigma_level: Floats  # (rows,) [m]
    without_level: Ints  # rows that have no ground under them anywhere, so no piece

    @cached_property
    def solids(self) -> Floats:
        """Pieces as the kernels take them, (pieces, 11)."""
        sizes = (self.half_width, self.half_height, self.radius, self.open_start, self.open_end)
        return np.ascontiguousarray(np.column_stack((self.start, self.end, *sizes)), float)

    @cached_property
    def _by_row(self) -> tuple[Ints, Ints]:
        """Pieces sorted by row, and where each row begins among them."""
        order = np.argsort(self.row, kind="stable").astype(np.int64)
        rows = np.arange(len(self.kind) + 1)
        return order, np.searchsorted(self.row[order], rows).astype(np.int64)

    def pieces_of(self, row: int) -> Ints:
        """Pieces of one row."""
        order, begin = self._by_row
        return order[begin[row] : begin[row + 1]]


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
