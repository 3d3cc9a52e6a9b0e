"""Chooses pits, legs, inverts and drive directions for a layout, and bounds their cost."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from planner.kernels.optimum import Optimum, find_optimum
from planner.kernels.programme import DOWN
from planner.records import Bools, ChosenLeg, Ints, Solution
from planner.steps.routing.binding import bind_rows
from planner.steps.routing.chords import inlets_apart
from planner.steps.routing.doubles import (
    Drive,
    bind_again,
    drives_of,
    lay_legs,
    price_of_rounding,
)
from planner.steps.routing.given import Bound, Given, Problem
from planner.steps.routing.pricing import make_pits, make_problem, regroup
from planner.steps.routing.prospects import MANY_LEGS, budgets, keep_within, least_prices
from planner.steps.routing.reasons import explain_levels

PENNY = 0.01  # sums of money that differ by less are the same
SMALL_GAP = 0.0005  # of the cost: less is not looked at closer
MOST_ROUNDS = 4  # times that the bound is taken


@dataclass(frozen=True, eq=False)
class Found:
    """The cheapest pits and legs for some properties, and all they were chosen from."""

    given: Given
    served: Bools  # (properties,)
    problem: Problem
    optimum: Optimum


def find_route(given: Given, served: Bools) -> Found | None:
    """The cheapest pits and legs that serve some properties, or None where there are none.

    Only legs that a plan within a budget can use are bound, see `prospects`; what is left out is
    in no plan, and no hopeful one, that costs as little as the route.

    Parameters
    ----------
    given
        What the route is chosen from.
    served : (properties,)
        Properties that must drain to the route.
    """
    if not given.candidates.chains:
        return None
    legs, pits = lay_legs(given, served), make_pits(given)

    def solve_with(kept: Bound, most: float) -> Found | None:
        problem = make_problem(given, bind_rows(given, served, kept), pits)
        problem = replace(problem, looked_at=(legs.singles, len(legs.up)))
        return solve(given, served, problem, most)

    if legs.singles < MANY_LEGS:
        return solve_with(legs, math.inf)
    prices = least_prices(given, legs, pits)
    for most in budgets(prices):
        found = solve_with(keep_within(legs, prices, most), most)
        if found is not None and found.optimum.cost > most:
            cost = found.optimum.cost
            found = solve_with(keep_within(legs, prices, cost), cost)
        if found is not None:  # more legs know their turns in wider classes, which may bar all
            return found
    return solve_with(legs, math.inf)


def solve(given: Given, served: Bools, problem: Problem, most: float = math.inf) -> Found | None:
    """The same, by the programme's arrays; ``most`` is what it may well cost, if that is known."""
    found = find_optimum(problem.strict, most)
    return None if found is None else Found(given, served, problem, found)


def settle_route(found: Found) -> Solution:
    """The route with its inverts by exact turns, what fixes them, and the bound on its cost.

    The programme knows turns within a few degrees only. Once pits and legs are chosen it is run
    again over them alone, where every turn is known. While the bound leaves more than a small gap,
    directions are told apart more finely at the pits that it and the route use.
    """
    given = found.given
    best, lower = found, 0.0
    for _ in range(MOST_ROUNDS):
        hopeful = find_optimum(found.problem.optimistic, best.optimum.cost)
        lower = max(lower, 0.0 if hopeful is None else hopeful.cost)
        own = found.optimum.leg
        more = () if hopeful is None else (hopeful.leg, np.union1d(own, hopeful.leg))
        for legs in (own, *more):
            closer = _look_closer(found, legs)
            if closer is not None and closer.optimum.cost <= best.optimum.cost + PENNY:
                best = closer
        if best.optimum.cost - lower <= SMALL_GAP * best.optimum.cost or hopeful is None:
            break
        found = _tell_apart(found, hopeful)
    reasons = explain_levels(given, found.served, best.problem, best.optimum)
    bound, chosen = best.problem.bound, best.optimum
    drives = drives_of(best.problem, chosen)
    singles, legs = found.problem.looked_at
    counts = {
        "pits": len(given.candidates.ground), "legs": singles, "doubles": legs - singles,
    }  # fmt: skip
    cost = chosen.cost + price_of_rounding(best.problem, chosen)
    return Solution(
        legs=tuple(_chosen_leg(bound, drive) for drive in drives),
        level={**{drive.up: drive.up_level for drive in drives}, **chosen.level}, cost=cost,
        lower_bound=min(lower, cost), served=found.served, why_not={}, counts=counts,
        conflicts=(), pit_binds=reasons.pits, leg_binds=reasons.legs, savings=reasons.savings,
        without_manhole=frozenset(drive.up for drive in drives if drive.up not in chosen.level),
    )  # fmt: skip


def _look_closer(found: Found, legs: Ints) -> Found | None:
    """The cheapest of what some legs may do among themselves, by exact turns."""
    problem = found.problem
    bound = bind_again(found.given, found.served, problem.bound, problem.leg[legs])
    bound = replace(bound, strict=bound.strict | inlets_apart(found.given, bound))
    problem = make_problem(found.given, bound)
    best = find_optimum(problem.strict)
    return None if best is None else Found(found.given, found.served, problem, best)


def _tell_apart(found: Found, hopeful: Optimum) -> Found:
    """The optimum with directions told apart finely at all pits of two optima."""
    fine = found.given.candidates.fine.copy()
    fine[[*found.optimum.level, *hopeful.level]] = True
    given = replace(found.given, candidates=replace(found.given.candidates, fine=fine))
    problem = regroup(given, found.problem)
    best = find_optimum(problem.strict, found.optimum.cost)  # nothing is barred that was not
    return found if best is None else Found(given, found.served, problem, best)


def _chosen_leg(bound: Bound, drive: Drive) -> ChosenLeg:
    """A drive of the optimum in the words of candidates and chains."""
    leg = drive.leg
    return ChosenLeg(
        drive.up, drive.down, drive.up_level, drive.down_level, drive.drive == DOWN,
        int(bound.chain[leg]), int(bound.pipe[leg]), float(bound.length[leg]),
    )  # fmt: skip
