"""Connects every property to its leg or pit: joint, levels, method and price, clear of services."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, Protocol

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from planner.kernels.clearance import pair_clearances
from planner.kernels.ground import sample_ground
from planner.kernels.neighbours import near_clearances, sort_into_cells
from planner.model import PLAN_COLUMNS, Floats, Ground, Site
from planner.records import Bools, Ints, Route
from planner.rules import stepped
from planner.rules.pipes import PipeSize, pipe_table

Texts = NDArray[np.object_]

LARGE_MM = 150.0  # [mm] nominal size for more people; common practice, no source
HOUSE_PEOPLE = 20.0  # more take the larger pipe; common practice, no source
HOUSE_SERIES = {"us-ten-states": "pvc-sdr26", "eu-metric": "pvc-en-sdr34"}
END_MARGIN = 1.5  # [m] a joint is at least this far from the leg's downstream pit
TRENCH_DEPTH = 1.5  # [m] a short trench goes no deeper to the sewer; common practice, no source
TRENCH_LENGTH = 6.0  # [m] and is no longer; common practice, no source
LEAST_LENGTH = 0.1  # [m] the shortest line that is drawn
LEAST_COVER = 0.3  # [m] of a connection where its levels allow it; common practice, no source
COVER_SHARES = np.linspace(0.0, 1.0, 9)  # where the cover is looked at
GRID = 1e-9  # [levels] noise that does not count when a level is rounded
SAME = 1e-9  # [m] a clearance that lacks less than this keeps what is required
IN_KEEP_OUT = 0.01  # [m] a way that is longer inside a keep-out is blocked
COARSE = 32  # levels tried between the highest and the lowest, at first
COARSE_STEP = 0.05  # [m] and they need not be closer than this
BATCH = 100  # houses whose levels are tried at once, which bounds the memory
SECOND = np.array([-2, -1, 0, 1, 2])  # steps tried around the best pair in each closer look


class SolidServices(Protocol):
    """What a connection needs to know of the buried services."""

    @property
    def half_width(self) -> Floats:
        """Half width of each piece in plan, (pieces,). [m]"""

    @property
    def solids(self) -> Floats:
        """Pieces as `planner.kernels.clearance` takes them, (pieces, 11)."""


@dataclass(frozen=True, eq=False)
class Connections:
    """One connection a property, and the pipes of those that are served.

    ``frame`` has the columns of the plan's ``connections`` and lines in the local frame, property
    first; its rows are in the order of the properties' names. ``property_row`` is the row of
    `Site.properties` of each of them. The other arrays have one entry a served row, in order.
    """

    frame: gpd.GeoDataFrame
    property_row: Ints  # (properties,)
    connection_id: Texts  # (served,)
    sewer: Floats  # (served, 3) axis of the pipe at the joint [m]
    property: Floats  # (served, 3) axis of the pipe at the property [m]
    outside_diameter: Floats  # (served,) [m]
    pressure_rated: Bools  # (served,)


@dataclass(frozen=True, eq=False)
class _Ways:
    """Connections to be: from properties to their joints, with what bounds their two levels."""

    row: Ints  # (ways,) row of Site.properties
    leg: Ints
    pit: Ints  # the pit that is joined, -1 where it is the leg
    start: Floats  # (ways, 2) [m]
    joint: Floats  # (ways, 2) [m]
    nominal: Floats  # [mm]
    inside: Floats  # [m]
    outside: Floats  # [m]
    highest: Floats  # at the property [levels]
    lowest: Floats  # at the sewer: where the pipe enters it without a riser [levels]
    fall: Floats  # least one [levels]
    shallow: Floats  # at the sewer: at `connection_max_depth_m` [levels]
    ground: Floats  # (ways, shares) from joint to property [m]

    @property
    def length(self) -> Floats:
        """Distance in plan. [m]"""
        return np.asarray(np.hypot(*(self.start - self.joint).T))

    @property
    def preferred(self) -> Floats:
        """Level at the sewer that needs the least riser. [levels]"""
        return np.maximum(self.lowest, np.minimum(self.shallow, self.highest - self.fall))

    def take(self, which: Ints | Bools) -> _Ways:
        """Some of the ways."""
        return _Ways(**{name: array[which] for name, array in vars(self).items()})


@dataclass(frozen=True, eq=False)
class _Near:
    """Pieces of services near each way: those of way ``i`` are ``begin[i]`` to ``begin[i + 1]``."""

    solids: Floats
    begin: Ints  # (ways + 1,)
    piece: Ints  # (pairs,)


@dataclass(frozen=True, eq=False)
class _Pairs:
    """Pairs of levels that are tried: the way, and the level at property and sewer."""

    way: Ints
    high: Floats  # [levels]
    low: Floats  # [levels]

    def take(self, which: Ints | Bools) -> _Pairs:
        """Some of the pairs."""
        return _Pairs(self.way[which], self.high[which], self.low[which])


def connect_houses(site: Site, route: Route, services: SolidServices) -> Connections:
    """One connection for every property, served or with the reason why not.

    The joint is the point of the serving leg that is nearest to the property. Of all pairs of
    levels on the grid the one is taken that keeps clear of services, then is covered, then is no
    deeper at the sewer than `connection_max_depth_m`, then asks for the least metres of digging
    at the property and of riser on the sewer.

    Parameters
    ----------
    site
        The site.
    route
        Pits and legs, and which leg serves which property.
    services
        Buried services as solid pieces.
    """
    ways = _plan_ways(site, route)
    why_not = np.array([str(why) for why in route.why_not], object)
    unnamed = (route.property_leg < 0) & (why_not == "")
    why_not[unnamed] = "no tie-in: 0 legs serve the property"
    found = _refusals(site, ways)
    why_not[ways.row] = found
    ways = ways.take(found == "")
    chosen = _choose_levels(site, ways, services)
    frame, order = _frame(site, route, (ways, chosen), why_not)
    return _with_pipes(frame, order, (ways, chosen), site.project.level_step)


# --- joints


def _plan_ways(site: Site, route: Route) -> _Ways:
    """Ways of all properties that a leg serves, the shortest ones that no keep-out bars."""
    row = np.flatnonzero(route.property_leg >= 0)
    leg = route.property_leg[row]
    start = route.property_xy[row].reshape(-1, 2)
    share, beyond = _nearest_shares(route, leg, start)
    share = _round_keep_outs(site, route, (leg, start), share)
    up, way = _axes(route, leg)
    joint = up + share[:, None] * way
    pit = np.where((share == 0) & beyond & _may_join_pit(site, route)[leg], route.leg_up[leg], -1)
    pipes = _house_pipes(site, row)
    nominal, inside, outside = (pipes[:, k] for k in range(3))
    step = site.project.level_step
    entry = route.leg_inside[leg] * site.book.rules.number("connection_entry_ratio") / step
    main = route.leg_up_level[leg] * (1 - share) + route.leg_down_level[leg] * share
    main = np.where(pit >= 0, np.maximum(main, route.pit_level[pit]), main)
    ground = _ground_along(site.ground, joint, start)
    floor = site.properties["floor_elev_m"].to_numpy(float)[row]
    floor = floor - site.book.rules.number("connection_floor_drop_m")
    shallow = ground[:, 0] - site.book.rules.number("connection_max_depth_m")
    length = np.hypot(*(start - joint).T)
    return _Ways(
        row, leg, pit, start, joint, nominal, inside, outside,
        highest=np.floor(floor / step + GRID), lowest=np.ceil(main + entry - GRID),
        fall=np.ceil(_least_slopes(site, nominal) * length / step - GRID),
        shallow=np.ceil(shallow / step - GRID), ground=ground,
    )  # fmt: skip


def _axes(route: Route, leg: Ints) -> tuple[Floats, Floats]:
    """Upper end of legs, and the way from there to the lower end. [m]"""
    up = route.pit_xy[route.leg_up[leg]].reshape(-1, 2)
    return up, route.pit_xy[route.leg_down[leg]].reshape(-1, 2) - up


def _nearest_shares(route: Route, leg: Ints, start: Floats) -> tuple[Floats, Bools]:
    """Share of the leg, from its upper end, nearest to each point; whether it lies beyond that end.

    A joint keeps `END_MARGIN` from the lower pit, and `LEAST_LENGTH` from the property.
    """
    up, way = _axes(route, leg)
    length = np.hypot(*way.T)
    along = ((start - up) * way).sum(axis=1) / length**2
    last = np.maximum(0.0, 1.0 - END_MARGIN / length)
    share = np.clip(along, 0.0, last)
    away = np.hypot(*(start - up - share[:, None] * way).T)
    aside = LEAST_LENGTH / length
    moved = np.where(share + aside <= last, share + aside, share - aside)
    on_axis = away < LEAST_LENGTH
    return np.where(on_axis, moved, share), (along <= 0.0) & ~on_axis


def _may_join_pit(site: Site, route: Route) -> Bools:
    """Whether connections may enter the upper pit of each leg."""
    word = site.book.rules.text("connection_into_manhole")
    head = ~np.isin(route.leg_up, route.leg_down)
    return np.full(len(head), word == "allowed") | (head & (word == "end only"))


def _house_pipes(site: Site, row: Ints) -> Floats:
    """Nominal size [mm], inside and outside diameter [m] of each property's connection."""
    unit = site.book.rules.number("flow_per_person_l_per_day") / 86_400
    flow = site.properties["flow_l_per_s"].to_numpy(float)[row]
    people = site.properties["people"].to_numpy(float)[row]
    people = np.where(np.isnan(flow), people, flow / unit)
    least = site.book.rules.number("connection_diameter_mm")
    nominals = (least, max(least, LARGE_MM))
    pipes = [_pipe(site, nominal) for nominal in nominals]
    sizes = np.array([[mm, p.inside_m, p.outside_m] for mm, p in zip(nominals, pipes, strict=True)])
    return np.asarray(sizes[(people > HOUSE_PEOPLE).astype(np.int64)])


