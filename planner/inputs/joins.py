"""Joins streets that meet but share no vertex, and says which cross without a junction."""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np
import shapely

from planner.inputs.crs import LOCAL_GRID
from planner.inputs.vector import Ints, Objects
from planner.model import Floats

REACH = 1.0  # [m] ends that come so near to another street are taken to meet it
OWN_REACH = 10.0  # [m] along a line, within which its end is not joined to itself


class Joined(NamedTuple):
    """Lines after joining, and which of them were moved or got a vertex."""

    lines: Objects
    moved: Ints
    split: Ints
    furthest: float  # [m]


class _Ends(NamedTuple):
    line: Ints
    place: Ints  # place of the end among the vertices
    xy: Floats


def join_ends(lines: Objects) -> Joined:
    """Lines whose ends, where they come near to another, share a vertex with it exactly.

    An end within 1 m of a vertex of another line moves onto it; else one within 1 m of another
    line's inside moves onto that line, which gets a vertex there. Where several ends meet they
    move to the inner vertex if there is one, else to the one furthest west, then south. An end
    that shares a vertex already is moved by other ends only.

    Parameters
    ----------
    lines : (n,)
        Lines in the local frame, rounded to its grid.
    """
    if len(lines) == 0:
        return Joined(lines, np.empty(0, np.int64), np.empty(0, np.int64), 0.0)
    xy, owner = shapely.get_coordinates(lines, return_index=True)
    ends = _ends_of(owner, xy)
    target = _nearest_vertices(xy, owner, ends)
    moved_xy = xy.copy()
    moved_xy[ends.place] = target
    lines = shapely.set_coordinates(lines.copy(), moved_xy)
    return _meet_insides(lines, np.hypot(*(moved_xy - xy).T), owner)


def _ends_of(owner: Ints, xy: Floats) -> _Ends:
    first = np.flatnonzero(np.diff(owner, prepend=-1) != 0)
    last = np.append(first[1:], len(owner)) - 1
    place = np.concatenate([first, last])
    return _Ends(owner[place], place, xy[place])


def _stations(xy: Floats, owner: Ints) -> Floats:
    """Distance of each vertex along its line. [m]"""
    steps = np.hypot(*np.diff(xy, axis=0, prepend=xy[:1]).T)
    first = np.flatnonzero(np.diff(owner, prepend=-1) != 0)
    steps[first] = 0.0
    total = np.cumsum(steps)
    stations: Floats = total - total[first][np.searchsorted(first, np.arange(len(xy)), "right") - 1]
    return stations


def _nearest_vertices(xy: Floats, owner: Ints, ends: _Ends) -> Floats:
    """Where each end moves: to a vertex within reach, or nowhere."""
    station = _stations(xy, owner)
    close = _perhaps_near(xy, ends.xy)
    tree = shapely.STRtree(shapely.points(xy[close]))
    which, near = tree.query(shapely.points(ends.xy), predicate="dwithin", distance=REACH)
    near = close[near]
    own = owner[near] == ends.line[which]
    apart = np.abs(station[near] - station[ends.place[which]]) > OWN_REACH
    usable = ~own | apart
    which, near = which[usable], near[usable]
    is_end = np.zeros(len(xy), bool)
    is_end[ends.place] = True
    gap = np.hypot(*(xy[near] - ends.xy[which]).T)
    joined = np.zeros(len(ends.place), bool)
    joined[which[gap == 0]] = True
    target = ends.xy.copy()
    inner = ~is_end[near] & (~joined[which] | (gap == 0))
    _move_to_inner(target, (xy, which[inner], near[inner], gap[inner]))
    at_end = is_end[near]
    _gather_ends(target, (ends, which[at_end], near[at_end]))
    return target


def _perhaps_near(xy: Floats, ends: Floats) -> Ints:
    """Vertices in the squares about the ends, the reach wide: no other can be within reach."""
    squares = np.floor(xy / REACH).astype(np.int64)
    about = np.floor(ends / REACH).astype(np.int64)
    steps = np.array([(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1)])
    wanted = (about[:, None, :] + steps).reshape(-1, 2)
    width = np.int64(1 << 31)
    return np.flatnonzero(
        np.isin(squares[:, 0] * width + squares[:, 1], wanted[:, 0] * width + wanted[:, 1])
    )


def _move_to_inner(target: Floats, found: tuple[Floats, Ints, Ints, Floats]) -> None:
    xy, which, near, gap = found
    order = np.lexsort((xy[near, 1], xy[near, 0], gap, which))
    chosen, at = np.unique(which[order], return_index=True)
    target[chosen] = xy[near[order[at]]]


def _gather_ends(target: Floats, found: tuple[_Ends, Ints, Ints]) -> None:
    """Ends that meet move to one place: to the inner vertex that one of them goes to, if any."""
    ends, which, near = found
    order = np.argsort(ends.place, kind="stable")
    other = order[np.searchsorted(ends.place[order], near)]
    group = np.arange(len(ends.place))
    while True:
        least = group.copy()
        np.minimum.at(least, which, group[other])
        np.minimum.at(least, other, group[which])
        if (least == group).all():
            break
        group = least
    settled = (target != ends.xy).any(axis=1)
    rank = np.lexsort((target[:, 1], target[:, 0], ~settled, group))
    named, at = np.unique(group[rank], return_index=True)
    target[:] = target[rank[at]][np.searchsorted(named, group)]


