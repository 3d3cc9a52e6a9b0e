"""Chooses streets for the sewer and which way each flows, and bounds what any choice costs."""

from __future__ import annotations

from planner.steps.layout.bound import Favour, StreetBound, bound_streets, is_only_choice
from planner.steps.layout.choose import Posed, Question, every_choice, lay_out, other_streets, pose
from planner.steps.layout.fixed import NO_CHOICES, Choices, choices_of
from planner.steps.layout.pricing import Levels
from planner.steps.layout.tariff import depths_of, generic_places, least_price, usual_tariff

__all__ = [
    "NO_CHOICES",
    "Choices",
    "Favour",
    "Levels",
    "Posed",
    "Question",
    "StreetBound",
    "bound_streets",
    "choices_of",
    "depths_of",
    "every_choice",
    "generic_places",
    "is_only_choice",
    "lay_out",
    "least_price",
    "other_streets",
    "pose",
    "usual_tariff",
]
