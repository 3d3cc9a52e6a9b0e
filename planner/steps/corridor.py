"""Where legs may run and pits may stand: the right of way, and what stands in it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from planner.kernels.pairs import Edges, Sizes
from planner.kernels.plane import build_grid
from planner.model import Floats, Site
from planner.records import Bools, Cause, Corridor, Ints

CHORD_REACH = 2.6  # [m] half of the step at which chords ask the grid
WALL_CELL = 5.0  # [m] cells of the grid over edges
PIT_CELL = 6.0  # [m] cells of the grid over obstacles
TOUCH = 0.005  # [m] legs and pits keep this much inside the right of way
SILENT_FEATURES = ("school", "bus_stop")  # their distance is about hours, or along the street
IN_WORDS = {"overhead": "an overhead line", "emergency": "an emergency entrance"}
NO_ROOM = Cause("no room in the right of way", "")


class Ban(NamedTuple):
    """Something that pits keep away from; an area bans its inside too."""

    shape: BaseGeometry
    away: float  # [m]
    cause: Cause


def find_corridor(site: Site) -> Corridor:
    """The room that a site leaves for legs and pits."""
    row = right_of_way(site)
    inside = row.buffer(-TOUCH)
    no_legs = shapely.union_all(_keep_outs(site, "legs"))
    free = inside.difference(no_legs)
    bans = [Ban(inside.boundary, 0.0, NO_ROOM), *_bans(site)]
    areas = [k for k, ban in enumerate(bans) if ban.shape.geom_type.endswith("Polygon")]
    obstacles, ban_of = _obstacles(bans, pit_sizes(site))
    return Corridor(
        right_of_way=row,
        walls=_edges(_segments(free.boundary), 0.0, CHORD_REACH, WALL_CELL),
        obstacles=obstacles,
        no_pits=shapely.union_all([bans[k].shape for k in areas]),
        bus_stops=_bus_stops(site),
        cut_streets=_cut_streets(site),
        sizes=pit_sizes(site),
        causes=tuple(ban.cause for ban in bans),
        cause_of_obstacle=ban_of,
        areas=tuple(bans[k].shape for k in areas),
        cause_of_area=np.array(areas, np.int64),
    )


def pit_sizes(site: Site) -> Sizes:
    """Half sides of launch and exit pits, outside of the shoring. [m]"""
    figure = site.book.equipment.number
    shoring = figure("shoring_m")
    names = ("launch_pit_length_m", "launch_pit_width_m", "exit_pit_length_m", "exit_pit_width_m")
    return Sizes(*(figure(name) / 2 + shoring for name in names))


def right_of_way(site: Site) -> BaseGeometry:
    """The given polygons, or the centrelines buffered by half their row width, round ends."""
    if len(site.right_of_way):
        return shapely.union_all(site.right_of_way.geometry.to_numpy())
    half = site.streets["row_width_m"].to_numpy(float) / 2
    return shapely.union_all(shapely.buffer(site.streets.geometry.to_numpy(), half, quad_segs=16))


def in_force(site: Site, until: str) -> bool:
    """Whether a ban that ends on a date still holds on the project's date; it does without one."""
    return not until or not site.project.date or until > site.project.date


def _keep_outs(site: Site, what: str) -> list[BaseGeometry]:
    keep = site.keep_out[_keeps_out(site, what)]
    return list(keep.geometry)


def _keeps_out(site: Site, what: str) -> Bools:
    """Which keep-outs are in force for a thing."""
    rows = zip(site.keep_out["applies_to"], site.keep_out["until"].astype(str), strict=True)
    return np.array(
        [in_force(site, end) and (not kinds or what in _words(kinds)) for kinds, end in rows], bool
    )


def _words(text: str) -> set[str]:
    return {word.strip() for word in str(text).split(",")}


def _bans(site: Site) -> Iterator[Ban]:
    """All that pits keep away from: what is forbidden, street features, live services, by name."""
    for found in (_forbidden(site), _features(site), _services(site)):
        yield from sorted(found, key=lambda ban: ban.cause)


