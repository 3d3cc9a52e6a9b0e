"""Builds the graph of streets: nodes where streets meet or end, links between them."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from itertools import pairwise

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from planner.model import Floats, Site
from planner.records import Ints, Link, StreetGraph

TIE_IN_REACH = 30.0  # [m] a tie-in belongs to the nearest street within this
SAME_NODE = 0.5  # [m] a tie-in this near to a node of the graph belongs to the node

Key = tuple[int, int]


def build_graph(site: Site, too_far: float) -> StreetGraph:
    """Turn the streets into a graph that does not depend on how they were drawn.

    Parameters
    ----------
    site
        The site; streets that join share vertices exactly.
    too_far
        Longest connection. [m]
    """
    pieces = _split_at_nodes(site.streets)
    node_xy, links = _number_nodes(pieces)
    links, node_xy, tie_in_node = _add_tie_ins(site, links, node_xy)
    xy = property_points(site, links)
    link, station, why_not = _place_properties(site, links, xy, too_far)
    return StreetGraph(node_xy, tuple(links), tie_in_node, link, station, xy, why_not)


def _key(point: Floats) -> Key:
    return round(point[0] * 1e4), round(point[1] * 1e4)


@dataclass(frozen=True, eq=False)
class _Segment:
    """One segment of one street row, in the order it was drawn."""

    start: Key
    end: Key
    row: int


def _segments(streets: gpd.GeoDataFrame) -> tuple[list[_Segment], dict[Key, Floats]]:
    """Every segment of every street once, and the coordinates behind each key."""
    found: dict[tuple[Key, Key], _Segment] = {}
    points: dict[Key, Floats] = {}
    for row, line in enumerate(streets.geometry):
        xy = shapely.get_coordinates(line)
        keys = [_key(p) for p in xy]
        points.update(zip(keys, xy, strict=True))
        for start, end in pairwise(keys):
            if start != end:
                ordered = (min(start, end), max(start, end))
                found.setdefault(ordered, _Segment(start, end, row))
    return [found[ends] for ends in sorted(found)], points


def _split_at_nodes(streets: gpd.GeoDataFrame) -> list[Link]:
    """Chains of segments between vertices where the number of streets is not two."""
    segments, points = _segments(streets)
    allowed = (streets["sewer"] != "forbidden").to_numpy()
    at: dict[Key, list[int]] = defaultdict(list)
    for i, segment in enumerate(segments):
        at[segment.start].append(i)
        at[segment.end].append(i)
    nodes = {key for key, ends in at.items() if _is_node(ends, segments, allowed)}
    used = np.zeros(len(segments), bool)
    links: list[Link] = []
    for key in sorted(nodes) + sorted(set(at) - nodes):
        for first in sorted(at[key], key=lambda i: _other_end(segments[i], key)):
            if not used[first]:
                chain = _walk(key, first, segments, at, nodes, used)
                links.append(_link_of(chain, segments, points, allowed))
    return [_canonical(link) for link in links]


def _is_node(ends: list[int], segments: list[_Segment], allowed: NDArray[np.bool_]) -> bool:
    if len(ends) != 2:
        return True
    first, second = (bool(allowed[segments[i].row]) for i in ends)
    return first != second


def _other_end(segment: _Segment, key: Key) -> Key:
    return segment.end if segment.start == key else segment.start


def _walk(
    start: Key,
    first: int,
    segments: list[_Segment],
    at: dict[Key, list[int]],
    nodes: set[Key],
    used: NDArray[np.bool_],
) -> list[tuple[int, Key, Key]]:
    """Follow segments from a node to the next one; marks them in ``used``."""
    chain: list[tuple[int, Key, Key]] = []
    here, index = start, first
    while True:
        used[index] = True
        there = _other_end(segments[index], here)
        chain.append((index, here, there))
        if there in nodes or there == start:
            return chain
        index = next(i for i in at[there] if not used[i])
        here = there


def _link_of(
    chain: list[tuple[int, Key, Key]],
    segments: list[_Segment],
    points: dict[Key, Floats],
    allowed: NDArray[np.bool_],
) -> Link:
    keys = [chain[0][1]] + [there for _, _, there in chain]
    rows = np.array([segments[i].row for i, _, _ in chain])
    flipped = np.array([segments[i].start != here for i, here, _ in chain])
    xy = np.array([points[key] for key in keys])
    return Link(-1, -1, xy, rows, flipped, bool(allowed[rows].all()))


def _canonical(link: Link) -> Link:
    """Walk from the end with the smaller coordinates, whatever way it was drawn."""
    forward = [tuple(p) for p in link.xy]
    return link if forward <= forward[::-1] else link.reversed()


def _number_nodes(pieces: list[Link]) -> tuple[Floats, list[Link]]:
    keys = sorted({_key(p) for link in pieces for p in (link.xy[0], link.xy[-1])})
    number = {key: i for i, key in enumerate(keys)}
    links = [
        Link(number[_key(p.xy[0])], number[_key(p.xy[-1])], p.xy, p.rows, p.flipped,
             p.sewer_allowed)
        for p in pieces
    ]  # fmt: skip
    links.sort(key=lambda link: (link.a, link.b, tuple(map(tuple, link.xy))))
    return np.array(keys, float) / 1e4, links


def _add_tie_ins(site: Site, links: list[Link], node_xy: Floats) -> tuple[list[Link], Floats, Ints]:
    """Give each tie-in a node on its nearest street, splitting the link where it must."""
    nodes = list(map(tuple, node_xy))
    tie_in_node = np.full(len(site.tie_ins), -1)
    order = np.argsort(site.tie_ins["tie_in_id"].astype(str).to_numpy(), kind="stable")
    for i in order:
        xy = shapely.get_coordinates(site.tie_ins.geometry.iloc[i])[0]
        near = _nearest_link(links, xy, [link.sewer_allowed for link in links])
        if near is None or near[1] > TIE_IN_REACH:
            continue
        index, _, station = near
        link = links[index]
        ends = (np.hypot(*(link.xy[0] - xy)), np.hypot(*(link.xy[-1] - xy)))
        if station < SAME_NODE or (ends[0] < SAME_NODE and ends[0] <= ends[1]):
            tie_in_node[i] = link.a
        elif link.length - station < SAME_NODE or ends[1] < SAME_NODE:
            tie_in_node[i] = link.b
        else:
            nodes.append(point_at(link, station))
            tie_in_node[i] = len(nodes) - 1
            links[index : index + 1] = split_link(link, station, len(nodes) - 1)
    return links, np.array(nodes, float).reshape(-1, 2), tie_in_node


def point_at(link: Link, station: float) -> tuple[float, float]:
    """Point of the centreline at a station. [m]"""
    return (
        float(np.interp(station, link.stations, link.xy[:, 0])),
        float(np.interp(station, link.stations, link.xy[:, 1])),
    )


def split_link(link: Link, station: float, node: int) -> list[Link]:
    """Two links that meet in a new node at a station of this one."""
    cut = np.array([point_at(link, station)])
    i = int(np.searchsorted(link.stations, station, side="right")) - 1
    i = min(i, len(link.rows) - 1)
    upto = np.vstack([link.xy[: i + 1], cut]) if link.stations[i] < station else link.xy[: i + 1]
    j = i if link.stations[i] < station else i - 1
    return [
        Link(link.a, node, upto, link.rows[: j + 1], link.flipped[: j + 1], link.sewer_allowed),
        Link(node, link.b, np.vstack([cut, link.xy[i + 1 :]]), link.rows[i:], link.flipped[i:],
             link.sewer_allowed),
    ]  # fmt: skip


def _nearest_link(
    links: list[Link], xy: Floats, usable: list[bool]
) -> tuple[int, float, float] | None:
    """Index, distance and station of the nearest usable link; ties go to the first."""
    best: tuple[int, float, float] | None = None
    point = shapely.Point(xy)
    for i, link in enumerate(links):
        if usable[i]:
            line = shapely.LineString(link.xy)
            distance = line.distance(point)
            if best is None or distance < best[1] - 1e-9:
                best = (i, distance, line.project(point))
    return best


def property_points(site: Site, links: list[Link]) -> Floats:
    """Where each property's connection starts: the point, or the polygon's nearest to a street."""
    lines = shapely.STRtree([shapely.LineString(link.xy) for link in links])
    points = []
    for shape in site.properties.geometry:
        if shape.geom_type == "Point":
            points.append(shapely.get_coordinates(shape)[0])
            continue
        nearest = lines.geometries[lines.nearest(shape)]
        points.append(shapely.get_coordinates(shapely.shortest_line(shape, nearest))[0])
    return np.array(points, float).reshape(-1, 2)


def _place_properties(
    site: Site, links: list[Link], xy: Floats, too_far: float
) -> tuple[Ints, Floats, tuple[str, ...]]:
    """The link each property is served from, by its street's name or the nearest one."""
    names = site.streets["street"].astype(str).to_numpy()
    on_link = [{names[row] for row in link.rows} for link in links]
    link_of = np.full(len(xy), -1)
    station_of = np.zeros(len(xy))
    why_not = []
    for i, point in enumerate(xy):
        wanted = str(site.properties["street"].iloc[i])
        usable = [
            link.sewer_allowed and (not wanted or wanted in on_link[j])
            for j, link in enumerate(links)
        ]
        near = _nearest_link(links, point, usable)
        why_not.append(_why_no_street(near, wanted, too_far))
        if near is not None and not why_not[-1]:
            link_of[i], station_of[i] = near[0], near[2]
    return link_of, station_of, tuple(why_not)


def _why_no_street(near: tuple[int, float, float] | None, wanted: str, too_far: float) -> str:
    if near is None:
        of_name = f" of the name {wanted!r}" if wanted else ""
        return f"no street{of_name} in which a sewer is allowed"
    if near[1] > too_far:
        return f"too far: {near[1]:.1f} m from the street, the longest connection is {too_far:g} m"
    return ""
