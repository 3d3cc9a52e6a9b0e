"""Every finding on a route, in one list with a remedy each."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import geopandas as gpd

from planner.model import Figures
from planner.steps.findings.cover import cover_findings
from planner.steps.findings.crossings import crossing_findings
from planner.steps.findings.drawn_houses import house_findings
from planner.steps.findings.finding import Finding, finding
from planner.steps.findings.limits import leg_findings
from planner.steps.findings.manholes import manhole_findings, spacing_findings
from planner.steps.findings.places import place_findings
from planner.steps.findings.remedies import with_remedy
from planner.steps.findings.siting import siting_findings
from planner.steps.findings.stated import stated_findings
from planner.steps.findings.tie_ins import tie_in_findings
from planner.steps.findings.works import Works

Fault = tuple[str, str, float, float, str]


def find_faults(rules: Figures, faults: tuple[Fault, ...]) -> list[Finding]:
    """Faults of structure as breaches: rule, subject, what is, what must be, and with what."""
    found = []
    for rule, subject, value, limit, other in faults:
        if rule in rules and math.isnan(limit):  # the rule's own figure
            limit = rules.number(rule)  # noqa: PLW2901
        row = finding(rules, rule, subject, value, limit)
        found.append(with_remedy(row | {"with": other} if other else row))
    return found


def find_breaches(works: Works) -> list[Finding]:
    """Every rule that the works break, by subject matter, and what an engineer should look at."""
    return [with_remedy(row) for row in _all(works)]


def _all(works: Works) -> Iterator[Finding]:
    yield from leg_findings(works)
    yield from cover_findings(works)
    yield from manhole_findings(works)
    yield from spacing_findings(works)
    yield from tie_in_findings(works)
    yield from place_findings(works)
    yield from siting_findings(works)
    yield from crossing_findings(works)
    yield from _conflict_findings(works.rules, works.frames)
    yield from house_findings(works)
    yield from stated_findings(works)


def _conflict_findings(rules: Figures, frames: Any) -> Iterator[Finding]:
    """Conflicts that break a rule: of a connection only a clash with the pipe itself does."""
    conflicts: gpd.GeoDataFrame = frames["conflicts"]
    houses = set(frames["connections"]["connection_id"].astype(str))
    for row in conflicts.to_dict("records"):
        if row["severity"] == "unproven":
            continue
        solid = row["rule"] == "connection_clearance_m" and row["severity"] == "clash"
        advice = row["subject"] in houses and not solid
        line = finding(rules, row["rule"], row["subject"], row["clearance_m"],
                       row["required_m"], advice=advice)  # fmt: skip
        line["with"] = row["utility_id"]
        if not math.isnan(row["station_m"]):  # a pit has none
            line["station_m"] = round(float(row["station_m"]), 3)
        yield line
