"""Turns a person's own pits and legs into a route, and says where they do not hang together."""

from planner.steps.design.as_route import Design
from planner.steps.design.network import Fault
from planner.steps.design.take import take_design

__all__ = ["Design", "Fault", "take_design"]
