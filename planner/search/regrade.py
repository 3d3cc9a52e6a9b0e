"""Lowers or raises a leg of a design until it clears a service, and what hangs on it as needed."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from planner.kernels.clearance import pair_clearances
from planner.kernels.turns import wrap
from planner.model import Floats, Plan, Site
from planner.records import Ints, Prices, Route
from planner.search.ways_out import REGRADE, Answer, Conflict
from planner.steps.clearances import prepare_services
from planner.steps.legs import bore_axes
from planner.steps.search_cost import cost_as_searched

MOST_ASKED = 12  # conflicts: each is checked again from one end to the other
FARTHEST = 3.0  # [m] that a leg is lowered or raised at most
ROUNDING = 1e-6  # [m], [levels]
MOST_MOVES = 4  # a leg
ALONE = "not by moving the leg up or down as it is"


class DesignAgain:
    """A person's design; a leg is moved in level alone, and the whole is checked again."""

    most = MOST_ASKED

    def __init__(
        self, site: Site, route: Route, prices: Prices, plan: Plan, check: Callable[[Route], Plan]
    ) -> None:
        self.site, self.route, self.prices, self.check = site, route, prices, check
        self.services = prepare_services(site)
        self.broken = _broken(plan)
        drained = plan.connections[plan.connections["served"].astype(bool)]["property_id"]
        self.served = site.properties["property_id"].isin(set(drained)).to_numpy(bool)

    def answer(self, way: str, conflict: Conflict) -> Answer | None:
        """What re-grading costs more than the design; other ways are not looked for."""
        if way != REGRADE or conflict.subject not in self.route.leg_id:
            return None
        leg = self.route.leg_id.index(conflict.subject)
        found = [
            answer
            for up in (False, True)
            for answer in [self._moved(leg, conflict, up=up)]
            if answer is not None
        ]
        return min(found, key=lambda one: one.price or 0.0) if found else Answer(None, ALONE)

    def _moved(self, leg: int, conflict: Conflict, *, up: bool) -> Answer | None:
        levels = self._levels(leg, conflict, up=up)
        route = None if levels is None else shift_leg(self.site, self.route, leg, levels)
        if levels is None or route is None:
            return None
        plan = self.check(route)
        if _broken(plan) - self.broken or _stands(plan, conflict):
            return None
        before, after = (
            cost_as_searched(self.site, one, self.prices, self.served)
            for one in (self.route, route)
        )
        moved = int((route.leg_down_level != self.route.leg_down_level).sum()) > 1
        others = (" and the legs above it" if up else " and the legs below it") if moved else ""
        by = abs(levels) * self.site.project.level_step
        words = f"{'raise' if up else 'lower'} {conflict.subject} by {by:.2f} m{others}"
        return Answer(after - before, words)

    def _levels(self, leg: int, conflict: Conflict, *, up: bool) -> int | None:
        """Fewest levels by which a leg must move, downwards below 0, to clear a service."""
        step = self.site.project.level_step
        if conflict.rule != "clearance_m":
            short = conflict.required - conflict.clearance
            levels = math.ceil((short - ROUNDING) / step)
            return levels if up else -levels
        tried = np.arange(1, int(FARTHEST / step) + 1) * (1 if up else -1)
        clear = self._clearances(leg, tried, conflict.services) >= conflict.required - ROUNDING
        return int(tried[np.argmax(clear)]) if clear.any() else None

    def _clearances(self, leg: int, levels: Ints, services: tuple[int, ...]) -> np.ndarray:
        """Clearance of a leg to some services, were it so many levels higher. [m]"""
        route, step = self.route, self.site.project.level_step
        top, bottom = (float(level[leg]) for level in bore_axes(route, step))
        bores = np.empty((len(levels), 7))
        bores[:, :2], bores[:, 3:5] = (
            route.pit_xy[route.leg_down[leg]], route.pit_xy[route.leg_up[leg]],
        )  # fmt: skip
        bores[:, 2], bores[:, 5] = bottom + levels * step, top + levels * step
        bores[:, 6] = route.leg_bore[leg] / 2
        pieces = np.concatenate([self.services.pieces_of(row) for row in services])
        gaps, _ = pair_clearances(
            bores, self.services.solids, np.repeat(np.arange(len(levels)), len(pieces)),
            np.tile(pieces, len(levels)),
        )  # fmt: skip
        return np.asarray(gaps.reshape(len(levels), -1).min(axis=1))