def _pipe(site: Site, nominal: float) -> PipeSize:
    """Smallest pipe of the rule set's drain series that counts as a nominal size."""
    least = nominal * site.book.rules.number("min_inside_ratio")
    series = HOUSE_SERIES[site.book.rule_set]
    fits = [pipe for pipe in pipe_table() if pipe.series == series and pipe.inside_mm >= least]
    return min(fits, key=lambda pipe: pipe.outside_mm)


def _least_slopes(site: Site, nominal: Floats) -> Floats:
    """Least slope by nominal size. [m/m]"""
    sizes, place = np.unique(nominal, return_inverse=True)
    slopes = [stepped(site.book.rules, "connection_min_slope_pct", size) for size in sizes]
    return np.array(slopes, float)[place] / 100


def _ground_along(ground: Ground, joint: Floats, start: Floats) -> Floats:
    """Ground from the joints to the properties, (ways, shares). [m]"""
    points = joint[:, None] + COVER_SHARES[None, :, None] * (start - joint)[:, None]
    x, y = (np.ascontiguousarray(points[..., k].ravel()) for k in range(2))
    levels = sample_ground(
        ground.values, ground.mesh_x0, ground.mesh_y0, ground.mesh_step, ground.mesh_col,
        ground.mesh_row, x, y,
    )  # fmt: skip
    return np.asarray(levels).reshape(len(joint), len(COVER_SHARES))


