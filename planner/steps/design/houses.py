"""Which leg each house of a drawn design joins: the one it names, else the one along its street."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import shapely

from planner.model import Floats, Site
from planner.records import Bools, Ints, StreetGraph
from planner.steps.design.network import Fault
from planner.steps.design.rows import Rows

ALONG = 0.7  # cosine of the greatest angle between a leg and the street that it runs along
STEP = 2.0  # [m] between the points of a leg that are held against the streets
SHORTEST = 10.0  # [m] along a street from which a leg runs along it, or half of a shorter street
SAME = 1e-6  # [m]
PUMP = re.compile(r",? or a pump \([^()]*\)$")  # is said anew of each floor that is too low
REASONS = ("floor too low", "no street", "too far", "no tie-in", "capacity", "ground", "blocked")


@dataclass(frozen=True, eq=False)
class Sewer:
    """The legs that houses may join."""

    leg_id: tuple[str, ...]
    pit_id: tuple[str, ...]
    up: Ints  # (legs,) pit
    down: Ints  # (legs,)
    xy: Floats  # (pits, 2) [m]
    drains: Bools  # (legs,) whether its water reaches a tie-in


def join_houses(
    site: Site, graph: StreetGraph, sewer: Sewer, given: Rows | None
) -> tuple[Ints, list[str], list[Fault]]:
    """Leg of each property, -1 with a reason where there is none, and names that do not exist.

    A property joins what the design says. Else it joins the leg along its own piece of street
    that passes it, a leg reaching from its lower pit up to the next one's; where no leg runs
    there, the nearest leg that a connection can reach.
    """
    leg, why_not = _along_streets(site, graph, sewer)
    faults: list[Fault] = []
    if given is not None:
        faults = _as_given(site, sewer, given, (leg, why_not))
    for i in np.flatnonzero((leg >= 0) & ~np.append(sewer.drains, [False])[leg]):
        name = sewer.leg_id[leg[i]]
        leg[i], why_not[i] = -1, f"no tie-in: 0 tie-ins are reached from {name}, the leg beside it"
    return leg, why_not, faults


def _along_streets(site: Site, graph: StreetGraph, sewer: Sewer) -> tuple[Ints, list[str]]:
    near, away = _nearest_legs(graph.property_xy, sewer)
    reach = site.book.rules.number("connection_max_length_m")
    spans = _spans(graph, sewer)
    leg, why_not = np.full(len(near), -1), [""] * len(near)
    for i, (link, station) in enumerate(
        zip(graph.property_link.tolist(), graph.property_station.tolist(), strict=True)
    ):
        mine = [span for span in spans if span[1] == link]
        if mine:
            leg[i] = min((_misses(span, station), span[0]) for span in mine)[1]
        elif near[i] >= 0 and away[i] <= reach:
            leg[i] = near[i]
        elif near[i] < 0:
            why_not[i] = "no tie-in: the design has 0 legs"
        else:
            why_not[i] = f"too far: {away[i]:.1f} m from the nearest leg, the limit is {reach:g} m"
    return leg, why_not


Span = tuple[int, int, float, float, bool]  # leg, link, lowest and highest station, falls with them


def _misses(span: Span, station: float) -> tuple[float, int, int]:
    """How far a station lies off a leg's stretch; at a pit the leg above it comes first."""
    leg, _, low, high, back = span
    off = max(low - station, station - high, 0.0)
    upper_end = (station <= low + SAME) if back else (station >= high - SAME)
    return round(off, 6), int(upper_end), leg


def _spans(graph: StreetGraph, sewer: Sewer) -> list[Span]:
    """Stretches of links along which legs run."""
    if not len(sewer.up):
        return []
    lines = np.array([shapely.LineString(link.xy) for link in graph.links], object)
    tree = shapely.STRtree(lines)
    found: list[Span] = []
    for leg, (up, down) in enumerate(zip(sewer.up.tolist(), sewer.down.tolist(), strict=True)):
        ends = sewer.xy[[down, up]]
        long = float(np.hypot(*(ends[1] - ends[0])))
        share = np.linspace(0.0, 1.0, int(long / STEP) + 2)
        points = shapely.points(ends[0] + share[:, None] * (ends[1] - ends[0]))
        near = tree.nearest(points)
        for link in np.unique(near).tolist():
            span = _span(graph, leg, link, (points[near == link], (ends[1] - ends[0]) / long))
            if span is not None:
                found.append(span)
    return found


def _span(graph: StreetGraph, leg: int, link: int, part: tuple[np.ndarray, Floats]) -> Span | None:
    points, way = part
    line = graph.links[link]
    axis = shapely.LineString(line.xy)
    at = shapely.line_locate_point(axis, points)
    low, high = float(at.min()), float(at.max())
    if high - low < min(SHORTEST, line.length / 2):
        return None
    ends = shapely.get_coordinates(shapely.line_interpolate_point(axis, np.array([low, high])))
    along = ends[1] - ends[0]
    size = float(np.hypot(*along))
    cosine = float(way @ along) / size if size > 0 else 0.0
    if abs(cosine) < ALONG:
        return None
    return leg, link, low, high, cosine < 0


def _nearest_legs(xy: Floats, sewer: Sewer) -> tuple[Ints, Floats]:
    """Leg nearest to each property, -1 where there is none, and how far it is. [m]"""
    if not len(sewer.up) or not len(xy):
        return np.full(len(xy), -1), np.full(len(xy), np.inf)
    lines = shapely.linestrings(np.stack([sewer.xy[sewer.up], sewer.xy[sewer.down]], axis=1))
    points = shapely.points(xy)
    (who, which), away = shapely.STRtree(lines).query_nearest(
        points, return_distance=True, all_matches=False
    )
    near, far = np.full(len(xy), -1), np.full(len(xy), np.inf)
    near[who], far[who] = which, away
    return near, far


def _as_given(site: Site, sewer: Sewer, given: Rows, chosen: tuple[Ints, list[str]]) -> list[Fault]:
    """Put in what the design says of each property; names that do not exist are faults."""
    leg, why_not = chosen
    of_property = {name: i for i, name in enumerate(site.properties["property_id"].astype(str))}
    legs = {name: i for i, name in enumerate(sewer.leg_id)}
    pits = {name: i for i, name in enumerate(sewer.pit_id)}
    served = [word.lower() for word in given.words("served")]
    reasons, faults = given.words("why_not"), []
    for i, (name, joins) in enumerate(
        zip(given.names("property_id"), given.names("joins"), strict=True)
    ):
        if name not in of_property:
            faults.append(Fault("property_exists", name, 0.0, 1.0))
            continue
        row = of_property[name]
        if not joins and served[i] in {"false", "0", "0.0"}:
            leg[row], why_not[row] = -1, _reason(reasons[i])
        elif joins in legs:
            leg[row], why_not[row] = legs[joins], ""
        elif joins in pits:
            leg[row], why_not[row] = _leg_at(sewer, pits[joins]), ""
        elif joins:
            faults.append(Fault("joins_exists", name, 0.0, 1.0, joins))
    return faults


def _reason(text: str) -> str:
    text = PUMP.sub("", text)
    if text.startswith(REASONS):
        return text
    return f"blocked: the design draws 0 connections for it{f' ({text})' if text else ''}"


def _leg_at(sewer: Sewer, pit: int) -> int:
    """Leg that leaves a pit, else one that arrives there, else none."""
    for ends in (sewer.up, sewer.down):
        at = np.flatnonzero(ends == pit)
        if len(at):
            return int(at[0])
    return -1
