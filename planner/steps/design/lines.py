"""Legs as they are drawn: their two ends, how far from straight, and which way round."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely

from planner.model import Floats
from planner.records import Bools

STRAIGHT = 0.01  # [m] a vertex this near to the line between the ends does not bend it


@dataclass(frozen=True, eq=False)
class Drawn:
    """Ends of legs, upstream first as drawn, and how far the line strays from between them."""

    ends: Floats  # (legs, 2, 2) [m]
    bent: Floats  # (legs,) [m]


def draw_ends(shapes: np.ndarray) -> Drawn:
    """Ends of lines; parts that join are one line.

    Parameters
    ----------
    shapes : (legs,)
        Lines in the local frame.
    """
    ends, bent = np.zeros((len(shapes), 2, 2)), np.zeros(len(shapes))
    for i, shape in enumerate(shapes):
        ends[i], bent[i] = _ends_of(shape)
    return Drawn(ends, bent)


def _ends_of(shape: shapely.Geometry) -> tuple[Floats, float]:
    if shape.geom_type == "MultiLineString":
        shape = shapely.line_merge(shape)
    parts = [shapely.get_coordinates(part) for part in shapely.get_parts(shape)]
    xy = np.vstack(parts)
    ends = np.array([xy[0], xy[-1]])
    gaps = [np.hypot(*(b[0] - a[-1])) for a, b in pairwise(parts)]
    stray = shapely.distance(shapely.points(xy), shapely.LineString(ends)).max()
    return ends, float(max([stray, *gaps]))


def turn_round(ends: Floats, up_xy: Floats, down_xy: Floats) -> tuple[Floats, Bools]:
    """Ends with those legs turned that are drawn from their lower pit, and which these are.

    Parameters
    ----------
    ends : (legs, 2, 2)
        As drawn. [m]
    up_xy, down_xy : (legs, 2)
        Points of the pits. [m]
    """
    as_drawn = _away(ends, up_xy, down_xy)
    other = _away(ends[:, ::-1], up_xy, down_xy)
    turned = other < as_drawn - STRAIGHT
    return np.where(turned[:, None, None], ends[:, ::-1], ends), turned


def _away(ends: Floats, up_xy: Floats, down_xy: Floats) -> Floats:
    """Greater distance of an end from its pit. [m]"""
    up = np.hypot(*(ends[:, 0] - up_xy).T)
    return np.asarray(np.maximum(up, np.hypot(*(ends[:, 1] - down_xy).T)))
