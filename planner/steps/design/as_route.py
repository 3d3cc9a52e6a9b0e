"""Makes a route of a drawn design: levels, drives, runs, houses and places."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely

from planner.kernels.ground import sample_ground
from planner.model import Floats, Site
from planner.records import Bools, Candidates, ChainPipe, Ints, Route, StreetGraph
from planner.steps.design.houses import Sewer, join_houses
from planner.steps.design.named import DrawnPits
from planner.steps.design.network import Fault, Net, drains, network_faults, trace_runs
from planner.steps.design.pipes import choose_pipes
from planner.steps.design.rows import Rows, numbers_of, require_metres, words_of

NOISE = 1e-6  # [levels] by which a level may miss the grid and lie on it


@dataclass(frozen=True, eq=False)
class Design:
    """A design as a route, with its faults of structure, what was assumed, and what it states.

    ``stated`` holds the given columns of ``pits``, ``legs`` and ``connections``, their rows in the
    order of the route's pits and legs; a pit or leg that is not given has empty fields.
    """

    route: Route
    places: Candidates
    pipes: tuple[ChainPipe, ...]  # (legs,)
    faults: tuple[Fault, ...]
    assumed: tuple[str, ...]
    stated: Mapping[str, pd.DataFrame]


@dataclass(frozen=True, eq=False)
class UsableLegs:
    """Legs that a route can hold."""

    rows: Rows
    name: tuple[str, ...]
    up: Ints
    down: Ints

    def keep(self, which: Bools) -> UsableLegs:
        """Some of the legs."""
        names = tuple(name for name, use in zip(self.name, which, strict=True) if use)
        return UsableLegs(
            self.rows.take(np.flatnonzero(which)), names, self.up[which], self.down[which]
        )


def make_route(
    site: Site,
    drawn: tuple[DrawnPits, UsableLegs],
    about: tuple[StreetGraph, Rows | None],
    known: tuple[list[Fault], list[str]],
) -> Design:
    """The design as a route, with all that follows from it or is the planner's choice.

    Parameters
    ----------
    site
        The site.
    drawn
        Pits, and legs that a route can hold.
    about
        The streets, and connections as they are given.
    known
        Faults and assumptions so far.
    """
    (pits, legs), (graph, connections), (faults, assumed) = drawn, about, known
    step = site.project.level_step
    net = Net(pits.name, legs.name, legs.up, legs.down, pits.tie_in)
    faults = faults + network_faults(net)
    pipes, told, small = choose_pipes(site.book, legs.rows)
    launch, driven, wrong = _launches(site, legs, pits)
    ground = _ground(site, pits.xy, pits.tie_in)
    level_up, level_down = (_levels(legs.rows, f"invert_{end}_m", step) for end in ("up", "down"))
    require_metres(
        np.concatenate([ground[legs.up], ground[legs.down]]),
        np.concatenate([level_up, level_down]) * step,
    )
    sewer = Sewer(legs.name, pits.name, legs.up, legs.down, pits.xy, drains(net)[legs.down])
    serving, why_not, unknown = join_houses(site, graph, sewer, connections)
    run, station = _runs(legs, net, pits.xy)
    route = Route(
        pit_id=pits.name, pit_xy=pits.xy, pit_ground=ground,
        pit_level=_outgoing(site, (legs.up, legs.down, pits.tie_in), (level_up, level_down), pits),
        pit_tie_in=pits.tie_in, leg_id=legs.name, leg_up=legs.up, leg_down=legs.down,
        leg_up_level=level_up, leg_down_level=level_down, leg_launch=launch,
        leg_length=np.hypot(*(pits.xy[legs.up] - pits.xy[legs.down]).T),
        leg_nominal=_measure(pipes, "nominal"), leg_inside=_measure(pipes, "inside"),
        leg_outside=_measure(pipes, "outside"), leg_bore=_measure(pipes, "bore"),
        leg_material=tuple(p.material for p in pipes), leg_method=tuple(p.method for p in pipes),
        run_id=run, station_down=station, property_leg=serving, why_not=tuple(why_not),
        property_xy=graph.property_xy, candidate=np.arange(len(pits.name)),
        leg_pipe=np.arange(len(legs.name)), pit_manhole=_manholes(pits),
    )  # fmt: skip
    assumed = [*assumed, *told, *driven, *_off_grid(legs.name, level_up, level_down)]
    stated = {"pits": pits.table, "legs": legs.rows.table.assign(leg_id=list(legs.name))}
    if connections is not None:
        stated["connections"] = connections.table.assign(shape=connections.shape)
    places = _places(site, pits, (ground, legs))
    return Design(route, places, pipes, (*faults, *small, *wrong, *unknown), tuple(assumed), stated)


def _manholes(pits: DrawnPits) -> tuple[bool, ...]:
    """Whether a manhole stays at each pit: at all that do not say no."""
    no = {"false", "0", "no"}
    return tuple(word.lower() not in no for word in words_of(pits.table, "manhole"))


def _measure(pipes: tuple[ChainPipe, ...], name: str) -> Floats:
    return np.array([getattr(pipe, name) for pipe in pipes], float)


def _levels(legs: Rows, column: str, step: float) -> Floats:
    """Inverts as levels, on the grid where they miss it by noise only."""
    level = legs.numbers(column) / step
    return np.where(np.abs(level - np.round(level)) < NOISE * np.maximum(1.0, np.abs(level)),
                    np.round(level), level)  # fmt: skip


def _off_grid(names: tuple[str, ...], *levels: Floats) -> list[str]:
    off = [
        name
        for name, pair in zip(names, np.column_stack(levels), strict=True)
        if (pair != np.round(pair)).any()
    ]
    return [f"{', '.join(off)}: inverts off the printed grid, used as they are"] if off else []


def _launches(site: Site, legs: UsableLegs, pits: DrawnPits) -> tuple[Ints, list[str], list[Fault]]:
    """Pit that each leg is driven from: the given one, or the lower unless it is a tie-in."""
    may = np.append(site.tie_ins["may_launch"].to_numpy(bool), [True])  # any pit may
    barred = ~may[pits.tie_in[legs.down]]
    launch = np.where(barred, legs.up, legs.down)
    faults = []
    given = legs.rows.words("launch_pit")
    for i, name in enumerate(given):
        ends = {pits.name[legs.up[i]]: legs.up[i], pits.name[legs.down[i]]: legs.down[i]}
        if name in ends:
            launch[i] = ends[name]
        elif name:
            faults.append(Fault("launch_pit", legs.name[i], 0.0, 1.0, name))
    none = given.count("")
    assumed = [f"{none} legs: driven upgrade, but down to a tie-in"] if none else []
    faults += [
        Fault("may_launch", legs.name[i], 1.0, 0.0, pits.name[launch[i]])
        for i in np.flatnonzero(~may[pits.tie_in[launch]])
    ]
    return launch, assumed, faults


def _ground(site: Site, xy: Floats, tie_in: Ints) -> Floats:
    g = site.ground
    level = sample_ground(
        g.values, g.mesh_x0, g.mesh_y0, g.mesh_step, g.mesh_col, g.mesh_row,
        np.ascontiguousarray(xy[:, 0]), np.ascontiguousarray(xy[:, 1]),
    )  # fmt: skip
    rim = site.tie_ins["rim_elev_m"].to_numpy(float)[tie_in]
    return np.where((tie_in >= 0) & ~np.isnan(rim), rim, level)


def _outgoing(
    site: Site, ends: tuple[Ints, Ints, Ints], levels: tuple[Floats, Floats], pits: DrawnPits
) -> Floats:
    """Outgoing level of each pit: of its leg, or the lowest that arrives, or the tie-in's own."""
    up, down, tie_in = ends
    step = site.project.level_step
    level = np.full(len(pits.name), np.inf)
    np.minimum.at(level, down, levels[1])
    level[up] = np.inf
    np.minimum.at(level, up, levels[0])
    own = np.ceil(site.tie_ins["invert_elev_m"].to_numpy(float) / step - 1e-6)
    level = np.where(tie_in >= 0, own[tie_in], level)
    alone = numbers_of(pits.table, "invert_elev_m") / step
    return np.where(np.isfinite(level), level, alone)


