"""Holds every leg against the ground above it: cover, frost, depth, and ground not known."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely

from planner.kernels.ground import sample_ground
from planner.model import Floats
from planner.records import Ints
from planner.steps.findings.finding import ROUNDING, Finding, finding
from planner.steps.findings.works import Works

STEP = 0.5  # [m] the ground is sampled at least this closely


@dataclass(frozen=True, eq=False)
class _Samples:
    """Points along all legs, each leg from its upper end."""

    leg: Ints
    share: Floats  # of the leg, from its upper end
    xy: Floats
    ground: Floats  # [m]
    invert: Floats  # [m]


def cover_findings(works: Works) -> Iterator[Finding]:
    """Cover of the bore, frost over the pipe and greatest depth, at the worst place of each leg."""
    if not len(works.route.leg_up):
        return
    samples = _sample(works)
    route, rules = works.route, works.rules
    wall = (route.leg_outside - route.leg_inside) / 2
    over_bore = (np.maximum(route.leg_bore, route.leg_outside) - wall)[samples.leg]
    over_pipe = (route.leg_outside - wall)[samples.leg]
    depth = samples.ground - samples.invert
    bores = rules.number("min_cover_bore_diameters") * route.leg_bore[samples.leg]
    least, frost = _zones(works, samples.xy)
    yield from _worst(works, samples, "min_cover_m", (depth - over_bore, np.maximum(least, bores)))
    for row in _worst(works, samples, "min_cover_bore_diameters", (depth - over_bore, bores)):
        leg = route.leg_id.index(row["subject"])
        if row["limit"] > rules.number("min_cover_m"):  # else the cover itself says it
            bore = float(route.leg_bore[leg])
            yield row | {"value": round(row["value"] / bore, 6),
                         "limit": round(row["limit"] / bore, 6)}  # fmt: skip
    yield from _worst(works, samples, "frost_depth_m", (depth - over_pipe, frost))
    deepest = rules.optional("max_leg_depth_m")
    if deepest is not None:
        yield from _deepest(works, samples, depth, deepest)
    yield from _no_ground(works, samples)


def _sample(works: Works) -> _Samples:
    route, step = works.route, works.site.project.level_step
    counts = np.ceil(route.leg_length / STEP).astype(np.int64) + 1
    counts = np.maximum(counts, 2)
    leg = np.repeat(np.arange(len(counts)), counts)
    begin = np.concatenate([[0], np.cumsum(counts)[:-1]])
    share = (np.arange(len(leg)) - begin[leg]) / (counts[leg] - 1)
    up, down = route.pit_xy[route.leg_up[leg]], route.pit_xy[route.leg_down[leg]]
    xy = up + share[:, None] * (down - up)
    g = works.site.ground
    ground = sample_ground(
        g.values, g.mesh_x0, g.mesh_y0, g.mesh_step, g.mesh_col, g.mesh_row,
        np.ascontiguousarray(xy[:, 0]), np.ascontiguousarray(xy[:, 1]),
    )  # fmt: skip
    high, low = route.leg_up_level[leg] * step, route.leg_down_level[leg] * step
    return _Samples(leg, share, xy, np.asarray(ground), high + share * (low - high))


def _zones(works: Works, xy: Floats) -> tuple[Floats, Floats]:
    """Least cover and frost depth at points: the project's, or a zone's where that asks more."""
    cover = np.full(len(xy), works.rules.number("min_cover_m"))
    frost = np.full(len(xy), works.rules.number("frost_depth_m"))
    for shape, least, depth in zip(
        works.site.zones.geometry, works.site.zones["min_cover_m"].astype(float),
        works.site.zones["frost_depth_m"].astype(float), strict=True,
    ):  # fmt: skip
        if np.isnan(least) and np.isnan(depth):
            continue
        inside = shapely.contains_xy(shape, xy[:, 0], xy[:, 1])
        cover[inside] = np.fmax(cover[inside], least)
        frost[inside] = np.fmax(frost[inside], depth)
    return cover, frost


def _worst(
    works: Works, samples: _Samples, rule: str, measured: tuple[Floats, Floats]
) -> Iterator[Finding]:
    """The place of each leg that lacks most of what is required there."""
    there, required = measured
    lacking = np.where(np.isnan(there), -np.inf, required - there)
    for leg, at in _greatest(samples.leg, lacking):
        if lacking[at] > ROUNDING:
            yield _at(works, samples, at, finding(
                works.rules, rule, works.route.leg_id[leg], there[at], required[at]
            ))  # fmt: skip


def _greatest(leg: Ints, value: Floats) -> Iterator[tuple[int, int]]:
    """Each leg and the sample of it where a value is greatest."""
    bounds = np.flatnonzero(np.diff(leg, prepend=-1, append=-1))
    for first, last in pairwise(bounds.tolist()):
        yield int(leg[first]), int(first + np.argmax(value[first:last]))


def _at(works: Works, samples: _Samples, at: int, row: Finding) -> Finding:
    """A finding with its station from the lower pit."""
    length = float(works.route.leg_length[samples.leg[at]])
    return row | {"station_m": round((1 - float(samples.share[at])) * length, 3)}


def _deepest(works: Works, samples: _Samples, depth: Floats, limit: float) -> Iterator[Finding]:
    for leg, at in _greatest(samples.leg, np.where(np.isnan(depth), -np.inf, depth)):
        if depth[at] > limit + ROUNDING:
            yield _at(works, samples, at, finding(
                works.rules, "max_leg_depth_m", works.route.leg_id[leg], depth[at], limit
            ))  # fmt: skip


def _no_ground(works: Works, samples: _Samples) -> Iterator[Finding]:
    """Legs over ground without elevation, and how much of them."""
    blind = np.isnan(samples.ground)
    for leg in np.unique(samples.leg[blind]).tolist():
        mine = samples.leg == leg
        long = float(works.route.leg_length[leg] * blind[mine].mean())
        first = int(np.flatnonzero(mine & blind)[0])
        row = finding(works.rules, "ground_nodata", works.route.leg_id[leg], long, 0.0)
        yield _at(works, samples, first, row)
