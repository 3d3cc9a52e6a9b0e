"""Buried services as solids, and distances to them by brute-force sampling."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LineString
from shapely.geometry.base import BaseGeometry

Floats = NDArray[np.float64]

STEP = 0.05  # [m] of the first sampling
FINE = 0.001  # [m] of the second, around the least distance of the first


@dataclass(frozen=True, eq=False)
class Service:
    """One buried service: its axis, and a round or a level rectangular section around it."""

    utility_id: str
    kind: str
    quality: str
    live: bool
    follows_ground: bool
    axis: Floats  # (points, 3) centre of the section
    radius: float  # [m] 0 for a box
    width: float = 0.0  # [m]
    height: float = 0.0  # [m]

    @property
    def half_width(self) -> float:
        """Half of the outside width. [m]"""
        return self.radius or self.width / 2

    @property
    def half_height(self) -> float:
        """Half of the outside height. [m]"""
        return self.radius or self.height / 2

    def plan(self) -> BaseGeometry:
        """The axis in plan."""
        if len(self.axis) == 1:
            return shapely.Point(self.axis[0, :2])
        return LineString(self.axis[:, :2])


def along(points: Floats, step: float) -> Floats:
    """Points of a line at most a step apart, its vertices among them."""
    if len(points) < 2:
        return points
    pieces = [points[:1]]
    for start, end in pairwise(points):
        count = max(int(np.ceil(np.hypot(*(end - start)[:2]) / step - 1e-9)), 1)
        share = np.arange(1, count + 1)[:, None] / count
        pieces.append(start + share * (end - start))
    return np.vstack(pieces)


def near(service: Service, shape: BaseGeometry, reach: float) -> Floats:
    """Dense points of a service's axis within a reach of a shape in plan."""
    if shapely.distance(service.plan(), shape) > reach:
        return np.empty((0, 3))
    coarse = along(service.axis, 1.0)
    plan = shapely.points(coarse[:, :2])
    keep = shapely.distance(plan, shape) <= reach + 1.0
    index = np.flatnonzero(keep)
    if len(index) == 0:
        return np.empty((0, 3))
    parts = np.split(index, np.flatnonzero(np.diff(index) > 1) + 1)
    return np.vstack([along(coarse[part], STEP) for part in parts])


def to_segment(points: Floats, start: Floats, end: Floats) -> tuple[Floats, Floats]:
    """Distance of points to a straight segment, and the share of it where it is nearest."""
    way = end - start
    share = np.clip((points - start) @ way / max(float(way @ way), 1e-12), 0.0, 1.0)
    return np.linalg.norm(points - (start + share[:, None] * way), axis=1), share


def clearance(service: Service, start: Floats, end: Floats, radius: float, reach: float) -> float:
    """Least edge-to-edge distance of a straight round bore to a service; inf beyond the reach.

    [m]
    """
    bore = LineString([start[:2], end[:2]])
    points = near(service, bore, reach)
    if len(points) == 0:
        return float("inf")
    if service.width > 0:
        return _to_box(service, points, (start, end)) - radius
    distance, _ = to_segment(points, start, end)
    finer = _around(points, int(np.argmin(distance)))
    closest = min(float(distance.min()), float(to_segment(finer, start, end)[0].min()))
    return closest - radius - service.radius


def _around(points: Floats, index: int) -> Floats:
    """Points of a dense line around one of them, a millimetre apart."""
    window = points[max(index - 1, 0) : index + 2]
    steps = np.linspace(0.0, 1.0, int(STEP / FINE) + 1)[:, None]
    pieces = [a + steps * (b - a) for a, b in pairwise(window)]
    return np.vstack([window, *pieces])


def _to_box(service: Service, points: Floats, bore: tuple[Floats, Floats]) -> float:
    """Signed distance of a bore's axis to a level rectangular section along dense points."""
    start, end = bore
    count = max(int(np.ceil(np.linalg.norm(end - start) / STEP)), 1)
    axis = start + np.linspace(0, 1, count + 1)[:, None] * (end - start)
    plan = shapely.points(points[:, :2])
    close = shapely.distance(shapely.points(axis[:, :2]), shapely.multipoints(plan)) < 3.0
    if not close.any():
        close[:] = True
    best = np.array([_point_to_box(service, points, spot) for spot in axis[close]])
    finer = _around(axis[close], int(best.argmin()))
    return min(float(best.min()), *(_point_to_box(service, points, spot) for spot in finer))


def _point_to_box(service: Service, points: Floats, spot: Floats) -> float:
    offset = spot - points
    flat = np.hypot(offset[:, 0], offset[:, 1])
    index = int(np.argmin(flat))
    sideways, up = float(flat[index]) - service.width / 2, abs(float(offset[index, 2]))
    upward = up - service.height / 2
    if sideways <= 0 and upward <= 0:
        return max(sideways, upward)
    return float(np.hypot(max(sideways, 0.0), max(upward, 0.0)))
