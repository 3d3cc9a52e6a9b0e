"""Holds every manhole against its rules: turns, angles between legs, drops, sizes and spacing."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np

from planner.kernels.midway import STRAIGHT_ON
from planner.kernels.turns import wrap
from planner.model import Figures
from planner.steps.findings.finding import ROUNDING, Finding, finding
from planner.steps.findings.works import Works

OFF_LINE = 0.5 + 1e-6  # [levels] an invert this near to a line is on it, as far as the grid lets


def manhole_findings(works: Works) -> Iterator[Finding]:
    """Turns, drops and sizes through every pit, and the angles between its legs."""
    manhole = works.has_manhole
    for pit in range(len(works.route.pit_id)):
        inlets, outlets = works.inlets(pit), works.outlets(pit)
        yield from _separation(works, pit, inlets + outlets)
        if works.route.pit_tie_in[pit] >= 0:
            continue
        if not manhole[pit]:
            yield from _without(works, pit, inlets, outlets)
        for leg in inlets:
            for out in outlets:
                yield from _through(works, pit, (leg, out), built=manhole[pit])


def turn_between(works: Works, leg: int, out: int) -> float:
    """Change of direction from one leg to another. [deg]"""
    return abs(float(wrap(np.array(works.direction(out) - works.direction(leg)))))


def least_drop(rules: Figures, turn: float) -> float:
    """Least fall through a manhole by its turn. [m]"""
    table = rules.table("min_manhole_drop_m")
    turned = turn > rules.number("min_manhole_turn_deg") + ROUNDING
    return table.get("turn" if turned else "straight", table.get("*", 0.0))


def fall_through(works: Works, leg: int, level: float) -> float:
    """Fall from a leg's lower invert to a level. [m]"""
    return float((works.route.leg_down_level[leg] - level) * works.site.project.level_step)


def _through(works: Works, pit: int, legs: tuple[int, int], *, built: bool) -> Iterator[Finding]:
    leg, out = legs
    route, rules, name = works.route, works.rules, works.route.pit_id[pit]
    arriving = {"with": route.leg_id[leg]}
    turn, most = turn_between(works, leg, out), rules.number("max_turn_deg")
    if turn > most + ROUNDING:
        yield finding(rules, "max_turn_deg", name, turn, most) | arriving
    drop = fall_through(works, leg, route.leg_up_level[out])
    least = least_drop(rules, turn) if built else 0.0
    if drop < least - ROUNDING:
        yield finding(rules, "min_manhole_drop_m", name, drop, least) | arriving
    yield from drop_structure(works, name, leg, drop)
    if route.leg_nominal[leg] > route.leg_nominal[out] + ROUNDING:
        sizes = route.leg_nominal[out], route.leg_nominal[leg]
        row = finding(rules, "size_change_match", route.leg_id[out], *sizes)
        yield row | arriving | {"unit": "mm", "what": "a nominal size never falls downstream"}
    else:
        wider = _matched(rules) * float(route.leg_inside[out] - route.leg_inside[leg])
        if route.leg_nominal[leg] < route.leg_nominal[out] and drop < wider - ROUNDING:
            row = finding(rules, "size_change_match", name, drop, wider)
            yield row | arriving | {"unit": "m", "what": rules.text("size_change_match")}


def _matched(rules: Figures) -> float:
    """Share of the diameter that is matched where the size changes."""
    return 1.0 if rules.text("size_change_match") == "crown" else 0.8


def drop_structure(works: Works, name: str, leg: int, drop: float) -> Iterator[Finding]:
    """A fall that needs a drop structure, which is advice, or more than one can do."""
    rules = works.rules
    most, free = rules.number("max_drop_structure_m"), rules.number("max_manhole_drop_m")
    arriving = {"with": works.route.leg_id[leg]}
    if drop > most + ROUNDING:
        yield finding(rules, "max_drop_structure_m", name, drop, most) | arriving
    elif drop > free + ROUNDING:
        yield finding(rules, "max_manhole_drop_m", name, drop, free, advice=True) | arriving


def _separation(works: Works, pit: int, legs: list[int]) -> Iterator[Finding]:
    """Legs that meet at too small an angle."""
    route, least = works.route, works.rules.number("min_leg_separation_deg")
    away = [works.direction(leg) + 180.0 * (route.leg_up[leg] != pit) for leg in legs]
    for one, other in combinations(range(len(legs)), 2):
        between = abs(float(wrap(np.array(away[one] - away[other]))))
        if between < least - ROUNDING:
            row = finding(works.rules, "min_leg_separation_deg", route.pit_id[pit], between, least)
            pair = (route.leg_id[legs[one]], route.leg_id[legs[other]])
            yield row | {"with": " and ".join(pair)}


def _without(works: Works, pit: int, inlets: list[int], outlets: list[int]) -> Iterator[Finding]:
    """A pit without a manhole where something changes."""
    route = works.route
    changes = []
    if len(inlets) != 1 or len(outlets) != 1:
        changes.append(f"{len(inlets)} legs arrive and {len(outlets)} leave")
    else:
        leg, out = inlets[0], outlets[0]
        if turn_between(works, leg, out) > STRAIGHT_ON:
            changes.append("the line turns")
        if _off_line(works, pit) > OFF_LINE:
            changes.append("the slope changes")
        if route.leg_nominal[leg] != route.leg_nominal[out]:
            changes.append("the size changes")
        if abs(fall_through(works, leg, route.leg_up_level[out])) > ROUNDING:
            changes.append("the invert drops")
    joined = int((works.frames["connections"]["joins"] == route.pit_id[pit]).sum())
    if joined:
        changes.append(f"{joined} connections join")
    if changes:
        row = finding(works.rules, "manhole", route.pit_id[pit], 0.0, 1.0)
        yield row | {"what": "; ".join(changes)}


def _off_line(works: Works, pit: int) -> float:
    """How far a pit's invert lies off the straight line between the next manholes. [levels]"""
    route, manhole = works.route, works.has_manhole
    above, below, seen = works.inlets(pit)[0], works.outlets(pit)[0], {pit}
    upper, lower = float(route.leg_length[above]), float(route.leg_length[below])
    here = int(route.leg_up[above])
    while not manhole[here] and here not in seen and len(works.inlets(here)) == 1:
        seen.add(here)
        above = works.inlets(here)[0]
        upper, here = upper + float(route.leg_length[above]), int(route.leg_up[above])
    here = int(route.leg_down[below])
    while not manhole[here] and here not in seen and len(works.outlets(here)) == 1:
        seen.add(here)
        below = works.outlets(here)[0]
        lower, here = lower + float(route.leg_length[below]), int(route.leg_down[below])
    z, a = float(route.leg_up_level[above]), float(route.leg_down_level[below])
    return abs(z - (z - a) * upper / (upper + lower) - float(route.pit_level[pit]))


def spacing_findings(works: Works) -> Iterator[Finding]:
    """Legs above which the next manhole down is too far."""
    route, manhole = works.route, works.has_manhole
    most = works.rules.number("max_manhole_spacing_m")
    for leg in range(len(route.leg_up)):
        if not manhole[int(route.leg_up[leg])]:
            continue
        length, here = float(route.leg_length[leg]), int(route.leg_down[leg])
        seen: set[int] = set()
        while not manhole[here] and here not in seen and (following := works.outlets(here)):
            seen.add(here)
            length += float(route.leg_length[following[0]])
            here = int(route.leg_down[following[0]])
        if length > most + ROUNDING:
            yield finding(works.rules, "max_manhole_spacing_m", route.leg_id[leg], length, most)
