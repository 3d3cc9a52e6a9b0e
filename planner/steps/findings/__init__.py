"""Holds a designed route against every rule: breaches, and advice that breaks nothing."""

from planner.steps.findings.find import find_breaches, find_faults
from planner.steps.findings.finding import Finding, finding
from planner.steps.findings.works import Room, Works

__all__ = ["Finding", "Room", "Works", "find_breaches", "find_faults", "finding"]
