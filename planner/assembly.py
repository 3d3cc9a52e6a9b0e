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
from planner.records import Candidates, Prices, Relaxation, Route, Saving, Unserved
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

VERSION = "0.1.0"


@dataclass(frozen=True)
class Search:
    """What the search decided costs, and the least that anything it looked over could cost."""

    cost: float | None
    lower_bound: float | None
    scope: str
    savings: tuple[Saving, ...] = ()
    conflicts: tuple[Unserved, ...] = ()
    on_these_streets: float | None = None  # what any pits and legs in the plan's streets cost


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
        "savings": _savings(drawn.search),
        "cannot_hold_together": _conflicts(site, drawn.search),
        "breaches": breaches,
        "assumptions": _assumptions(site, drawn, own_pipes),
        "rules": _figures(site, ("rules", "equipment", "services", "traffic")),
        "costs": _figures(site, ("costs",)),
        "inputs": [{"path": f.path, "sha256": f.sha256, "rows": f.rows} for f in site.inputs],
    }  # fmt: skip


NOT_BOUNDED = (
    "house connections other than by a shaft and saddle, and risers",
    "mobilisation", "contingency", "test holes", "traffic",
)  # fmt: skip


def optimality(search: Search | None) -> dict[str, Any]:
    """How far the plan can be from the best; empty where nothing was proven."""
    if search is None or search.cost is None or search.lower_bound is None:
        return {
            "cost": None, "lower_bound": None, "gap_pct": None, "scope": "", "not_bounded": [],
        }  # fmt: skip
    cost, lower = round(search.cost, 2), round(search.lower_bound, 2)
    found = {
        "cost": cost, "lower_bound": lower, "gap_pct": _gap(cost, lower), "scope": search.scope,
        "not_bounded": list(NOT_BOUNDED),
    }  # fmt: skip
    if search.on_these_streets is not None:
        least = round(search.on_these_streets, 2)
        found["on_these_streets"] = {"lower_bound": least, "gap_pct": _gap(cost, least)}
    return found


def _gap(cost: float, lower: float) -> float:
    """How much of a cost is not proven to be needed. [%]"""
    return round(100 * (cost - lower) / cost, 6) if cost > 0 else 0.0


def _savings(search: Search | None) -> list[dict[str, Any]]:
    """What a small relaxation of each thing that fixes inverts would save at the least."""
    return [
        {"what": one.what, "by": one.by, "unit": "m/m" if one.kind == "slope" else "m",
         "saves_at_least": round(one.saves, 2), "fixes_length_m": round(one.length, 2)}
        for one in (search.savings if search else ())
    ]  # fmt: skip


PLACES = (
    "the right of way, the places where pits can stand and the greatest length of a leg leave no "
    "line of legs"
)
PRICED = {"property": "house_pump", "service": "service_relocation"}  # what curing one would cost


def _conflicts(site: Site, search: Search | None) -> list[dict[str, Any]]:
    """What cannot be served, the rules and things that bar it together, and what would cure it."""
    return [
        {"subject": one.subject, "properties": list(one.properties),
         "together": list(one.conflict.names) or [PLACES],
         "relaxations": sorted(
             (_relaxation(site, relaxed, len(one.properties)) for relaxed in
              one.conflict.relaxations if relaxed.by is not None),
             key=lambda row: (row["price"] is None, row["price"] or 0.0, row["what"]),
         )}
        for one in (search.conflicts if search else ())
    ]  # fmt: skip


def _relaxation(site: Site, relaxed: Relaxation, properties: int) -> dict[str, Any]:
    """One cure: how far a thing must give way, and its price where the book has one."""
    name = PRICED.get(relaxed.kind)
    price = None if name is None else site.book.costs.number(name)
    if relaxed.kind == "property" and price is not None:
        price *= max(1, properties)
    slope = relaxed.kind == "slope"
    by = None if relaxed.by is None else round(100 * relaxed.by if slope else relaxed.by, 3)
    return {
        "what": relaxed.what, "by": by, "unit": "%" if slope else "m",
        "how": CURES[relaxed.kind], "price": price,
    }  # fmt: skip


CURES = {
    "cover": "less cover, if the owner of the street agrees",
    "property": "a floor that much higher, or a pump",
    "service": "a service that much higher, or moved out of the way by its owner",
    "slope": "a flatter sewer, if the approving authority agrees",
    "depth": "deeper pits",
    "drop": "smaller drops through manholes",
    "tie-in": "a tie-in that much deeper",
}


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


def _figures(site: Site, parts: tuple[str, ...]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for part in parts:
        for name, figure in getattr(site.book, part).items():
            found.setdefault(name, figure._asdict())
    return found


def _assumptions(
    site: Site,
    drawn: Drawn,
    own_pipes: tuple[tuple[str, str, str], ...],
) -> list[dict[str, Any]]:
    found = [
        {"layer": e.layer, "rows": len(e.rows), "what": e.what}
        for e in site.ledger
        if e.kind in ("assumed", "repaired", "doubt")
    ]
    found += [
        {"layer": "utilities", "rows": 1, "what": f"{service} is a pipe of the manhole {tie_in}: "
         f"leg {leg}, which ends there, is not held to clearance from it"}
        for leg, service, tie_in in own_pipes
    ]  # fmt: skip
    found += [{"layer": "design", "rows": 0, "what": what} for what in drawn.assumed]
    frost = site.book.rules.number("frost_depth_m")
    found.append({"layer": "rules", "rows": 0, "what": f"frost depth {frost:g} m is assumed"})
    for row, tie_in in enumerate(site.tie_ins.to_dict("records")):
        name = tie_in["tie_in_id"]
        if np.isnan(tie_in["spare_l_per_s"]):
            what = f"spare capacity of {name} is not given and was not checked"
            found.append({"layer": "tie_ins", "rows": 1, "what": what})
        last = _legs_into(drawn.route, row)
        if last and not tie_in["may_launch"]:
            what = f"{', '.join(last)}: driven down to {name}, where an exit pit is dug against it"
            found.append({"layer": "tie_ins", "rows": 1, "what": what})
    return found


def _legs_into(route: Route, tie_in: int) -> list[str]:
    """Legs that end at a tie-in."""
    down = route.pit_tie_in[route.leg_down]
    return [name for name, row in zip(route.leg_id, down, strict=True) if row == tie_in]


def _bundle(site: Site, frames: dict[str, gpd.GeoDataFrame], summary: dict[str, Any]) -> Plan:
    """The plan's frames, in the project's CRS."""
    made = {name: _to_crs(site, frames.get(name, empty_layer(name))) for name in PLAN_COLUMNS}
    return Plan(site=site, summary=summary, **made)


def _to_crs(site: Site, frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    def move(xy: Floats) -> Floats:
        return np.column_stack(site.frame.to_crs(xy[:, 0], xy[:, 1]))

    moved = shapely.transform(frame.geometry.to_numpy(), move)
    return frame.set_geometry(gpd.GeoSeries(moved, index=frame.index), crs=site.frame.crs)
