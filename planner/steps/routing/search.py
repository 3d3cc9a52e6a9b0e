"""Chooses pits, legs, inverts and drive directions for a layout, and bounds their cost."""

from __future__ import annotations

from planner.kernels.optimum import Optimum, fill, find_optimum, least_cost
from planner.kernels.programme import DOWN
from planner.records import Bools, ChosenLeg, Solution
from planner.steps.routing.given import Bound, Given
from planner.steps.routing.pricing import build_problem


def find_route(given: Given, served: Bools) -> Solution | None:
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
    if found is None:
        return None
    bound = least_cost(problem.optimistic, fill(problem.optimistic))
    return _solution(given, problem.bound, found, (served, bound))


def _solution(given: Given, bound: Bound, found: Optimum, about: tuple[Bools, float]) -> Solution:
    """The optimum in the words of candidates and chains."""
    legs = tuple(
        ChosenLeg(
            int(bound.up[leg]), int(bound.down[leg]), z, a, drive == DOWN, int(bound.chain[leg]),
            int(bound.pipe[leg]), float(bound.length[leg]),
        )
        for leg, drive, z, a in zip(
            found.leg.tolist(), found.drive.tolist(), found.up_level.tolist(),
            found.down_level.tolist(), strict=True,
        )
    )  # fmt: skip
    counts = {"pits": len(given.candidates.ground), "legs": len(bound.up)}
    served, lower = about
    return Solution(legs, found.level, found.cost, min(lower, found.cost), served, {}, counts)
