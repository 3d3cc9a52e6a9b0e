"""Where connections may meet the sewer: on the serving leg, or at the pit it starts from."""

from __future__ import annotations

import re
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import shapely

from planner.kernels.leg_houses import END_MARGIN
from planner.model import Floats, Site
from planner.records import Bools, Ints, Route

LEAST_LENGTH = 0.1  # [m] the shortest line that is drawn
IN_KEEP_OUT = 0.01  # [m] a way that is longer inside a keep-out is blocked
TRY_STEP = 1.0  # [m] joints tried along a leg where the nearest one is barred


class Joints(NamedTuple):
    """Joints of properties: the share of the leg from its upper end, or a pit at that end."""

    row: Ints  # (joints,) row of Site.properties
    leg: Ints
    share: Floats
    pit: Ints  # the pit that is joined, -1 where it is the leg


def find_joints(site: Site, route: Route) -> Joints:
    """One joint on its leg for every property that has one, and one at its pit where it may be."""
    row = np.flatnonzero(route.property_leg >= 0)
    leg = route.property_leg[row]
    start = route.property_xy[row].reshape(-1, 2)
    share = _round_keep_outs(site, route, (leg, start), _nearest_shares(route, leg, start))
    enters = may_join_pit(site, route)[leg]
    return Joints(
        np.concatenate([row, row[enters]]), np.concatenate([leg, leg[enters]]),
        np.concatenate([share, np.zeros(enters.sum())]),
        np.concatenate([np.full(len(row), -1), route.leg_up[leg[enters]]]),
    )  # fmt: skip


def axes_of(route: Route, leg: Ints) -> tuple[Floats, Floats]:
    """Upper end of legs, and the way from there to the lower end. [m]"""
    up = route.pit_xy[route.leg_up[leg]].reshape(-1, 2)
    return up, route.pit_xy[route.leg_down[leg]].reshape(-1, 2) - up


def may_join_pit(site: Site, route: Route) -> Bools:
    """Whether connections may enter the upper pit of each leg.

    What joins a pit counts as flowing through the one leg that leaves it; where no manhole stays
    there is nothing to join.
    """
    word = site.book.rules.text("connection_into_manhole")
    single = np.bincount(route.leg_up, minlength=len(route.pit_id))[route.leg_up] == 1
    head = ~np.isin(route.leg_up, route.leg_down)
    single &= route.has_manhole[route.leg_up]
    return np.asarray(single & ((word == "allowed") | (head & (word == "end only"))))


def _nearest_shares(route: Route, leg: Ints, start: Floats) -> Floats:
    """Share of the leg, from its upper end, nearest to each point.

    A joint keeps `END_MARGIN` from the pits, and `LEAST_LENGTH` from the property.
    """
    up, way = axes_of(route, leg)
    length = np.hypot(*way.T)
    along = ((start - up) * way).sum(axis=1) / length**2
    last = 1.0 - END_MARGIN / length
    share = np.clip(along, END_MARGIN / length, last)
    away = np.hypot(*(start - up - share[:, None] * way).T)
    aside = LEAST_LENGTH / length
    moved = np.where(share + aside <= last, share + aside, share - aside)
    return np.asarray(np.where(away < LEAST_LENGTH, moved, share))


def length_barred(site: Site, joint: Floats, start: Floats) -> Floats:
    """How long each way is inside keep-outs of connections. [m]"""
    if not len(shapes := _keep_outs(site).geometry.to_numpy()):
        return np.zeros(len(joint))
    lines = shapely.linestrings(np.stack([start, joint], axis=1))
    near, _ = shapely.STRtree(shapes).query(lines)
    inside, touched, area = np.zeros(len(lines)), np.unique(near), shapely.union_all(shapes)
    inside[touched] = shapely.length(shapely.intersection(lines[touched], area))
    return inside


def _keep_outs(site: Site) -> gpd.GeoDataFrame:
    """Keep-outs that apply to connections."""
    layer = site.keep_out
    applies = ["connections" in re.split(r"[\s,]+", str(words)) for words in layer["applies_to"]]
    return layer[np.array(applies, bool)]


def _round_keep_outs(
    site: Site, route: Route, served: tuple[Ints, Floats], share: Floats
) -> Floats:
    """Shares with those moved along the leg whose shortest way is barred, where another is not."""
    leg, start = served
    up, way = axes_of(route, leg)
    share = share.copy()
    barred = length_barred(site, up + share[:, None] * way, start)
    for i in np.flatnonzero(barred > IN_KEEP_OUT):
        length = float(np.hypot(*way[i]))
        tried = np.arange(END_MARGIN, length - END_MARGIN, TRY_STEP) / length
        joints = up[i] + tried[:, None] * way[i]
        far = np.hypot(*(joints - start[i]).T)
        free = length_barred(site, joints, np.broadcast_to(start[i], joints.shape)) <= IN_KEEP_OUT
        free &= (far <= site.book.rules.number("connection_max_length_m")) & (far >= LEAST_LENGTH)
        if free.any():
            share[i] = tried[np.argmin(np.where(free, far, np.inf))]
    return share
