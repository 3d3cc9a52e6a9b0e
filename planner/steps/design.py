"""Turns a person's own pits and legs into a route, and says where they do not hang together."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from planner.errors import InputError
from planner.kernels.ground import sample_ground
from planner.model import Floats, Site
from planner.records import Bools, Candidates, ChainPipe, Ints, Route
from planner.rules import PipeSize

NEEDED = {
    "pits": ("pit_id",),
    "legs": ("leg_id", "up_pit", "down_pit", "invert_up_m", "invert_down_m", "diameter_mm"),
}
AT_TIE_IN = 1.0  # [m] the pit this near to a tie-in is the tie-in
AT_PIT = 0.05  # [m] a leg's end this near to its pit's point meets it
NUMBERS = ("invert_up_m", "invert_down_m", "diameter_mm")


@dataclass(frozen=True, eq=False)
class Design:
    """A design as a route, with its faults of structure and what had to be assumed.

    ``faults`` holds rule, subject, value and limit.
    """

    route: Route
    places: Candidates
    pipes: tuple[ChainPipe, ...]  # (legs,)
    faults: tuple[tuple[str, str, float, float], ...]
    assumed: tuple[str, ...]


def take_design(
    site: Site,
    pits: gpd.GeoDataFrame,
    legs: gpd.GeoDataFrame,
    sizes: tuple[PipeSize, ...],
    property_xy: Floats,
) -> Design:
    """A person's pits and legs as a route.

    Parameters
    ----------
    site
        The site they are drawn for.
    pits, legs
        Layers as in a plan, of which only the columns `NEEDED` and the geometry have to be there;
        in any CRS.
    sizes
        Pipes that can be bought.
    property_xy : (properties, 2)
        Where each property's connection starts. [m]

    Raises
    ------
    InputError
        Where a needed column, a geometry or a number is missing.
    """
    pits, legs = _checked(pits, "pits"), _checked(legs, "legs")
    pit_xy = _points(site, pits)
    faults = [("unique_id", name, float(n), 1.0) for name, n in _doubled(pits, "pit_id")]
    faults += [("unique_id", name, float(n), 1.0) for name, n in _doubled(legs, "leg_id")]
    names = pits["pit_id"].astype(str).tolist()
    number: dict[str, int] = {}
    for i, name in enumerate(names):
        number.setdefault(name, i)
    kept, missing = _with_pits(legs, number)
    faults += missing
    legs = legs.iloc[kept]
    up = np.array([number[str(name)] for name in legs["up_pit"]], np.int64)
    down = np.array([number[str(name)] for name in legs["down_pit"]], np.int64)
    tie_in = _tie_ins(site, pit_xy)
    faults += _off_their_pits(site, legs, pit_xy, up, down)
    faults += _network_faults(names, tie_in, (up, down))
    ends = (up, down, tie_in)
    return _bundle(site, (names, pit_xy), legs, ends, (sizes, property_xy), faults)


def _checked(frame: gpd.GeoDataFrame, layer: str) -> gpd.GeoDataFrame:
    for column in NEEDED[layer]:
        if column not in frame.columns:
            raise InputError(
                f"the design's layer has no column {column!r}",
                "add it; pits need pit_id; legs need " + ", ".join(NEEDED["legs"]),
                layer=layer, column=column,
            )  # fmt: skip
    for row, shape in enumerate(frame.geometry, start=1):
        if shape is None or shape.is_empty:
            raise InputError(
                "the row has no geometry", "draw it or remove it", layer=layer, row=row
            )
    for column in set(NUMBERS) & set(frame.columns):
        bad = pd.to_numeric(frame[column], errors="coerce").isna().to_numpy()
        if bad.any():
            row = int(np.argmax(bad)) + 1
            found = f"{frame[column].iloc[row - 1]!r} is no number"
            raise InputError(found, "give it", layer=layer, row=row, column=column)
    return frame


def _local(site: Site, frame: gpd.GeoDataFrame) -> np.ndarray:
    if frame.crs is not None and frame.crs != site.frame.crs:
        frame = frame.to_crs(site.frame.crs)

    def move(xy: Floats) -> Floats:
        return np.column_stack(site.frame.to_local(xy[:, 0], xy[:, 1]))

    flat = shapely.force_2d(frame.geometry.to_numpy())
    return np.asarray(shapely.transform(flat, move))


def _points(site: Site, pits: gpd.GeoDataFrame) -> Floats:
    return np.asarray(shapely.get_coordinates(shapely.centroid(_local(site, pits))))


def _doubled(frame: gpd.GeoDataFrame, column: str) -> list[tuple[str, int]]:
    counts = Counter(frame[column].astype(str))
    return [(name, n) for name, n in sorted(counts.items()) if n > 1]


def _with_pits(
    legs: gpd.GeoDataFrame, number: dict[str, int]
) -> tuple[list[int], list[tuple[str, str, float, float]]]:
    """Positions of legs whose pits exist and differ, and the faults of the others."""
    kept, faults = [], []
    for i, (leg, up, down) in enumerate(
        zip(legs["leg_id"], legs["up_pit"], legs["down_pit"], strict=True)
    ):
        there = sum(str(pit) in number for pit in (up, down))
        if there == 2 and str(up) != str(down):
            kept.append(i)
        else:
            faults.append(("pit_exists", str(leg), float(there), 2.0))
    return kept, faults


def _tie_ins(site: Site, pit_xy: Floats) -> Ints:
    """Row of the tie-in that each pit is, -1 for a pit."""
    found = np.full(len(pit_xy), -1)
    for row, point in enumerate(site.tie_ins.geometry):
        if len(pit_xy):
            away = np.hypot(*(pit_xy - shapely.get_coordinates(point)[0]).T)
            if away.min() <= AT_TIE_IN:
                found[int(away.argmin())] = row
    return found


def _off_their_pits(
    site: Site, legs: gpd.GeoDataFrame, pit_xy: Floats, up: Ints, down: Ints
) -> list[tuple[str, str, float, float]]:
    """Legs whose drawn ends lie away from their pits' points."""
    faults = []
    for name, line, u, v in zip(legs["leg_id"], _local(site, legs), up, down, strict=True):
        xy = shapely.get_coordinates(line)
        away = max(np.hypot(*(xy[0] - pit_xy[u])), np.hypot(*(xy[-1] - pit_xy[v])))
        if away > AT_PIT:
            faults.append(("leg_meets_pit", str(name), float(away), AT_PIT))
    return faults


