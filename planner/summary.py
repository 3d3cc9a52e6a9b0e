"""What `plan.json` says of a plan as a whole: how far from the best, what bars what, figures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from planner.model import Site
from planner.records import Relaxation, Route, Saving, Unserved

NOT_BOUNDED = (
    "house connections other than by a shaft and saddle, and risers",
    "mobilisation", "contingency", "test holes", "traffic",
)  # fmt: skip
PLACES = (
    "the right of way, the places where pits can stand and the greatest length of a leg leave no "
    "line of legs"
)
PRICED = {"property": "house_pump", "service": "service_relocation"}  # what curing one would cost
CURES = {
    "cover": "less cover, if the owner of the street agrees",
    "property": "a floor that much higher, or a pump",
    "service": "a service that much higher, or moved out of the way by its owner",
    "slope": "a flatter sewer, if the approving authority agrees",
    "depth": "deeper pits",
    "drop": "smaller drops through manholes",
    "tie-in": "a tie-in that much deeper",
}


@dataclass(frozen=True)
class Search:
    """What the search decided costs, and the least that anything it looked over could cost."""

    cost: float | None
    lower_bound: float | None
    scope: str
    savings: tuple[Saving, ...] = ()
    conflicts: tuple[Unserved, ...] = ()
    on_these_streets: float | None = None  # what any pits and legs in the plan's streets cost


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


def savings_of(search: Search | None) -> list[dict[str, Any]]:
    """What a small relaxation of each thing that fixes inverts would save at the least."""
    return [
        {"what": one.what, "by": one.by, "unit": "m/m" if one.kind == "slope" else "m",
         "saves_at_least": round(one.saves, 2), "fixes_length_m": round(one.length, 2)}
        for one in (search.savings if search else ())
    ]  # fmt: skip


def conflicts_of(site: Site, search: Search | None) -> list[dict[str, Any]]:
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


def figures_of(site: Site, parts: tuple[str, ...]) -> dict[str, Any]:
    """Figures of some parts of the rule book, with their units and sources."""
    found: dict[str, Any] = {}
    for part in parts:
        for name, figure in getattr(site.book, part).items():
            found.setdefault(name, figure._asdict())
    return found


def assumptions_of(
    site: Site, route: Route, assumed: tuple[str, ...], own_pipes: tuple[tuple[str, str, str], ...]
) -> list[dict[str, Any]]:
    """What was taken for granted, of the inputs, of a design, of rules and of tie-ins."""
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
    found += [{"layer": "design", "rows": 0, "what": what} for what in assumed]
    frost = site.book.rules.number("frost_depth_m")
    found.append({"layer": "rules", "rows": 0, "what": f"frost depth {frost:g} m is assumed"})
    for row, tie_in in enumerate(site.tie_ins.to_dict("records")):
        name = tie_in["tie_in_id"]
        if np.isnan(tie_in["spare_l_per_s"]):
            what = f"spare capacity of {name} is not given and was not checked"
            found.append({"layer": "tie_ins", "rows": 1, "what": what})
        last = _legs_into(route, row)
        if last and not tie_in["may_launch"]:
            what = f"{', '.join(last)}: driven down to {name}, where an exit pit is dug against it"
            found.append({"layer": "tie_ins", "rows": 1, "what": what})
    return found


def _legs_into(route: Route, tie_in: int) -> list[str]:
    """Legs that end at a tie-in."""
    down = route.pit_tie_in[route.leg_down]
    return [name for name, row in zip(route.leg_id, down, strict=True) if row == tie_in]
