"""Holds bores, pits and connections against every buried service: clearances and conflicts."""

from planner.steps.clearances.find import find_conflicts
from planner.steps.clearances.judging import unproven_reach
from planner.steps.clearances.nearest import AROUND, Nearby
from planner.steps.clearances.rows import RESOLUTIONS, Conflicts
from planner.steps.clearances.search import (
    Neighbours,
    ServiceIndex,
    index_services,
    nearest_services,
)
from planner.steps.clearances.services import Services, prepare_services
from planner.steps.clearances.subjects import Connections, Legs, Pits

__all__ = [
    "AROUND",
    "RESOLUTIONS",
    "Conflicts",
    "Connections",
    "Legs",
    "Nearby",
    "Neighbours",
    "Pits",
    "ServiceIndex",
    "Services",
    "find_conflicts",
    "index_services",
    "nearest_services",
    "prepare_services",
    "unproven_reach",
]