def _network_faults(
    names: list[str], tie_in: Ints, ends: tuple[Ints, Ints]
) -> list[tuple[str, str, float, float]]:
    """Pits with several outlets, circles, and pits from which no tie-in is reached."""
    leaving: dict[int, list[int]] = defaultdict(list)
    arriving = Counter(ends[1].tolist())
    for leg, up in enumerate(ends[0].tolist()):
        leaving[up].append(leg)
    faults = []
    for pit, legs in sorted(leaving.items()):
        allowed = 1 if arriving[pit] else 2  # a summit may flow both ways
        if len(legs) > allowed:
            faults.append(("one_outlet", names[pit], float(len(legs)), float(allowed)))
    for pit, name in enumerate(names):
        seen, here = {pit}, pit
        while tie_in[here] < 0 and leaving[here]:
            here = int(ends[1][leaving[here][0]])
            if here in seen:
                faults.append(("no_circle", name, 1.0, 0.0))
                break
            seen.add(here)
        else:
            if tie_in[here] < 0:
                faults.append(("reaches_tie_in", name, 0.0, 1.0))
    return faults


def _bundle(
    site: Site,
    pits: tuple[list[str], Floats],
    legs: gpd.GeoDataFrame,
    ends: tuple[Ints, Ints, Ints],
    given: tuple[tuple[PipeSize, ...], Floats],
    faults: list[tuple[str, str, float, float]],
) -> Design:
    (names, pit_xy), (up, down, tie_in), (sizes, property_xy) = pits, ends, given
    step = site.project.level_step
    chosen = [_pipe(site, sizes, float(d)) for d in legs["diameter_mm"]]
    launch, assumed = _launches(site, legs, names, (up, down, tie_in))
    ground = _ground(site, pit_xy, tie_in)
    level_up = legs["invert_up_m"].to_numpy(float) / step
    level_down = legs["invert_down_m"].to_numpy(float) / step
    run, station = _runs(legs, up, down, np.hypot(*(pit_xy[up] - pit_xy[down]).T))
    route = Route(
        pit_id=tuple(names), pit_xy=pit_xy, pit_ground=ground,
        pit_level=_outgoing(site, (up, down, tie_in), level_up, level_down, len(names)),
        pit_tie_in=tie_in, leg_id=tuple(legs["leg_id"].astype(str)), leg_up=up, leg_down=down,
        leg_up_level=level_up, leg_down_level=level_down, leg_launch=launch,
        leg_length=np.hypot(*(pit_xy[up] - pit_xy[down]).T),
        leg_nominal=np.array([p.nominal for p in chosen], float),
        leg_inside=np.array([p.inside for p in chosen], float),
        leg_outside=np.array([p.outside for p in chosen], float),
        leg_bore=np.array([p.bore for p in chosen], float),
        leg_material=tuple(p.material for p in chosen), leg_method=tuple(p.method for p in chosen),
        run_id=run, station_down=station,
        property_leg=_nearest_legs(site, property_xy, pit_xy, up, down),
        why_not=tuple(_why_not(site, property_xy, pit_xy, up, down)), property_xy=property_xy,
        candidate=np.arange(len(names)), leg_pipe=np.arange(len(up)),
    )  # fmt: skip
    return Design(route, _places(site, pit_xy, ground, tie_in), tuple(chosen), tuple(faults),
                  tuple(assumed))  # fmt: skip


