"""Where legs may run and pits may stand: the right of way, and what stands in it."""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from planner.kernels.pairs import Edges, Sizes
from planner.kernels.plane import build_grid
from planner.model import Floats, Site
from planner.records import Corridor

CHORD_REACH = 2.6  # [m] half of the step at which chords ask the grid
WALL_CELL = 10.0  # [m] cells of the grid over edges
PIT_CELL = 6.0  # [m] cells of the grid over obstacles
TOUCH = 0.005  # [m] legs and pits keep this much inside the right of way
SILENT_FEATURES = ("school", "bus_stop")  # their distance is about hours, or along the street


def find_corridor(site: Site) -> Corridor:
    """The room that a site leaves for legs and pits."""
    row = right_of_way(site)
    inside = row.buffer(-TOUCH)
    no_legs = shapely.union_all(_keep_outs(site, "legs"))
    free = inside.difference(no_legs)
    no_pits = shapely.union_all(_keep_outs(site, "pits") + _uncut_zones(site))
    return Corridor(
        right_of_way=row,
        walls=_edges(_segments(free.boundary), 0.0, CHORD_REACH, WALL_CELL),
        obstacles=_obstacles(site, inside, no_pits),
        no_pits=shapely.union_all([no_pits, *_feature_areas(site)]),
        bus_stops=_bus_stops(site),
        cut_streets=_cut_streets(site),
        sizes=pit_sizes(site),
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
    return [
        shape
        for shape, applies, until in zip(
            site.keep_out.geometry, site.keep_out["applies_to"], site.keep_out["until"],
            strict=True,
        )
        if in_force(site, str(until)) and (not applies or what in _words(applies))
    ]  # fmt: skip


def _words(text: str) -> set[str]:
    return {word.strip() for word in str(text).split(",")}


def _uncut_zones(site: Site) -> list[BaseGeometry]:
    bans = zip(site.zones.geometry, site.zones["no_cut_until"].astype(str), strict=True)
    return [shape for shape, until in bans if until and in_force(site, until)]


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


def _obstacles(site: Site, inside: BaseGeometry, no_pits: BaseGeometry) -> Edges:
    """What pits keep clear of: edges, live services and street features."""
    pieces = [_segments(inside.boundary), _segments(no_pits.boundary)]
    clear = [np.zeros(len(p)) for p in pieces]
    gap = site.book.rules.number("pit_clearance_m")
    for shape, width, diameter, status in zip(
        site.utilities.geometry, site.utilities["width_m"].astype(float),
        site.utilities["outside_diameter_m"].astype(float), site.utilities["status"], strict=True,
    ):  # fmt: skip
        if status == "live":
            half = np.nanmax([0.0, width / 2, diameter / 2])
            pieces.append(_segments(shapely.force_2d(shape)))
            clear.append(np.full(len(pieces[-1]), half + gap))
    features = site.street_features
    for shape, kind, distance in zip(
        features.geometry, features["kind"], features["clear_m"].astype(float), strict=True
    ):
        if kind not in SILENT_FEATURES:
            outline = shape.boundary if shape.geom_type.endswith("Polygon") else shape
            pieces.append(_segments(shapely.force_2d(outline)))
            clear.append(np.full(len(pieces[-1]), distance))
    sizes = pit_sizes(site)
    diagonal = float(np.hypot(sizes.launch_length, sizes.launch_width))
    return _edges(np.vstack(pieces), np.concatenate(clear), diagonal, PIT_CELL)


def _feature_areas(site: Site) -> list[BaseGeometry]:
    """Areas of street features, in which no pit's centre may lie, however large they are."""
    features = site.street_features
    loud = ~features["kind"].isin(SILENT_FEATURES)
    return [s for s in features.geometry[loud] if s.geom_type.endswith("Polygon")]


def _bus_stops(site: Site) -> Floats:
    stops = site.street_features[site.street_features["kind"] == "bus_stop"]
    if not len(stops):
        return np.empty((0, 3))
    centre = shapely.get_coordinates(shapely.centroid(stops.geometry.to_numpy()))
    return np.column_stack([centre, stops["clear_m"].to_numpy(float)])