# --- what bars a way


def _keep_outs(site: Site) -> gpd.GeoDataFrame:
    """Keep-outs that apply to connections."""
    layer = site.keep_out
    applies = ["connections" in re.split(r"[\s,]+", str(words)) for words in layer["applies_to"]]
    return layer[np.array(applies, bool)]


def _barred(site: Site, joint: Floats, start: Floats) -> Floats:
    """How long each way is inside keep-outs. [m]"""
    if not len(shapes := _keep_outs(site).geometry.to_numpy()):
        return np.zeros(len(joint))
    lines = shapely.linestrings(np.stack([start, joint], axis=1))
    near, _ = shapely.STRtree(shapes).query(lines)
    inside, touched, area = np.zeros(len(lines)), np.unique(near), shapely.union_all(shapes)
    inside[touched] = shapely.length(shapely.intersection(lines[touched], area))
    return inside


def _round_keep_outs(
    site: Site, route: Route, served: tuple[Ints, Floats], share: Floats
) -> Floats:
    """Shares with those moved along the leg whose shortest way is barred, where another is not."""
    leg, start = served
    up, way = _axes(route, leg)
    share = share.copy()
    barred = _barred(site, up + share[:, None] * way, start)
    for i in np.flatnonzero(barred > IN_KEEP_OUT):
        length = float(np.hypot(*way[i]))
        tried = np.arange(0.0, length - END_MARGIN, 1.0) / length
        joints = up[i] + tried[:, None] * way[i]
        far = np.hypot(*(joints - start[i]).T)
        free = _barred(site, joints, np.broadcast_to(start[i], joints.shape)) <= IN_KEEP_OUT
        free &= (far <= site.book.rules.number("connection_max_length_m")) & (far >= LEAST_LENGTH)
        if free.any():
            share[i] = tried[np.argmin(np.where(free, far, np.inf))]
    return share


