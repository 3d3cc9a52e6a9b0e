"""From a row of a utilities layer to a solid: its size, its level, its axis."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.independent.figures import DEFAULT_DEPTH, DEFAULT_DIAMETER
from tests.independent.ground import Place
from tests.independent.services import Service, along

Floats = NDArray[np.float64]
LEVELS = ("top_elev_m", "centre_elev_m", "invert_elev_m", "depth_m")


def service_of(place: Place, row: Any, utility_id: str, kind: str) -> list[Service]:
    """The parts of one service."""
    parts = getattr(row.geometry, "geoms", [row.geometry])
    solids = [_part(place, row, (utility_id, kind), part) for part in parts]
    return [solid for solid in solids if len(solid.axis)]


def _value(row: Any, name: str) -> float | None:
    value = row.get(name)
    return None if value is None or value == "" or np.isnan(float(value)) else float(value)


def _section(row: Any, kind: str) -> tuple[float, float, float, float]:
    """Radius, width and height outside, and wall. [m]"""
    width, height = _value(row, "width_m"), _value(row, "height_m")
    if width and height:
        return 0.0, width, height, 0.0
    diameter, wall = _value(row, "diameter_m"), _value(row, "wall_m")
    if diameter is None:
        return DEFAULT_DIAMETER[kind] / 2, 0.0, 0.0, _assumed_wall(wall, kind)
    if kind not in {"sewer", "storm"}:
        return diameter / 2, 0.0, 0.0, wall or 0.0
    if wall is None:
        wall = diameter / 12 + 0.025 if diameter >= 0.300 else 0.008
    return diameter / 2 + wall, 0.0, 0.0, wall


def _assumed_wall(wall: float | None, kind: str) -> float:
    """Wall of a pipe whose outside diameter is the default of its kind. [m]"""
    if wall is not None or kind not in {"sewer", "storm"}:
        return wall or 0.0
    outside = DEFAULT_DIAMETER[kind]
    concrete = (outside - 0.05) / (1 + 2 / 12)  # inside D of outside D + 2 (D / 12 + 25 mm)
    return (outside - concrete) / 2 if concrete >= 0.300 else 0.008


def _part(place: Place, row: Any, named: tuple[str, str], part: Any) -> Service:
    utility_id, kind = named
    radius, width, height, wall = _section(row, kind)
    half = radius or height / 2
    points = np.asarray(part.coords, dtype=float)
    level = next((name for name in LEVELS if _value(row, name) is not None), None)
    has_z = points.shape[1] == 3 and bool(np.isfinite(points[:, 2]).all())
    follows = level == "depth_m" or (level is None and not has_z)
    if follows:
        depth = _value(row, "depth_m")
        depth = DEFAULT_DEPTH[kind] if depth is None else depth
        axis = _under_ground(place, points[:, :2], depth + half)
    elif level is None:
        axis = points - np.array([0.0, 0.0, half])
    else:
        shift = {"top_elev_m": -half, "centre_elev_m": 0.0, "invert_elev_m": half - wall}[level]
        height_of = np.full(len(points), float(row[level]) + shift)
        axis = np.column_stack([points[:, :2], height_of])
    return Service(
        utility_id=utility_id,
        kind=kind,
        quality=str(row.get("quality") or "D") if row.get("quality") == row.get("quality") else "D",
        live=row.get("status") != "abandoned",
        follows_ground=follows,
        axis=axis,
        radius=radius,
        width=width,
        height=height,
    )


def _under_ground(place: Place, points: Floats, below: float) -> Floats:
    """A line that follows the ground, sampled each half metre."""
    plan = along(points, 0.5)
    ground = place.ground(plan[:, 0], plan[:, 1])
    known = np.isfinite(ground)
    if not known.any():
        return np.empty((0, 3))
    station = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(plan, axis=0).T))])
    held = np.interp(station, station[known], ground[known])
    return np.column_stack([plan, held - below])
