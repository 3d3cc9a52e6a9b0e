"""What a route costs in the terms in which the search counts, so that its bound can be compared."""

from __future__ import annotations

import numpy as np

from planner.model import Floats, Site
from planner.records import Bools, Ints, Prices, Route
from planner.rules import stepped

JOINT_MARGIN = 1.5  # [m] a house joins a leg at least this far from its pits
METHOD = "shaft and saddle"  # what the search takes every house connection to be
NOISE = 1e-9  # [m]
SHARE = 1e-6  # of a step of the grid


def cost_as_searched(site: Site, route: Route, prices: Prices, served: Bools) -> float:
    """Pits, legs, drops and house connections as the search prices them.

    Legs are priced between faces that lie across them, and every house as a saddle at the nearest
    point of its leg; a plan's own cost has the footprints and connections as they come out.

    Parameters
    ----------
    site, route
        The site and its route.
    prices
        Prices of the route's places and pipes.
    served : (properties,)
        Properties that the route drains.
    """
    launches = np.bincount(route.leg_launch, minlength=len(route.pit_id)) > 0
    total = _pits(site, route, prices, launches) + _legs(site, route, prices, launches)
    total += _flat_legs(site, route, prices)
    return float(total + _drops(site, route, prices) + _houses(site, route, served))


def _pits(site: Site, route: Route, prices: Prices, launches: Bools) -> float:
    role, at = launches.astype(int), route.candidate
    depth = route.pit_ground - route.pit_level * site.project.level_step + prices.under[role]
    total = prices.pit[at, role] + prices.pit_depth[at, role] * depth
    for from_depth, price in zip(prices.step_depth, prices.step_price, strict=True):
        total = total + np.where(depth >= from_depth, price[role], 0.0)
    well = prices.manhole[role] + prices.manhole_depth * depth
    total = total - np.where(route.has_manhole, 0.0, well)
    used = np.zeros(len(at), bool)
    used[route.leg_up], used[route.leg_down] = True, True
    return float(np.nansum(total[used]))


def _legs(site: Site, route: Route, prices: Prices, launches: Bools) -> float:
    step = site.project.level_step
    down = route.leg_launch == route.leg_up
    upper = np.where(down, 1, launches[route.leg_up].astype(int))
    lower = np.where(down, 0, 1)
    bored = route.leg_length - prices.face[route.candidate[route.leg_up], upper]
    bored = bored - prices.face[route.candidate[route.leg_down], lower]
    levels = (route.leg_up, route.leg_up_level), (route.leg_down, route.leg_down_level)
    depth = sum(route.pit_ground[pit] - level * step for pit, level in levels) / 2
    per_m = prices.leg[route.leg_pipe] + prices.leg_depth[route.leg_pipe] * depth
    return float(np.nansum(bored * (per_m + prices.downgrade * down)))


def _flat_legs(site: Site, route: Route, prices: Prices) -> float:
    """What legs count more that are flatter than the least slope and its margin.

    Legs that run on through a pit without a manhole are one pipe, and judged by its slope.
    """
    rules, step = site.book.rules, site.project.level_step
    fall = (route.leg_up_level - route.leg_down_level) * step
    whole = _pipes_of(route)
    falls, lengths = (np.bincount(whole, part)[whole] for part in (fall, route.leg_length))
    least = np.array([stepped(rules, "min_slope_pct", size) for size in route.leg_nominal])
    least = (least + rules.number("bored_slope_margin_pct")) / 100
    flat = falls < least * lengths - SHARE * step
    return float(prices.slope_margin * route.leg_length[flat].sum())


def _pipes_of(route: Route) -> Ints:
    """One number for all legs that are one pipe, (legs,)."""
    pipe = np.arange(len(route.leg_up))
    for pit in np.flatnonzero(~route.has_manhole).tolist():
        ends = pipe[(route.leg_up == pit) | (route.leg_down == pit)]
        if len(ends):
            pipe[np.isin(pipe, ends)] = ends.min()
    return pipe


def _drops(site: Site, route: Route, prices: Prices) -> float:
    fall = (route.leg_down_level - route.pit_level[route.leg_down]) * site.project.level_step
    built = fall > site.book.rules.number("max_manhole_drop_m") + NOISE
    return float((prices.drop + prices.drop_depth * fall[built]).sum())


def _houses(site: Site, route: Route, served: Bools) -> float:
    costs = site.book.costs
    fixed, per_m = (costs.entry(f"connection_{what}", METHOD) for what in ("fixed", "per_m"))
    rows = np.flatnonzero(served & (route.property_leg >= 0))
    leg = route.property_leg[rows]
    away = _reaches(route.pit_xy[route.leg_up[leg]], route.pit_xy[route.leg_down[leg]],
                    route.property_xy[rows].reshape(-1, 2))  # fmt: skip
    return fixed * len(rows) + per_m * float(away.sum())


def _reaches(up: Floats, down: Floats, house: Floats) -> Floats:
    """Distance of houses from the nearest place of their legs where they may join. [m]"""
    way = down - up
    length = np.hypot(*way.T)
    share = np.clip(((house - up) * way).sum(axis=1) / length**2, 0.0, 1.0)
    share = np.clip(share, JOINT_MARGIN / length, 1.0 - JOINT_MARGIN / length)
    return np.asarray(np.hypot(*(house - up - share[:, None] * way).T))