def _refusals(site: Site, ways: _Ways) -> Texts:
    """Why each way cannot be built, "" where it can."""
    step, longest = site.project.level_step, site.book.rules.number("connection_max_length_m")
    barred = _barred(site, ways.joint, ways.start)
    lacking = (ways.lowest + ways.fall - ways.highest) * step
    why = np.full(len(ways.row), "", object)
    for i, length in enumerate(ways.length):
        if length > longest + SAME:
            why[i] = f"too far: {length:.1f} m to the sewer, a connection may have {longest:g} m"
        elif np.isnan(ways.ground[i, 0]) or np.isnan(ways.highest[i]):
            place = "at the sewer" if np.isnan(ways.ground[i, 0]) else "of the floor"
            why[i] = f"ground: no elevation {place}; the connection would be {length:.1f} m long"
        elif barred[i] > IN_KEEP_OUT:
            why[i] = f"blocked: {barred[i]:.1f} m of the way to the sewer lie in a keep-out"
        elif lacking[i] > GRID:
            why[i] = (
                f"floor too low: the sewer would have to be {lacking[i]:.2f} m deeper, "
                "or the house needs a pump"
            )
    return why


# --- levels


def _choose_levels(site: Site, ways: _Ways, services: SolidServices) -> _Pairs:
    """The best pair of levels of each way.

    The simplest pair first; where it is not clear and covered, pairs all over the range, then
    closer and closer about the best one, down to the grid.
    """
    judge = _Judge(site, ways, _near_pieces(site, ways, services))
    simple = _Pairs(np.arange(len(ways.row)), ways.highest, ways.preferred)
    high, low = simple.high.copy(), simple.low.copy()
    poor = np.flatnonzero(judge.faults(simple).any(axis=1))
    for first in range(0, len(poor), BATCH):
        batch = poor[first : first + BATCH]
        step = _coarse_steps(ways.take(batch), site.project.level_step)
        best = judge.best(_pairs_all_over(ways, batch, step))
        while step.max() > 1:
            step = np.ceil(step / 2)
            best = judge.best(_pairs_around(ways, best, step))
        high[batch], low[batch] = best.high, best.low
    return _Pairs(simple.way, high, low)


def _coarse_steps(ways: _Ways, level_step: float) -> Floats:
    return np.maximum(
        np.ceil((ways.highest - ways.lowest) / COARSE), np.ceil(COARSE_STEP / level_step)
    )


def _pairs_all_over(ways: _Ways, which: Ints, step: Floats) -> _Pairs:
    """Pairs at a distance of steps, from the highest level down and from the preferred on."""
    down, aside = np.arange(COARSE + 1), np.arange(-COARSE, COARSE + 1)
    high = ways.highest[which, None, None] - step[:, None, None] * down[:, None]
    low = ways.preferred[which, None, None] + step[:, None, None] * aside
    return _allowed(ways, which, high, low)


def _pairs_around(ways: _Ways, best: _Pairs, step: Floats) -> _Pairs:
    """Pairs about the best ones, two steps each way."""
    high = best.high[:, None, None] + step[:, None, None] * SECOND[:, None]
    low = best.low[:, None, None] + step[:, None, None] * SECOND
    return _allowed(ways, best.way, high, low)


def _allowed(ways: _Ways, which: Ints, high: Floats, low: Floats) -> _Pairs:
    """Those pairs that fall enough, between the floor and the sewer."""
    high, low = np.broadcast_arrays(high, low)
    way = np.broadcast_to(which[:, None, None], high.shape)
    keep = (high <= ways.highest[way]) & (low >= ways.lowest[way])
    keep &= high - low >= ways.fall[way]
    return _Pairs(way[keep], high[keep], low[keep])


def _near_pieces(site: Site, ways: _Ways, services: SolidServices) -> _Near:
    """Pieces that are near each way in plan, and neither above nor below all it may become."""
    solids, step = services.solids, site.project.level_step
    if not len(solids) or not len(ways.row):
        return _Near(solids, np.zeros(len(ways.row) + 1, np.int64), np.empty(0, np.int64))
    reach = site.book.rules.number("connection_clearance_m") + 1e-3
    zero = np.zeros(len(ways.row))
    flat = solids[:, :6] * np.array([1.0, 1.0, 0.0, 1.0, 1.0, 0.0])
    cells = sort_into_cells(flat, services.half_width, np.full(len(flat), reach))
    bores = np.column_stack((ways.joint, zero, ways.start, zero, ways.outside / 2))
    way, place, _ = near_clearances(cells, np.ascontiguousarray(bores))
    way, piece = way.astype(np.int64), cells.item[place]
    half = np.maximum(solids[piece, 7], solids[piece, 8]) + ways.outside[way] + reach
    bottom = np.minimum(solids[piece, 2], solids[piece, 5]) - half
    top = np.maximum(solids[piece, 2], solids[piece, 5]) + half
    keep = (top >= ways.lowest[way] * step) & (bottom <= ways.highest[way] * step)
    begin = np.searchsorted(way[keep], np.arange(len(ways.row) + 1)).astype(np.int64)
    return _Near(solids, begin, piece[keep])


