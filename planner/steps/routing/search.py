"""Chooses pits, legs, inverts and drive directions for a layout, and bounds their cost."""

from __future__ import annotations

from dataclasses import dataclass

from planner.kernels.optimum import Optimum, fill, find_optimum, least_cost
from planner.kernels.programme import DOWN
from planner.records import Bools, ChosenLeg, Solution
from planner.steps.routing.binding import bind_again
from planner.steps.routing.given import Bound, Given, Problem
from planner.steps.routing.pricing import build_problem, make_problem
from planner.steps.routing.reasons import explain_levels


@dataclass(frozen=True, eq=False)
class Found:
    """The cheapest pits and legs for some properties, and all they were chosen from."""

    given: Given
    served: Bools  # (properties,)
    problem: Problem
    optimum: Optimum


def find_route(given: Given, served: Bools) -> Found | None:
    """The cheapest pits and legs that serve some properties, or None where there are none.

    Parameters
    ----------
    given
        What the route is chosen from.
    served : (properties,)
        Properties that must drain to the route.
    """
    if not given.candidates.chains:
        return None
    problem = build_problem(given, served)
    found = find_optimum(problem.strict)
    return None if found is None else Found(given, served, problem, found)


def settle_route(found: Found) -> Solution:
    """The route with its inverts by exact turns, what fixes them, and the bound on its cost.

    The programme knows turns within a few degrees only. Once pits and legs are chosen it is run
    again over them alone, where every turn is known.
    """
    given, whole = found.given, found.problem.bound
    chosen = bind_again(given, found.served, whole, found.optimum.leg)
    exact = make_problem(given, chosen)
    best = find_optimum(exact.strict)
    if best is None or best.cost > found.optimum.cost:
        raise AssertionError("the chosen legs are dearer among themselves than among all")
    lower = least_cost(found.problem.optimistic, fill(found.problem.optimistic))
    reasons = explain_levels(given, found.served, exact, best)
    legs = _chosen_legs(chosen, best)
    counts = {"pits": len(given.candidates.ground), "legs": len(whole.up)}
    return Solution(
        legs=legs, level=best.level, cost=best.cost, lower_bound=min(lower, best.cost),
        served=found.served, why_not={}, counts=counts, conflicts=(), pit_binds=reasons.pits,
        leg_binds=reasons.legs, savings=reasons.savings,
    )  # fmt: skip


def _chosen_legs(bound: Bound, found: Optimum) -> tuple[ChosenLeg, ...]:
    """The optimum's legs in the words of candidates and chains."""
    columns = (found.leg, found.drive, found.up_level, found.down_level)
    return tuple(
        ChosenLeg(
            int(bound.up[leg]), int(bound.down[leg]), z, a, drive == DOWN, int(bound.chain[leg]),
            int(bound.pipe[leg]), float(bound.length[leg]),
        )
        for leg, drive, z, a in zip(*(c.tolist() for c in columns), strict=True)
    )  # fmt: skip
