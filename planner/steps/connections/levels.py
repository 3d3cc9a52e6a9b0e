"""Chooses the levels of connections: clear of services, covered, and with little digging."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from planner.kernels.clearance import pair_clearances
from planner.kernels.neighbours import near_clearances, sort_into_cells
from planner.model import Floats, Site
from planner.records import Bools, Ints
from planner.steps.connections.ways import COVER_SHARES, Ways

SAME = 1e-9  # [m] a clearance that lacks less than this keeps what is required
COARSE = 32  # levels tried between the highest and the lowest, at first
COARSE_STEP = 0.05  # [m] and they need not be closer than this
BATCH = 100  # ways whose levels are tried at once, which bounds the memory
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
class Near:
    """Pieces of services near each way: those of way ``i`` are ``begin[i]`` to ``begin[i + 1]``."""

    solids: Floats
    begin: Ints  # (ways + 1,)
    piece: Ints  # (pairs,)


@dataclass(frozen=True, eq=False)
class Pairs:
    """Pairs of levels that are tried: the way, and the level at property and sewer."""

    way: Ints
    high: Floats  # [levels]
    low: Floats  # [levels]

    def take(self, which: Ints | Bools) -> Pairs:
        """Some of the pairs."""
        return Pairs(self.way[which], self.high[which], self.low[which])


def choose_levels(site: Site, ways: Ways, services: SolidServices) -> tuple[Pairs, Floats]:
    """The best pair of levels of each way, and its faults as `Judge` has them.

    Of all pairs on the grid the one that keeps clear of services, then is covered, then is no
    deeper at the sewer than `connection_max_depth_m`, then asks for the least metres of digging
    at the property and of riser on the sewer. The simplest pair first; where it is not clear and
    covered, pairs all over the range, then closer and closer about the best one.
    """
    judge = Judge(site, ways, _near_pieces(site, ways, services))
    simple = Pairs(np.arange(len(ways.row)), ways.highest, ways.preferred)
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
    best = Pairs(simple.way, high, low)
    return best, judge.faults(best)


def _coarse_steps(ways: Ways, level_step: float) -> Floats:
    """Steps between the levels that are tried first. [levels]"""
    return np.maximum(
        np.ceil((ways.highest - ways.lowest) / COARSE), np.ceil(COARSE_STEP / level_step)
    )


def _pairs_all_over(ways: Ways, which: Ints, step: Floats) -> Pairs:
    """Pairs at a distance of steps, from the highest level down and from the preferred on."""
    down, aside = np.arange(COARSE + 1), np.arange(-COARSE, COARSE + 1)
    high = ways.highest[which, None, None] - step[:, None, None] * down[:, None]
    low = ways.preferred[which, None, None] + step[:, None, None] * aside
    return _allowed(ways, which, high, low)


def _pairs_around(ways: Ways, best: Pairs, step: Floats) -> Pairs:
    """Pairs about the best ones, two steps each way."""
    high = best.high[:, None, None] + step[:, None, None] * SECOND[:, None]
    low = best.low[:, None, None] + step[:, None, None] * SECOND
    return _allowed(ways, best.way, high, low)


def _allowed(ways: Ways, which: Ints, high: Floats, low: Floats) -> Pairs:
    """Those pairs that fall enough, between the floor and the sewer."""
    high, low = np.broadcast_arrays(high, low)
    way = np.broadcast_to(which[:, None, None], high.shape)
    keep = (high <= ways.highest[way]) & (low >= ways.lowest[way])
    keep &= high - low >= ways.fall[way]
    return Pairs(way[keep], high[keep], low[keep])


def _near_pieces(site: Site, ways: Ways, services: SolidServices) -> Near:
    """Pieces that are near each way in plan, and neither above nor below all it may become."""
    solids, step = services.solids, site.project.level_step
    if not len(solids) or not len(ways.row):
        return Near(solids, np.zeros(len(ways.row) + 1, np.int64), np.empty(0, np.int64))
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
    return Near(solids, begin, piece[keep])


@dataclass(frozen=True, eq=False)
class Judge:
    """Holds pairs of levels against services and ground."""

    site: Site
    ways: Ways
    near: Near

    def axes(self, pairs: Pairs) -> Floats:
        """Pipes of pairs as bores from the joint to the property, (pairs, 7). [m]"""
        ways, way, step = self.ways, pairs.way, self.site.project.level_step
        lift = ways.inside[way] / 2
        return np.column_stack((
            ways.joint[way], pairs.low * step + lift, ways.start[way], pairs.high * step + lift,
            ways.outside[way] / 2,
        ))  # fmt: skip

    def clearances(self, pairs: Pairs) -> Floats:
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

    def faults(self, pairs: Pairs) -> Floats:
        """Overlap with a service, cover that lacks, clearance that lacks: (pairs, 3). [m]"""
        bores, clearance = self.axes(pairs), self.clearances(pairs)
        axis = bores[:, 2, None] + COVER_SHARES * (bores[:, 5] - bores[:, 2])[:, None]
        cover = np.nanmin(self.ways.ground[pairs.way] - axis, axis=1) - bores[:, 6]
        required = self.site.book.rules.number("connection_clearance_m")
        lacks = np.column_stack(
            (
                -clearance,
                self.site.book.rules.number("connection_cover_m") - cover,
                required - clearance,
            )
        )
        return np.where(lacks > SAME, lacks, 0.0).round(6)

    def best(self, pairs: Pairs) -> Pairs:
        """The best pair of each way: see `choose_levels`; of equal ones the highest."""
        ways, way = self.ways, pairs.way
        overlap, bare, tight = self.faults(pairs).T
        too_deep = np.maximum(ways.shallow[way] - pairs.low, 0)
        more = ways.highest[way] - pairs.high + np.abs(pairs.low - ways.preferred[way])
        order = np.lexsort((-pairs.high, more, too_deep, tight, bare, overlap, way))
        _, first = np.unique(way[order], return_index=True)
        return pairs.take(order[first])