def _runs(legs: UsableLegs, net: Net, xy: Floats) -> tuple[tuple[str, ...], Floats]:
    """Runs and stations: by the names that are given for all legs, else as a plan has them."""
    run, station = trace_runs(net, xy)
    given = legs.rows.words("run_id")
    stated = legs.rows.numbers("station_down_m")
    if all(given) and not np.isnan(stated).any():
        same = _same_parts(given, run)
        return tuple(given), station if same else stated
    return run, station


def _same_parts(one: list[str], other: tuple[str, ...]) -> bool:
    """Whether two ways to name legs put the same legs together."""
    pairs = set(zip(one, other, strict=True))
    return len(pairs) == len(set(one)) == len(set(other))


def _places(site: Site, pits: DrawnPits, known: tuple[Floats, UsableLegs]) -> Candidates:
    """The design's pits as places with what their price depends on."""
    ground, legs = known
    count, tie_in = len(pits.name), pits.tie_in
    lines = np.asarray(site.streets.geometry.array)
    away = shapely.distance(shapely.points(pits.xy)[:, None], lines[None, :])
    named = words_of(pits.table, "street")
    streets = site.streets["street"].astype(str).to_numpy()
    for i, name in enumerate(named):
        if name and (streets == name).any():
            away[i, streets != name] = np.inf
    street = away.argmin(axis=1) if count else np.empty(0, np.int64)
    half = (site.streets["lanes"] * site.streets["lane_width_m"] / 2).to_numpy(float)
    closed = (away[np.arange(count), street] < half[street]).astype(float)
    given = numbers_of(pits.table, "lanes_closed")
    closed = np.where(np.isnan(given), closed, np.maximum(given, 0.0))
    arriving = np.bincount(legs.down, minlength=count)
    return Candidates(
        xy=pits.xy, ground=ground, flow=np.zeros((count, 2)), fine=np.zeros(count, bool),
        lanes=np.where(tie_in >= 0, 0.0, closed), street=np.where(tie_in >= 0, -1, street),
        tie_in=tie_in, junction=arriving > 1, chains=(),
    )  # fmt: skip