@dataclass(frozen=True, eq=False)
class _Judge:
    """Holds pairs of levels against services and ground."""

    site: Site
    ways: _Ways
    near: _Near

    def axes(self, pairs: _Pairs) -> Floats:
        """Pipes of pairs as bores from the joint to the property, (pairs, 7). [m]"""
        ways, way, step = self.ways, pairs.way, self.site.project.level_step
        lift = ways.inside[way] / 2
        return np.column_stack((
            ways.joint[way], pairs.low * step + lift, ways.start[way], pairs.high * step + lift,
            ways.outside[way] / 2,
        ))  # fmt: skip

    def clearances(self, pairs: _Pairs) -> Floats:
        """Least clearance of pipe and riser of each pair; infinite where no service is near. [m]"""
        bores, step = self.axes(pairs), self.site.project.level_step
        risers = bores.copy()
        risers[:, 3:5] = bores[:, :2]
        risers[:, 5] = bores[:, 2] - (pairs.low - self.ways.lowest[pairs.way]) * step
        begin = self.near.begin[pairs.way]
        count = self.near.begin[pairs.way + 1] - begin
        of_bore = np.repeat(np.arange(len(bores)), count)
        behind = np.arange(len(of_bore)) - np.repeat(np.cumsum(count) - count, count)
        of_piece = self.near.piece[np.repeat(begin, count) + behind]
        least = np.full(len(bores), np.inf)
        for body in (bores, risers):
            gap, _ = pair_clearances(body, self.near.solids, of_bore, of_piece)
            np.minimum.at(least, of_bore, gap)
        return least

    def faults(self, pairs: _Pairs) -> Floats:
        """Overlap with a service, cover that lacks, clearance that lacks: (pairs, 3). [m]"""
        bores, clearance = self.axes(pairs), self.clearances(pairs)
        axis = bores[:, 2, None] + COVER_SHARES * (bores[:, 5] - bores[:, 2])[:, None]
        cover = np.nanmin(self.ways.ground[pairs.way] - axis, axis=1) - bores[:, 6]
        required = self.site.book.rules.number("connection_clearance_m")
        lacks = np.column_stack((-clearance, LEAST_COVER - cover, required - clearance))
        return np.where(lacks > SAME, lacks, 0.0).round(6)

    def best(self, pairs: _Pairs) -> _Pairs:
        """The best pair of each way: see `connect_houses`; of equal ones the highest."""
        ways, way = self.ways, pairs.way
        overlap, bare, tight = self.faults(pairs).T
        too_deep = np.maximum(ways.shallow[way] - pairs.low, 0)
        more = ways.highest[way] - pairs.high + np.abs(pairs.low - ways.preferred[way])
        order = np.lexsort((-pairs.high, more, too_deep, tight, bare, overlap, way))
        _, first = np.unique(way[order], return_index=True)
        return pairs.take(order[first])


# --- the plan's rows


def _frame(
    site: Site, route: Route, built: tuple[_Ways, _Pairs], why_not: Texts
) -> tuple[gpd.GeoDataFrame, Ints]:
    """Rows in the order of the properties' names, and the property's row of each."""
    ways, _ = built
    names = [str(name) for name in site.properties["property_id"]]
    order = np.array(sorted(range(len(names)), key=lambda i: (_natural(names[i]), i)), np.int64)
    count = len(names)
    numbers = _numbers(site, route, built)
    columns: dict[str, Any] = {"property_id": np.array(names, object), "why_not": why_not}
    for name, values in numbers.items():
        text = values.dtype == object
        columns[name] = np.full(count, "", object) if text else np.full(count, np.nan)
        columns[name][ways.row] = values
    columns["cost"] = np.nan_to_num(columns["cost"])
    columns["served"] = np.isin(np.arange(count), ways.row)
    lines = _lines_to_streets(site, route)
    lines[ways.row] = shapely.linestrings(np.stack([ways.start, ways.joint], axis=1))
    ids = np.array([f"H{number + 1}" for number in range(count)], object)
    ordered = {name: values[order] for name, values in columns.items()} | {"connection_id": ids}
    rows = {name: ordered[name] for name in PLAN_COLUMNS["connections"]}
    return gpd.GeoDataFrame(rows, geometry=lines[order]), order