def _meet_insides(lines: Objects, shift: Floats, owner: Ints) -> Joined:
    """Ends that still touch nothing move onto the inside of a line within reach."""
    xy, owner = shapely.get_coordinates(lines, return_index=True)
    ends = _ends_of(owner, xy)
    free = _touch_nothing(xy, ends)
    points = shapely.points(ends.xy[free])
    which, near = shapely.STRtree(lines).query(points, predicate="dwithin", distance=REACH)
    usable = near != ends.line[free][which]
    which, near = which[usable], near[usable]
    moved = np.zeros(len(lines), bool)
    moved[owner[shift > 0]] = True
    if len(which) == 0:
        return Joined(lines, np.flatnonzero(moved), np.empty(0, int), float(shift.max(initial=0)))
    at = shapely.line_locate_point(lines[near], points[which])
    spot = shapely.get_coordinates(shapely.line_interpolate_point(lines[near], at))
    spot = np.round(spot / LOCAL_GRID) / round(1 / LOCAL_GRID)
    gap = np.hypot(*(spot - ends.xy[free][which]).T)
    order = np.lexsort((spot[:, 1], spot[:, 0], gap, which))
    first = order[np.unique(which[order], return_index=True)[1]]
    xy[ends.place[free][which[first]]] = spot[first]
    moved[ends.line[free][which[first]]] |= gap[first] > 0
    lines = shapely.set_coordinates(lines, xy)
    lines = _with_vertices(lines, near[first], (at[first], spot[first]))
    furthest = max(float(shift.max(initial=0)), float(gap[first].max(initial=0)))
    return Joined(lines, np.flatnonzero(moved), np.unique(near[first]), furthest)


def _touch_nothing(xy: Floats, ends: _Ends) -> Ints:
    """Places among the ends of those that share their vertex with no other vertex."""
    _, place, count = np.unique(xy, axis=0, return_inverse=True, return_counts=True)
    return np.flatnonzero(count[place.ravel()[ends.place]] == 1)


def _with_vertices(lines: Objects, which: Ints, spots: tuple[Floats, Floats]) -> Objects:
    """Lines with a vertex more at each spot, by its distance along."""
    along, spot = spots
    out = lines.copy()
    for line in np.unique(which).tolist():
        mine = which == line
        xy = shapely.get_coordinates(out[line])
        steps = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
        every = np.vstack([xy, spot[mine]])
        order = np.argsort(np.concatenate([steps, along[mine]]), kind="stable")
        every = every[order]
        fresh = np.concatenate([[True], (np.diff(every, axis=0) != 0).any(axis=1)])
        if fresh.sum() > 1:
            out[line] = shapely.linestrings(every[fresh])
    return out


def crossings_without_vertex(lines: Objects) -> list[tuple[int, int]]:
    """Pairs of lines that cross at a place where not both have a vertex."""
    first, second = shapely.STRtree(lines).query(lines, predicate="crosses")
    once = first < second
    first, second = first[once], second[once]
    meet = shapely.intersection(lines[first], lines[second])
    spots, pair = shapely.get_coordinates(meet, return_index=True)
    vertices = {
        line: {tuple(xy) for xy in shapely.get_coordinates(lines[line]).round(3).tolist()}
        for line in np.unique(np.concatenate([first, second])).tolist()
    }
    found = set()
    for spot, i in zip(spots.round(3).tolist(), pair.tolist(), strict=True):
        a, b = int(first[i]), int(second[i])
        if tuple(spot) not in vertices[a] or tuple(spot) not in vertices[b]:
            found.add((a, b))
    return sorted(found)


def split_at_own_vertices(line: shapely.LineString) -> list[shapely.LineString]:
    """A line in pieces that neither close nor touch themselves at a vertex.

    Examples
    --------
    >>> ring = shapely.LineString([(0, 0), (10, 0), (10, 10), (0, 10), (0, 0)])
    >>> [piece.length for piece in split_at_own_vertices(ring)]
    [20.0, 20.0]
    """
    xy = shapely.get_coordinates(line)
    _, place, count = np.unique(xy, axis=0, return_inverse=True, return_counts=True)
    cuts = set(np.flatnonzero(count[place.ravel()] > 1).tolist()) - {0, len(xy) - 1}
    pieces = _cut(xy, sorted(cuts))
    halves = [half for piece in pieces for half in _halves(piece)]
    return [shapely.LineString(piece) for piece in halves]


def _cut(xy: Floats, cuts: list[int]) -> list[Floats]:
    ends = [0, *cuts, len(xy) - 1]
    return [xy[a : b + 1] for a, b in pairwise(ends)]


def _halves(xy: Floats) -> list[Floats]:
    """A ring in two, at the vertex nearest to half its length; anything else whole."""
    if len(xy) < 4 or (xy[0] != xy[-1]).any():
        return [xy]
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    middle = int(np.argmin(np.abs(along[1:-1] - along[-1] / 2))) + 1
    return _cut(xy, [middle])
