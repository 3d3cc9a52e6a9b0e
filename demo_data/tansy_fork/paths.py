"""A street's centreline as a curve with stations and offsets."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from shapely import LineString, Point

Floats = NDArray[np.float64]

SPACING = 4.0  # [m] between vertices of a drawn curve


def curve_through(points: ArrayLike) -> Floats:
    """Smooth curve that keeps every given point as a vertex, (vertices, 2). [m]"""
    knots = np.asarray(points, float)
    ends = 2 * knots[[0, -1]] - knots[[1, -2]]
    padded = np.vstack([ends[:1], knots, ends[1:]])
    pieces = [_bend(padded[i : i + 4]) for i in range(len(knots) - 1)]
    return np.vstack([*[piece[:-1] for piece in pieces], knots[-1:]]).round(3)


def _bend(four: Floats) -> Floats:
    """Centripetal cubic between the middle two of four points, both ends kept exactly."""
    gaps = np.sqrt(np.linalg.norm(np.diff(four, axis=0), axis=1))
    t = np.concatenate([[0.0], np.cumsum(gaps)])
    count = max(2, int(np.ceil(np.linalg.norm(four[2] - four[1]) / SPACING)) + 1)
    at = np.linspace(t[1], t[2], count)[:, None]
    first = [_blend(four[i], four[i + 1], (t[i], t[i + 1]), at) for i in range(3)]
    second = [_blend(first[i], first[i + 1], (t[i], t[i + 2]), at) for i in range(2)]
    curve = _blend(second[0], second[1], (t[1], t[2]), at)
    return np.vstack([four[1:2], curve[1:-1], four[2:3]])


def _blend(a: Floats, b: Floats, span: tuple[float, float], at: Floats) -> Floats:
    share = (at - span[0]) / (span[1] - span[0])
    return a * (1 - share) + b * share


@dataclass(frozen=True, eq=False)
class Path:
    """A polyline with stations along it; offsets are positive to the left."""

    points: Floats  # (vertices, 2) [m]

    @property
    def stations(self) -> Floats:
        """Station of each vertex, (vertices,). [m]"""
        steps = np.linalg.norm(np.diff(self.points, axis=0), axis=1)
        return np.concatenate([[0.0], np.cumsum(steps)])

    @property
    def length(self) -> float:
        """Length of the line. [m]"""
        return float(self.stations[-1])

    @property
    def line(self) -> LineString:
        """The line as a geometry."""
        return LineString(self.points)

    def at(self, station: ArrayLike, offset: ArrayLike = 0.0) -> Floats:
        """Points at stations and offsets, (points, 2). Beyond an end the line runs on straight."""
        s = np.atleast_1d(np.asarray(station, float))
        inside = np.clip(s, 0.0, self.length)
        ahead = self.heading(inside)
        base = np.column_stack([np.interp(inside, self.stations, c) for c in self.points.T])
        left = np.column_stack([-ahead[:, 1], ahead[:, 0]])
        aside = np.broadcast_to(np.asarray(offset, float), s.shape)[:, None]
        return np.asarray(base + (s - inside)[:, None] * ahead + aside * left)

    def heading(self, station: ArrayLike) -> Floats:
        """Unit vectors along the line, turning smoothly, (points, 2)."""
        steps = np.diff(self.points, axis=0)
        steps = steps / np.linalg.norm(steps, axis=1)[:, None]
        at_vertex = np.vstack([steps[:1], steps[:-1] + steps[1:], steps[-1:]])
        at_vertex /= np.linalg.norm(at_vertex, axis=1)[:, None]
        s = np.atleast_1d(np.asarray(station, float))
        ahead = np.column_stack([np.interp(s, self.stations, c) for c in at_vertex.T])
        return np.asarray(ahead / np.linalg.norm(ahead, axis=1)[:, None])

    def beside(self, offset: float, start: float, end: float) -> Floats:
        """Line at an offset between two stations, (vertices, 2), a vertex each few metres."""
        inner = self.stations[(self.stations > start + 1) & (self.stations < end - 1)]
        return self.at(np.concatenate([[start], inner, [end]]), offset)

    def station_of(self, point: ArrayLike) -> float:
        """Station of the nearest point of the line. [m]"""
        return float(self.line.project(Point(*np.asarray(point, float))))