def _forbidden(site: Site) -> Iterator[Ban]:
    """Keep-outs for pits and zones that may not be cut, those that are in force."""
    for row in site.keep_out[_keeps_out(site, "pits")].itertuples():
        reason = f"keep-out until {row.until}" if str(row.until) else "keep-out"
        yield Ban(row.geometry, 0.0, Cause(reason, _named("keep_out", row.row, row.reason)))
    for row in site.zones.itertuples():
        until = str(row.no_cut_until)
        if until and in_force(site, until):
            name = _named("zones", row.row, row.reason)
            yield Ban(row.geometry, 0.0, Cause(f"no cut until {until}", name))


def _features(site: Site) -> Iterator[Ban]:
    for row in site.street_features.itertuples():
        if row.kind not in SILENT_FEATURES:
            what = IN_WORDS.get(str(row.kind), f"a {row.kind}").replace("_", " ")
            name = _named("street_features", row.row, row.name)
            yield Ban(row.geometry, float(row.clear_m), Cause(f"too near to {what}", name))


def _services(site: Site) -> Iterator[Ban]:
    gap = site.book.rules.number("pit_clearance_m")
    live = site.utilities[site.utilities["status"] == "live"]
    columns = live[["width_m", "outside_diameter_m"]].astype(float)
    half = np.nan_to_num(columns.to_numpy()).max(axis=1, initial=0.0) / 2
    for shape, away, kind, name in zip(
        live.geometry, half + gap, live["kind"], live["utility_id"], strict=True
    ):
        yield Ban(shape, float(away), Cause(f"too near to a live service ({kind})", str(name)))


def _named(layer: str, row: int, name: object) -> str:
    """What a thing is called: by its name, else by its row."""
    return str(name) if name else f"{layer} row {row}"


def _cut_streets(site: Site) -> frozenset[int]:
    until = site.streets["no_cut_until"].astype(str)
    return frozenset(i for i, day in enumerate(until) if day and in_force(site, day))


def _segments(lines: BaseGeometry) -> Floats:
    """Every segment of some lines, rings or points, as rows of four coordinates."""
    found = [np.empty((0, 4))]
    for part in shapely.get_parts(lines):
        xy = shapely.get_coordinates(part)
        if len(xy) == 1:
            xy = np.vstack([xy, xy])
        found.append(np.hstack([xy[:-1], xy[1:]]))
    return np.vstack(found)


def _edges(segments: Floats, clear: float | Floats, reach: float, cell: float) -> Edges:
    distance = np.broadcast_to(np.asarray(clear, float), len(segments)).copy()
    segments = np.ascontiguousarray(segments)
    return Edges(segments, distance, *build_grid(segments, distance + reach, cell))


def _obstacles(bans: list[Ban], sizes: Sizes) -> tuple[Edges, Ints]:
    """Outlines that pits keep clear of, in the order of their bans, and the ban of each."""
    pieces = []
    for ban in bans:
        area = ban.shape.geom_type.endswith("Polygon")
        pieces.append(_segments(shapely.force_2d(ban.shape.boundary if area else ban.shape)))
    ban_of = np.repeat(np.arange(len(bans)), [len(piece) for piece in pieces])
    clear = np.array([ban.away for ban in bans])[ban_of]
    diagonal = float(np.hypot(sizes.launch_length, sizes.launch_width))
    return _edges(np.vstack(pieces), clear, diagonal, PIT_CELL), ban_of.astype(np.int64)


def _bus_stops(site: Site) -> Floats:
    stops = site.street_features[site.street_features["kind"] == "bus_stop"]
    if not len(stops):
        return np.empty((0, 3))
    centre = shapely.get_coordinates(shapely.centroid(stops.geometry.to_numpy()))
    return np.column_stack([centre, stops["clear_m"].to_numpy(float)])
