"""Holds each leg against the limits of its own: slope, length, size, flow and pipe."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from planner.kernels.hydraulics import states_at_depth
from planner.model import Figures
from planner.rules import stepped
from planner.steps.findings.finding import ROUNDING, Finding, finding
from planner.steps.findings.works import Works


def leg_findings(works: Works) -> Iterator[Finding]:
    """Every limit that a leg breaks by itself, and advice on slopes near the least."""
    for leg in works.frames["legs"].to_dict("records"):
        yield from _least(works.rules, leg)
        yield from _most(works.rules, leg)
        yield from _pipe(works.rules, leg)
        yield from _margin(works.rules, leg)


def _least(rules: Figures, leg: dict[str, Any]) -> Iterator[Finding]:
    least = [
        ("min_slope_pct", leg["slope_pct"], stepped(rules, "min_slope_pct", leg["diameter_mm"])),
        ("min_leg_length_m", leg["length_m"], rules.number("min_leg_length_m")),
        ("min_diameter_mm", leg["diameter_mm"], rules.number("min_diameter_mm")),
    ]
    if rules.text("self_cleansing") == "velocity":
        speed = leg["velocity_full_m_per_s"]
        least.append(("min_velocity_m_per_s", speed, rules.number("min_velocity_m_per_s")))
    else:
        least.append(("min_shear_pa", _shear(rules, leg), rules.number("min_shear_pa")))
    for rule, value, limit in least:
        known = 0.0 if np.isnan(value) else value  # an adverse slope carries nothing
        if known < limit - ROUNDING:
            yield finding(rules, rule, leg["leg_id"], known, limit)


def _most(rules: Figures, leg: dict[str, Any]) -> Iterator[Finding]:
    size = leg["diameter_mm"]
    most = [
        ("max_slope_pct", leg["slope_pct"], rules.number("max_slope_pct")),
        ("max_leg_length_m", leg["length_m"], rules.number("max_leg_length_m")),
        ("max_velocity_m_per_s", leg["velocity_m_per_s"], rules.number("max_velocity_m_per_s")),
        ("max_depth_ratio", leg["depth_ratio"], stepped(rules, "max_depth_ratio", size)),
    ]
    for rule, value, limit in most:
        if np.isnan(value) or value > limit + ROUNDING:
            yield finding(rules, rule, leg["leg_id"], 1.0 if np.isnan(value) else value, limit)


def _pipe(rules: Figures, leg: dict[str, Any]) -> Iterator[Finding]:
    """A pipe whose inside is far below its name, that has no wall, or that its bore cannot hold."""
    name = leg["leg_id"]
    inside, outside = leg["inside_diameter_mm"], leg["outside_diameter_mm"]
    ratio, least = inside / leg["diameter_mm"], rules.number("min_inside_ratio")
    if ratio < least - ROUNDING:
        yield finding(rules, "min_inside_ratio", name, ratio, least)
    if inside >= outside:
        yield finding(rules, "inside_diameter_mm", name, inside, outside)
    if outside > leg["bore_diameter_mm"] + ROUNDING:
        yield finding(rules, "outside_diameter_mm", name, outside, leg["bore_diameter_mm"])


def _margin(rules: Figures, leg: dict[str, Any]) -> Iterator[Finding]:
    slope, rule = stepped(rules, "min_slope_pct", leg["diameter_mm"]), "bored_slope_margin_pct"
    margin = rules.number(rule)
    if slope - ROUNDING <= leg["slope_pct"] < slope + margin - ROUNDING:
        yield finding(rules, rule, leg["leg_id"], leg["slope_pct"] - slope, margin, advice=True)


def _shear(rules: Figures, leg: dict[str, Any]) -> float:
    """Mean boundary shear of a leg at design flow, 0 where it does not fall. [Pa]"""
    if not leg["slope_pct"] > 0:
        return 0.0
    n = rules.number("manning_n")
    given = (leg["flow_l_per_s"] / 1000, leg["inside_diameter_mm"] / 1000, leg["slope_pct"] / 100)
    flow, inside, slope = (np.array([value]) for value in given)
    return float(states_at_depth(flow, inside, slope, n, np.array([leg["depth_ratio"]])).shear[0])