def shift_leg(site: Site, route: Route, leg: int, levels: int) -> Route | None:
    """A route with a leg moved in level alone, and what hangs on it moved as far as it must be.

    A leg that is lowered takes those below it along where the drop between them would be less
    than it may be; one that is raised takes those above it along.

    Parameters
    ----------
    site
        The site.
    route
        The route.
    leg
        Which leg.
    levels
        By how many levels of the grid; below 0 downwards.

    Returns
    -------
    None where a tie-in would have to move, or legs go round in a circle.
    """
    high, low = route.leg_up_level.copy(), route.leg_down_level.copy()
    pits, waiting, moves = route.pit_level.copy(), [(leg, levels)], 0
    while waiting:
        one, by = waiting.pop()
        high[one], low[one] = high[one] + by, low[one] + by
        pits[route.leg_up[one]] = high[route.leg_up == route.leg_up[one]].min()
        moves += 1
        if moves > MOST_MOVES * len(high):  # they go round in a circle
            return None
        if by < 0 and not _follow_down(site, route, one, (low, pits), waiting):
            return None
        if by > 0:
            _follow_up(site, route, one, (low, pits), waiting)
    return replace(route, leg_up_level=high, leg_down_level=low, pit_level=pits)


def _follow_down(
    site: Site, route: Route, leg: int, now: tuple[Floats, Floats], waiting: list[tuple[int, int]]
) -> bool:
    """Lower the leg below as far as it must be; false where that is a tie-in."""
    pit = int(route.leg_down[leg])
    short = _whole(now[1][pit] + _least_drop(site, route, leg) - now[0][leg])
    if short <= 0:
        return True
    waiting += [(int(below), -short) for below in np.flatnonzero(route.leg_up == pit)]
    return bool(route.pit_tie_in[pit] < 0)


def _follow_up(
    site: Site, route: Route, leg: int, now: tuple[Floats, Floats], waiting: list[tuple[int, int]]
) -> None:
    """Raise the legs above as far as they must be."""
    pit = int(route.leg_up[leg])
    for above in np.flatnonzero(route.leg_down == pit).tolist():
        short = _whole(now[1][pit] + _least_drop(site, route, above) - now[0][above])
        if short > 0:
            waiting.append((above, short))


def _whole(levels: float) -> int:
    """Levels, rounded up to whole ones."""
    return math.ceil(levels - ROUNDING)


def _least_drop(site: Site, route: Route, leg: int) -> float:
    """Drop that must stay where a leg arrives: the rule's, or its own if less. [levels]"""
    pit = int(route.leg_down[leg])
    drop = float(route.leg_down_level[leg] - route.pit_level[pit])
    out = np.flatnonzero(route.leg_up == pit)
    size = route.leg_inside[out].max(initial=0.0) if len(out) else 0.0
    if not route.has_manhole[pit] or size > route.leg_inside[leg]:
        return drop
    table = site.book.rules.table("min_manhole_drop_m")
    turned = bool(len(out)) and abs(_turn(route, leg, int(out[0]))) > site.book.rules.number(
        "min_manhole_turn_deg"
    )
    least = table.get("turn" if turned else "straight", table.get("*", 0.0))
    return min(drop, math.ceil(least / site.project.level_step - ROUNDING))


def _turn(route: Route, leg: int, out: int) -> float:
    ways = [route.pit_xy[route.leg_down[one]] - route.pit_xy[route.leg_up[one]]
            for one in (leg, out)]  # fmt: skip
    bearing = [math.degrees(math.atan2(way[1], way[0])) for way in ways]
    return float(wrap(np.array(bearing[1] - bearing[0])))


def _broken(plan: Plan) -> set[tuple[str, str]]:
    """Rules that a plan breaks, by subject."""
    return {(one["rule"], one["subject"]) for one in plan.summary["breaches"]
            if one["severity"] == "breach"}  # fmt: skip


def _stands(plan: Plan, conflict: Conflict) -> bool:
    """Whether a conflict that breaks its rule is still there."""
    found = plan.conflicts
    names = plan.site.utilities["utility_id"].astype(str).iloc[list(conflict.services)]
    same = (found["subject"] == conflict.subject) & (found["rule"] == conflict.rule)
    same &= found["utility_id"].astype(str).isin(set(names))
    return bool((same & found["severity"].isin(("clash", "tight"))).any())