def _natural(name: str) -> tuple[tuple[str, int], ...]:
    """Sort key by which a property 2 stands before a property 10."""
    return tuple((word, int(number or 0)) for word, number in re.findall(r"(\D*)(\d*)", name))


def _numbers(site: Site, route: Route, built: tuple[_Ways, _Pairs]) -> dict[str, NDArray[Any]]:
    """Columns of the served properties, by way."""
    ways, pairs = built
    step = site.project.level_step
    depth = ways.ground[:, 0] - ways.lowest * step
    method = _methods(ways, depth)
    legs, pits = (np.array([*names, ""], object) for names in (route.leg_id, route.pit_id))
    return {
        "joins": np.where(ways.pit >= 0, pits[ways.pit], legs[ways.leg]).astype(object),
        "method": method,
        "length_m": ways.length,
        "slope_pct": 100 * (pairs.high - pairs.low) * step / ways.length,
        "diameter_mm": ways.nominal,
        "invert_property_m": pairs.high * step,
        "invert_sewer_m": pairs.low * step,
        "depth_at_sewer_m": ways.ground[:, 0] - pairs.low * step,
        "cost": _costs(site, method, ways.length, (pairs.low - ways.lowest) * step),
    }


def _methods(ways: _Ways, depth: Floats) -> Texts:
    """From the pit that is joined; else a shaft, or a trench where it is short and shallow.

    The depth that decides is the one at which the sewer is entered: a trench has to lay it bare.
    """
    trench = (depth <= TRENCH_DEPTH) & (ways.length <= TRENCH_LENGTH)
    words = np.where(trench, "short trench", "shaft and saddle")
    return np.where(ways.pit >= 0, "bored from pit", words).astype(object)


def _costs(site: Site, method: Texts, length: Floats, riser: Floats) -> Floats:
    """Fixed sum and sum per metre by method, and the riser by its height."""
    costs = site.book.costs
    fixed = np.array([costs.entry("connection_fixed", str(word)) for word in method], float)
    per_m = np.array([costs.entry("connection_per_m", str(word)) for word in method], float)
    return fixed + per_m * length + riser * costs.number("connection_riser_per_m")


def _lines_to_streets(site: Site, route: Route) -> Texts:
    """Line from each property to the nearest point of its street, or of any if that is unknown."""
    streets = site.streets.geometry.to_numpy()
    names = site.streets["street"].astype(str).to_numpy()
    wanted = site.properties["street"].astype(str).to_numpy()
    points = shapely.points(route.property_xy.reshape(-1, 2))
    ends = route.property_xy.reshape(-1, 2).copy()
    for name in np.unique(wanted):
        own = streets[names == name] if name and (names == name).any() else streets
        which = np.flatnonzero(wanted == name)
        near = own[shapely.STRtree(own).nearest(points[which])]
        there = shapely.line_interpolate_point(near, shapely.line_locate_point(near, points[which]))
        ends[which] = shapely.get_coordinates(there)
    short = np.hypot(*(ends - route.property_xy.reshape(-1, 2)).T) < LEAST_LENGTH
    ends[short] = route.property_xy.reshape(-1, 2)[short] + np.array([LEAST_LENGTH, 0.0])
    return np.asarray(
        shapely.linestrings(np.stack([route.property_xy.reshape(-1, 2), ends], axis=1)), object
    )


def _with_pipes(
    frame: gpd.GeoDataFrame, order: Ints, built: tuple[_Ways, _Pairs], step: float
) -> Connections:
    """The record: rows, and the pipes of the served ones in their order."""
    ways, pairs = built
    way_of = np.full(len(order), -1)
    way_of[ways.row] = np.arange(len(ways.row))
    served = way_of[order][way_of[order] >= 0]
    lift = ways.inside / 2
    sewer = np.column_stack((ways.joint, pairs.low * step + lift))
    house = np.column_stack((ways.start, pairs.high * step + lift))
    return Connections(
        frame, order, frame["connection_id"].to_numpy(object)[way_of[order] >= 0], sewer[served],
        house[served], ways.outside[served], np.zeros(len(served), bool),
    )  # fmt: skip
