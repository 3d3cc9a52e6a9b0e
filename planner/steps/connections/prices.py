"""Method and price of each connection, and what of the street it opens and closes."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import shapely

from planner.model import Floats, Site
from planner.records import Ints
from planner.steps.connections.ways import Texts, Ways

FROM_PIT, SHAFT, TRENCH = "bored from pit", "shaft and saddle", "short trench"
TOUCH = 1e-6  # [lanes] an opening that reaches this little into a lane does not close it
TANGENT = 0.5  # [m] each way along a centreline, over which its direction is taken


class Surfaces(NamedTuple):
    """What connections take of the street, each (ways,)."""

    opening: Floats  # [m2] surface opened; none where the pit that is joined serves
    lanes: Ints  # closed while it is open
    cost: Floats  # pavement and lanes, which the price holds


def choose_methods(site: Site, ways: Ways) -> Texts:
    """From the pit that is joined; else a trench where it may be one and is cheaper, or a shaft.

    The depth that decides is the one at which the sewer is entered: a trench has to lay it bare.
    """
    rules, step = site.book.rules, site.project.level_step
    depth = ways.ground[:, 0] - ways.lowest * step
    short = ways.length <= rules.number("connection_trench_length_m")
    short &= depth <= rules.number("connection_trench_depth_m")
    dear, cheap = (prices_of(site, np.full(len(depth), m, object), ways.length)
                   for m in (SHAFT, TRENCH))  # fmt: skip
    words = np.where(short & (cheap <= dear), TRENCH, SHAFT)
    return np.where(ways.pit >= 0, FROM_PIT, words).astype(object)


def prices_of(site: Site, method: Texts, length: Floats) -> Floats:
    """Fixed sum and sum per metre by method, pavement and lane included."""
    costs = site.book.costs
    fixed = np.array([costs.entry("connection_fixed", str(word)) for word in method], float)
    per_m = np.array([costs.entry("connection_per_m", str(word)) for word in method], float)
    return fixed + per_m * length


def riser_prices(site: Site, riser: Floats) -> Floats:
    """Price of risers by their height. [m]"""
    return riser * site.book.costs.number("connection_riser_per_m")


def find_surfaces(site: Site, ways: Ways, method: Texts) -> Surfaces:
    """Pavement and lanes that each connection takes.

    A shaft opens a square about its joint; a trench a strip from there to the property. Outside
    the carriageway they close no lane and the surface is a footway's or verge's.
    """
    rules, costs = site.book.rules, site.book.costs
    side, width = rules.number("connection_shaft_m"), rules.number("connection_trench_width_m")
    shaft, trench = method == SHAFT, method == TRENCH
    opening = np.where(shaft, side**2, np.where(trench, width * ways.length, 0.0))
    lanes = np.where(shaft | trench, _lanes_opened(site, ways, np.where(shaft, side, 0.0)), 0)
    per_m2 = np.where(lanes > 0, costs.number("restoration_per_m2"), costs.number("footway_per_m2"))
    days = np.array([site.book.equipment.entry("connection_days", str(word)) for word in method])
    closed = lanes * days * costs.number("traffic_control_per_day")
    return Surfaces(opening, lanes.astype(np.int64), opening * per_m2 + closed)


def _lanes_opened(site: Site, ways: Ways, side: Floats) -> Floats:
    """Lanes that a square of a side about the joint touches, or, without a side, the whole way."""
    streets = site.streets
    lines = streets.geometry.to_numpy()
    points = shapely.points(ways.joint)
    row = shapely.STRtree(lines).nearest(points)
    lanes, width = (streets[n].to_numpy(float)[row] for n in ("lanes", "lane_width_m"))
    joint, house = _offsets(lines[row], points, ways)
    low = np.where(side > 0, joint - side / 2, np.minimum(joint, house))
    high = np.where(side > 0, joint + side / 2, np.maximum(joint, house))
    first, last = (np.clip(edge / width + lanes / 2, 0.0, lanes) for edge in (low, high))
    touched = np.ceil(last - TOUCH) - np.floor(first + TOUCH)
    return np.where(last - first > TOUCH, touched, 0.0)


def _offsets(lines: Texts, points: Texts, ways: Ways) -> tuple[Floats, Floats]:
    """Offsets of joint and property from the street's centreline, left positive. [m]"""
    at = shapely.line_locate_point(lines, points)
    back, ahead = (
        shapely.get_coordinates(shapely.line_interpolate_point(lines, np.maximum(at + by, 0.0)))
        for by in (-TANGENT, TANGENT)
    )
    unit = (ahead - back) / np.hypot(*(ahead - back).T)[:, None]
    left = np.column_stack([-unit[:, 1], unit[:, 0]])
    base = shapely.get_coordinates(shapely.line_interpolate_point(lines, at))
    joint, house = (((place - base) * left).sum(axis=1) for place in (ways.joint, ways.start))
    return joint, house