def _pipe(site: Site, sizes: tuple[PipeSize, ...], nominal: float) -> ChainPipe:
    """The pipe of the planner's method and the nearest nominal size."""
    method = site.book.equipment.text("method")
    usable = [size for size in sizes if size.method == method]
    size = min(usable, key=lambda s: (abs(s.nominal_mm - nominal), s.nominal_mm))
    oversize = site.book.equipment.entry("bore_oversize_mm", method) / 1000
    return ChainPipe(size.nominal_mm, size.inside_m, size.outside_m, size.outside_m + oversize,
                     size.material, method, 0.0, 0.0)  # fmt: skip


def _launches(
    site: Site, legs: gpd.GeoDataFrame, names: list[str], ends: tuple[Ints, Ints, Ints]
) -> tuple[Ints, list[str]]:
    """Pit that each leg is driven from: the given one, or the lower unless it is a tie-in."""
    up, down, tie_in = ends
    may = site.tie_ins["may_launch"].to_numpy(bool)
    at_tie_in = (tie_in[down] >= 0) & ~may[tie_in[down]]
    launch = np.where(at_tie_in, up, down)
    if "launch_pit" not in legs.columns:
        return launch, [f"{len(legs)} legs: driven upgrade, but down to a tie-in"]
    for i, given in enumerate(legs["launch_pit"].astype(str)):
        for end in (up[i], down[i]):
            if names[end] == given:
                launch[i] = end
    return launch, []


def _ground(site: Site, xy: Floats, tie_in: Ints) -> Floats:
    g = site.ground
    level = sample_ground(
        g.values, g.mesh_x0, g.mesh_y0, g.mesh_step, g.mesh_col, g.mesh_row,
        np.ascontiguousarray(xy[:, 0]), np.ascontiguousarray(xy[:, 1]),
    )  # fmt: skip
    rim = site.tie_ins["rim_elev_m"].to_numpy(float)[tie_in]
    return np.where((tie_in >= 0) & ~np.isnan(rim), rim, level)


