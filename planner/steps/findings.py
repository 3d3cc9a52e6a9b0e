"""Holds a designed route against every rule: breaches, and advice that breaks nothing."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from planner.kernels.hydraulics import states_at_depth
from planner.model import Figures, Site
from planner.rules import stepped

Finding = dict[str, Any]
ROUNDING = 1e-6


def finding(
    rules: Figures, rule: str, subject: str, value: float, limit: float, *, advice: bool = False
) -> Finding:
    """One breach or piece of advice, as the plan's summary holds it."""
    figure = rules.get(rule)
    return {
        "rule": rule, "subject": subject, "value": round(float(value), 6),
        "limit": round(float(limit), 6), "unit": figure.unit if figure else "m",
        "severity": "advice" if advice else "breach", "source": figure.source if figure else "",
    }  # fmt: skip


STRUCTURE = {
    "leg_meets_pit": "m", "unique_id": "rows", "one_outlet": "legs", "no_circle": "circles",
    "reaches_tie_in": "tie-ins", "pit_exists": "pits",
}  # fmt: skip


def find_faults(rules: Figures, faults: tuple[tuple[str, str, float, float], ...]) -> list[Finding]:
    """Faults of structure as breaches."""
    return [
        {**finding(rules, rule, subject, value, limit), "unit": STRUCTURE[rule],
         "source": "how a design hangs together"}
        for rule, subject, value, limit in faults
    ]  # fmt: skip


def find_breaches(
    site: Site, pits: gpd.GeoDataFrame, legs: gpd.GeoDataFrame, conflicts: gpd.GeoDataFrame,
    houses: set[str],
) -> list[Finding]:  # fmt: skip
    """Every rule that the plan breaks, in the order of its subjects."""
    rules = site.book.rules
    found: list[Finding] = []
    for leg in legs.to_dict("records"):
        found += _leg_findings(rules, leg)
    for pit in pits.to_dict("records"):
        if pit["kind"] == "pit" and pit["depth_m"] > rules.number("max_depth_m") + ROUNDING:
            limit = rules.number("max_depth_m")
            found.append(finding(rules, "max_depth_m", pit["pit_id"], pit["depth_m"], limit))
    found += _tie_in_findings(site, legs)
    return found + _conflict_findings(rules, conflicts, houses)


def _leg_findings(rules: Figures, leg: dict[str, Any]) -> list[Finding]:
    name, size = leg["leg_id"], leg["diameter_mm"]
    slope = stepped(rules, "min_slope_pct", size)
    cover = max(
        rules.number("min_cover_m"),
        rules.number("min_cover_bore_diameters") * leg["bore_diameter_mm"] / 1000,
    )
    least = [
        ("min_slope_pct", leg["slope_pct"], slope),
        ("min_cover_m", leg["min_cover_m"], cover),
        ("min_leg_length_m", leg["length_m"], rules.number("min_leg_length_m")),
        ("min_diameter_mm", size, rules.number("min_diameter_mm")),
    ]
    if rules.text("self_cleansing") == "velocity":
        speed = rules.number("min_velocity_m_per_s")
        least.append(("min_velocity_m_per_s", leg["velocity_full_m_per_s"], speed))
    else:
        least.append(("min_shear_pa", _shear(rules, leg), rules.number("min_shear_pa")))
    most = [
        ("max_slope_pct", leg["slope_pct"], rules.number("max_slope_pct")),
        ("max_leg_length_m", leg["length_m"], rules.number("max_leg_length_m")),
        ("max_velocity_m_per_s", leg["velocity_m_per_s"], rules.number("max_velocity_m_per_s")),
        ("max_depth_ratio", leg["depth_ratio"], stepped(rules, "max_depth_ratio", size)),
    ]
    found = [finding(rules, rule, name, v, lim) for rule, v, lim in least if v < lim - ROUNDING]
    found += [
        finding(rules, rule, name, 1.0 if np.isnan(v) else v, lim)
        for rule, v, lim in most
        if np.isnan(v) or v > lim + ROUNDING
    ]
    margin = slope + rules.number("bored_slope_margin_pct")
    if slope - ROUNDING <= leg["slope_pct"] < margin - ROUNDING:
        rule = "bored_slope_margin_pct"
        found.append(finding(rules, rule, name, leg["slope_pct"] - slope,
                             rules.number(rule), advice=True))  # fmt: skip
    return found


def _shear(rules: Figures, leg: dict[str, Any]) -> float:
    """Mean boundary shear of a leg at design flow. [Pa]"""
    n = rules.number("manning_n")
    given = (leg["flow_l_per_s"] / 1000, leg["inside_diameter_mm"] / 1000, leg["slope_pct"] / 100)
    flow, inside, slope = (np.array([value]) for value in given)
    return float(states_at_depth(flow, inside, slope, n, np.array([leg["depth_ratio"]])).shear[0])


def _tie_in_findings(site: Site, legs: gpd.GeoDataFrame) -> list[Finding]:
    """Spare capacity and high water of each tie-in that is used."""
    found = []
    arriving = legs.groupby("down_pit")["flow_l_per_s"].sum()
    lowest = legs.groupby("down_pit")["invert_down_m"].min()
    for tie_in in site.tie_ins.to_dict("records"):
        name = tie_in["tie_in_id"]
        if name not in arriving.index:
            continue
        spare, water = tie_in["spare_l_per_s"], tie_in["high_water_elev_m"]
        if not pd.isna(spare) and arriving[name] > spare + ROUNDING:
            found.append({**finding(site.book.rules, "spare_l_per_s", name, arriving[name], spare),
                          "unit": "L/s", "source": "the tie-in's own record"})  # fmt: skip
        if not pd.isna(water) and lowest[name] < water - ROUNDING:
            row = finding(site.book.rules, "high_water_elev_m", name, lowest[name], water,
                          advice=True)  # fmt: skip
            found.append({**row, "source": "the tie-in's own record"})
    return found


def _conflict_findings(
    rules: Figures, conflicts: gpd.GeoDataFrame, houses: set[str]
) -> list[Finding]:
    """Conflicts that break a rule: of a connection only a clash with the pipe itself does."""
    found = []
    for row in conflicts.to_dict("records"):
        if row["severity"] == "unproven":
            continue
        solid = row["rule"] == "connection_clearance_m" and row["severity"] == "clash"
        advice = row["subject"] in houses and not solid
        line = finding(rules, row["rule"], row["subject"], row["clearance_m"],
                       row["required_m"], advice=advice)  # fmt: skip
        found.append({**line, "with": row["utility_id"]})
    return found
