"""Chooses pits, legs and inverts for a layout: builds and runs the programme."""

from planner.steps.routing.breaks import Break, find_breaks, floor_limits, upstream_properties
from planner.steps.routing.doubles import bind_all, bind_part, price_of_rounding
from planner.steps.routing.given import Given, Problem, outlets_of
from planner.steps.routing.memo import Memo
from planner.steps.routing.pricing import build_problem, make_problem
from planner.steps.routing.search import Found, find_route, settle_route, solve
from planner.steps.routing.why_not import explain

__all__ = [
    "Break",
    "Found",
    "Given",
    "Memo",
    "Problem",
    "bind_all",
    "bind_part",
    "build_problem",
    "explain",
    "find_breaks",
    "find_route",
    "floor_limits",
    "make_problem",
    "outlets_of",
    "price_of_rounding",
    "settle_route",
    "solve",
    "upstream_properties",
]
