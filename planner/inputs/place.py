"""Finds where the site is: its frame, its ground, and how far it reaches."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely
from pyproj import CRS

from planner.errors import InputError
from planner.inputs.crs import axis_unit, make_frame, require_true_scale
from planner.inputs.ledger import Ledger
from planner.inputs.project_file import ProjectFile
from planner.inputs.raster import Raster, make_ground, read_raster
from planner.inputs.vector import Layer
from planner.inputs.words import printable, rows_listed
from planner.model import Floats, Frame, Ground

REACH = 60.0  # [m] about the streets, properties and tie-ins that the site reaches
FAR = 300.0  # [m] from the streets, beyond which a property or tie-in does not widen the site

Box = tuple[float, float, float, float]


@dataclass(frozen=True, eq=False)
class Place:
    """Where the site is: its frame, its ground, and the box that it reaches. [m, local]"""

    frame: Frame
    ground: Ground
    streets: Box
    reach: Box


def find_place(
    parsed: ProjectFile, path: Path, crs: CRS, layers: list[tuple[str, Layer]], ledger: Ledger
) -> Place:
    """Frame, ground and reach, from the streets outward."""
    named = dict(layers)
    streets = named["streets"]
    bounds = shapely.total_bounds(streets.geometry)
    centre = (bounds[:2] + bounds[2:]) / 2
    text = parsed.project.crs
    scale = require_true_scale(crs, text, float(centre[0]), float(centre[1]), printable(path))
    box = _reach(bounds, [named["properties"], named["tie_ins"]], axis_unit(crs))
    raster = read_raster(path.parent, parsed.ground, crs, box, ledger)
    height = _mean_ground(raster, streets, crs, ledger)
    frame = make_frame(crs, scale, height, bounds)
    local = _local_box(frame, box)
    return Place(
        frame=frame,
        ground=make_ground(raster, frame, np.array(local)),
        streets=_local_box(frame, bounds),
        reach=local,
    )


def _reach(streets: Floats, others: Sequence[Layer], unit: float) -> Floats:
    """Box of the streets, and of properties and tie-ins near them, with a margin. [CRS units]"""
    far = np.array([-FAR, -FAR, FAR, FAR]) / unit
    near = shapely.box(*(streets + far))
    every = [streets]
    for layer in others:
        close = layer.geometry[shapely.intersects(layer.geometry, near)]
        if len(close):
            every.append(shapely.total_bounds(close))
    boxes = np.array(every)
    margin = np.array([-REACH, -REACH, REACH, REACH]) / unit
    return np.concatenate([boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)]) + margin


def _mean_ground(raster: Raster, streets: Layer, crs: CRS, ledger: Ledger) -> float:
    """Mean ground at the streets' vertices, which must lie on the raster. [m]"""
    xy, owner = shapely.get_coordinates(streets.geometry, return_index=True)
    col, row = raster.cells_of(crs, xy[:, 0], xy[:, 1])
    height, width = np.shape(raster.values)
    on = (col >= -0.5) & (row >= -0.5) & (col <= width - 0.5) & (row <= height - 0.5)
    elevations = raster.sample(crs, xy[:, 0], xy[:, 1])
    known = np.isfinite(elevations)
    if not on.all() or known.sum() * 2 < len(known):
        rows = np.unique(streets.row[owner[~on if not on.all() else ~known]]).tolist()
        raise InputError(
            f"the ground does not cover the streets ({rows_listed(rows)} of {streets.source.file})",
            "Give ground that covers every street, or leave out the streets beyond it",
            file=raster.source.file, layer="ground", row=rows[0],
        )  # fmt: skip
    if not known.all():
        rows = np.unique(streets.row[owner[~known]])
        what = "the street has no ground in places; no leg may lie there"
        ledger.note(streets.source, "doubt", rows, what)
    return float(elevations[known].mean())


def _local_box(frame: Frame, bounds: Floats) -> Box:
    x, y = frame.to_local(bounds[[0, 2]], bounds[[1, 3]])
    return float(x[0]), float(y[0]), float(x[1]), float(y[1])
