"""Assembles a plan from a route: frames, findings, costs and summary."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from planner.kernels.pairs import Sizes
from planner.model import PLAN_COLUMNS, Floats, Plan, Register, Site, empty_layer
from planner.records import Candidates, Prices, Route
from planner.steps import (
    anchors,
    clearances,
    connections,
    corridor,
    cost,
    cross_bores,
    findings,
    legs,
    pits,
    register,
)
from planner.steps.flows import find_impossible_loads, load_legs, run_states
from planner.summary import Search, assumptions_of, conflicts_of, figures_of, optimality, savings_of

VERSION = "0.1.0"


@dataclass(frozen=True, eq=False)
class Drawn:
    """A route with its places and prices, and what is already known against it."""

    route: Route
    places: Candidates
    prices: Prices
    sizes: Sizes
    search: Search | None = None
    faults: tuple[tuple[str, str, float, float, str], ...] = ()  # rule, subject, value, limit, with
    assumed: tuple[str, ...] = ()
    earlier: Register | None = None  # register of conflicts, in the site's frame
    no_pits: gpd.GeoDataFrame | None = None  # stretches where no pit can stand
    stated: Mapping[str, pd.DataFrame] = field(default_factory=dict)  # columns a design gives


def assemble(site: Site, drawn: Drawn) -> Plan:
    """The plan of a route: everything that follows from its geometry, inverts and sizes.

    Parameters
    ----------
    site
        The site.
    drawn
        The route, proposed or a person's.
    """
    route, step = drawn.route, site.project.level_step
    shapes = pits.dig_pits(site, route, drawn.sizes)
    bored = pits.bored_lengths(route, shapes)
    streets = site.streets["street"].astype(str).tolist()
    pit_frame = _as_stated(drawn, "pits", pits.pit_frame(
        site, route, drawn.places, drawn.prices, _pit_streets(site, drawn, streets)
    ))  # fmt: skip
    services = clearances.prepare_services(site)
    houses = connections.connect_houses(site, route, services)
    route = _with_served(route, houses)
    peak = load_legs(site, route).peak
    states = run_states(site.book, peak, route.leg_inside, legs.slopes(route, step))
    leg_frame = _as_stated(drawn, "legs", legs.leg_frame(
        site, route, _leg_streets(site, route, streets), (peak, states), bored, drawn.prices
    ))  # fmt: skip
    built = (
        _leg_solids(route, step), _pit_solids(route, shapes, pit_frame), _house_solids(houses),
    )  # fmt: skip
    found = clearances.find_conflicts(site, services, *built)
    frames = {
        "pits": pit_frame, "legs": leg_frame, "connections": houses.frame,
        "pit_footprints": pits.footprint_frame(pit_frame, shapes),
    }  # fmt: skip
    frames["conflicts"], frames["superseded"] = register.keep_register(
        site, register.describe(found.frame, found.detail), drawn.earlier,
        clearances.Nearby(services, *built),
    )  # fmt: skip
    if drawn.no_pits is not None:
        frames["no_pits"] = drawn.no_pits
    room = _room(site, drawn, shapes)
    works = findings.Works(site, route, frames, room, drawn.stated)
    more = find_impossible_loads(site) + _advice(site, route, frames, houses)
    summary = _summarise(site, drawn, works, more, found.own_pipes)
    return _bundle(site, frames, summary)


def _advice(
    site: Site, route: Route, frames: dict[str, gpd.GeoDataFrame], houses: connections.Connections
) -> list[dict[str, Any]]:
    """What an engineer should look at though no rule is broken: anchors, depths, cross bores."""
    return [
        *anchors.advise_anchors(site.book, frames["legs"]),
        *connections.advise_depths(site.book, frames["connections"]),
        *cross_bores.find_cautions(site, route, houses),
    ]


HONOURED = {
    "pits": ("street", "manhole", "manhole_diameter_m", "days_open"),
    "legs": ("street", "reamer_diameter_mm"),
}
"""Columns that are a choice: where a design states them, they are taken as they are."""


def _as_stated(drawn: Drawn, layer: str, frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """A layer with the choices that a design states for it."""
    given = drawn.stated.get(layer)
    if given is None:
        return frame
    for name in HONOURED[layer]:
        if name in given.columns:
            kind = frame[name].dtype
            values = given[name].map(_flag) if pd.api.types.is_bool_dtype(kind) else given[name]
            if pd.api.types.is_float_dtype(kind):
                values = pd.to_numeric(values, errors="coerce")
            known = (values.notna() & (values.astype(object) != "")).to_numpy(bool)
            kept = frame[name].astype(object).where(~known, values.to_numpy(object))
            frame = frame.assign(**{name: kept.astype(kind)})
    return frame


def _flag(value: object) -> bool | None:
    """What a stated yes or no means; `None` where it is neither."""
    word = str(value).strip().lower()
    return {"true": True, "1": True, "1.0": True, "false": False, "0": False, "0.0": False}.get(
        word
    )


def _with_served(route: Route, houses: connections.Connections) -> Route:
    """The route with those properties only that are drained, whose flow is all there is."""
    served = np.zeros(len(route.property_leg), bool)
    served[houses.property_row] = houses.frame["served"].to_numpy(bool)
    return replace(route, property_leg=np.where(served, route.property_leg, -1))


def _room(site: Site, drawn: Drawn, footprints: list[Any]) -> findings.Room:
    """Where the works may be."""
    at = drawn.route.candidate
    return findings.Room(
        corridor.right_of_way(site), footprints, drawn.places.flow[at], drawn.places.street[at],
        partial(corridor.in_force, site),
    )  # fmt: skip


def _pit_streets(site: Site, drawn: Drawn, streets: list[str]) -> list[str]:
    rows = drawn.places.street[drawn.route.candidate].copy()
    points = shapely.points(drawn.route.pit_xy)
    for i in np.flatnonzero(rows < 0):
        rows[i] = int(np.argmin(shapely.distance(points[i], site.streets.geometry.array)))
    return [streets[row] for row in rows]


def _leg_streets(site: Site, route: Route, streets: list[str]) -> list[str]:
    middle = (route.pit_xy[route.leg_up] + route.pit_xy[route.leg_down]) / 2
    lines = np.asarray(site.streets.geometry.array)
    near = [int(np.argmin(shapely.distance(shapely.Point(p), lines))) for p in middle]
    return [streets[row] for row in near]


def _leg_solids(route: Route, step: float) -> clearances.Legs:
    up, down = legs.bore_axes(route, step)
    return clearances.Legs(
        np.array(route.leg_id, object),
        np.column_stack([route.pit_xy[route.leg_down], down]),
        np.column_stack([route.pit_xy[route.leg_up], up]),
        route.leg_bore, route.leg_outside, np.zeros(len(up), bool),
        route.pit_tie_in[route.leg_down],
    )  # fmt: skip


def _pit_solids(route: Route, shapes: list[Any], frame: gpd.GeoDataFrame) -> clearances.Pits:
    dug = route.pit_tie_in < 0
    holes = np.empty(int(dug.sum()), object)
    holes[:] = [shape for shape, use in zip(shapes, dug, strict=True) if use]
    floor = frame["floor_elev_m"].to_numpy(float)[dug]
    return clearances.Pits(
        np.array(route.pit_id, object)[dug], holes, floor, np.full(len(floor), -1)
    )


def _house_solids(houses: connections.Connections) -> clearances.Connections:
    return clearances.Connections(
        houses.connection_id, houses.sewer, houses.property, houses.outside_diameter,
        houses.pressure_rated,
    )  # fmt: skip


def _summarise(
    site: Site,
    drawn: Drawn,
    works: findings.Works,
    more: list[dict[str, Any]],
    own_pipes: tuple[tuple[str, str, str], ...],
) -> dict[str, Any]:
    """Everything that `plan.json` holds but the timings."""
    frames = works.frames
    breaches = findings.find_faults(site.book.rules, drawn.faults)
    breaches += findings.find_breaches(works) + more
    breakdown = cost.add_costs(site, frames["pits"], frames["legs"], frames["connections"])
    served = int(frames["connections"]["served"].sum())
    broken = any(row["severity"] == "breach" for row in breaches)
    status = "breaks rules" if broken else "ok"
    if served < len(site.properties):
        status = "incomplete"
    return {
        "pitline": VERSION, "project": site.project.name, "status": status,
        "grid_to_ground": site.frame.k,
        "shown_in": {
            "units": site.project.display_units, "foot_m": site.project.foot,
            "vertical_datum": site.project.vertical_datum,
        },
        "totals": _totals(site, frames, served, breakdown),
        "cost_breakdown": breakdown,
        "optimality": optimality(drawn.search),
        "savings": savings_of(drawn.search),
        "cannot_hold_together": conflicts_of(site, drawn.search),
        "breaches": breaches,
        "assumptions": assumptions_of(site, drawn.route, drawn.assumed, own_pipes),
        "rules": figures_of(site, ("rules", "equipment", "services", "traffic")),
        "costs": figures_of(site, ("costs",)),
        "inputs": [{"path": f.path, "sha256": f.sha256, "rows": f.rows} for f in site.inputs],
    }  # fmt: skip


def _totals(
    site: Site, frames: Mapping[str, gpd.GeoDataFrame], served: int, breakdown: dict[str, float]
) -> dict[str, Any]:
    return {
        "legs": len(frames["legs"]),
        "length_m": round(float(frames["legs"]["length_m"].sum()), 6),
        "pits": int((frames["pits"]["kind"] == "pit").sum()),
        "properties": len(site.properties), "served": served,
        "cost": round(sum(breakdown.values()), 2), "social_cost": 0.0,
        "currency": site.book.costs.text("currency"), "working_days": 0,
    }  # fmt: skip


def _bundle(site: Site, frames: dict[str, gpd.GeoDataFrame], summary: dict[str, Any]) -> Plan:
    """The plan's frames, in the project's CRS."""
    made = {name: _to_crs(site, frames.get(name, empty_layer(name))) for name in PLAN_COLUMNS}
    return Plan(site=site, summary=summary, **made)


def _to_crs(site: Site, frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    def move(xy: Floats) -> Floats:
        return np.column_stack(site.frame.to_crs(xy[:, 0], xy[:, 1]))

    moved = shapely.transform(frame.geometry.to_numpy(), move)
    return frame.set_geometry(gpd.GeoSeries(moved, index=frame.index), crs=site.frame.crs)