def _outgoing(
    site: Site, ends: tuple[Ints, Ints, Ints], level_up: Floats, level_down: Floats, pits: int
) -> Floats:
    """Outgoing level of each pit: of its leg, or the lowest that arrives, or the tie-in's own."""
    up, down, tie_in = ends
    level = np.full(pits, np.inf)
    np.minimum.at(level, down, level_down)
    level[up] = np.inf
    np.minimum.at(level, up, level_up)
    step = site.project.level_step
    own = np.ceil(site.tie_ins["invert_elev_m"].to_numpy(float) / step - 1e-6)
    level = np.where(tie_in >= 0, own[tie_in], level)
    return np.where(np.isfinite(level), level, np.nan)


def _runs(
    legs: gpd.GeoDataFrame, up: Ints, down: Ints, length: Floats
) -> tuple[tuple[str, ...], Floats]:
    """Runs and stations as given, or one run a leg below a junction, counted from its lower end."""
    if {"run_id", "station_down_m"} <= set(legs.columns):
        return tuple(legs["run_id"].astype(str)), legs["station_down_m"].to_numpy(float)
    below = {int(u): i for i, u in enumerate(up)}
    inlets = Counter(down.tolist())
    run, station = [""] * len(up), np.zeros(len(up))
    for i in range(len(up)):
        here, path = i, [i]
        while inlets[int(down[here])] == 1 and int(down[here]) in below:
            here = below[int(down[here])]
            if here in path:
                break
            path.append(here)
        run[i] = str(legs["leg_id"].iloc[path[-1]])
        station[i] = length[path[1:]].sum()
    return tuple(run), station


def _distances(xy: Floats, pit_xy: Floats, up: Ints, down: Ints) -> Floats:
    lines = shapely.linestrings(np.stack([pit_xy[up], pit_xy[down]], axis=1))
    return np.asarray(shapely.distance(shapely.points(xy)[:, None], lines[None, :]))


def _nearest_legs(site: Site, xy: Floats, pit_xy: Floats, up: Ints, down: Ints) -> Ints:
    """Leg nearest to each property, -1 where it is too far."""
    if not len(up) or not len(xy):
        return np.full(len(xy), -1)
    away = _distances(xy, pit_xy, up, down)
    near = away.argmin(axis=1)
    reach = site.book.rules.number("connection_max_length_m")
    return np.where(away.min(axis=1) <= reach, near, -1)


def _why_not(site: Site, xy: Floats, pit_xy: Floats, up: Ints, down: Ints) -> list[str]:
    reach = site.book.rules.number("connection_max_length_m")
    if not len(up) or not len(xy):
        return ["no tie-in: the design has 0 legs"] * len(xy)
    away = _distances(xy, pit_xy, up, down).min(axis=1)
    return [
        "" if d <= reach else f"too far: {d:.1f} m from the nearest leg, the limit is {reach:g} m"
        for d in away
    ]


def _places(site: Site, xy: Floats, ground: Floats, tie_in: Ints) -> Candidates:
    """The design's pits as places with what their price depends on."""
    lines = np.asarray(site.streets.geometry.array)
    away = shapely.distance(shapely.points(xy)[:, None], lines[None, :])
    street = away.argmin(axis=1) if len(xy) else np.empty(0, np.int64)
    half = (site.streets["lanes"] * site.streets["lane_width_m"] / 2).to_numpy(float)
    in_lane = away[np.arange(len(xy)), street] < half[street]
    none: Bools = np.zeros(len(xy), bool)
    columns: dict[str, Any] = {
        "xy": xy, "ground": ground, "flow": np.zeros((len(xy), 2)), "fine": none,
        "lanes": in_lane.astype(float), "street": np.where(tie_in >= 0, -1, street),
        "tie_in": tie_in, "junction": none, "chains": (),
    }  # fmt: skip
    return Candidates(**columns)
