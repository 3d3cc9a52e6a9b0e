"""One finding as the plan's summary holds it: rule, subject, figures, source and remedy."""

from __future__ import annotations

from typing import Any

from planner.model import Figures

Finding = dict[str, Any]
ROUNDING = 1e-6

STRUCTURE = "how a design hangs together"
OWN_RECORD = "the layer's own record"
SITE = "where works may stand"
OWN: dict[str, tuple[str, str]] = {
    "leg_meets_pit": ("m", STRUCTURE), "unique_id": ("rows", STRUCTURE),
    "one_outlet": ("legs", STRUCTURE), "no_circle": ("circles", STRUCTURE),
    "reaches_tie_in": ("tie-ins", STRUCTURE), "pit_exists": ("pits", STRUCTURE),
    "straight_leg": ("m", STRUCTURE), "launch_pit": ("pits", STRUCTURE),
    "joins_exists": ("legs or pits", STRUCTURE), "property_exists": ("properties", STRUCTURE),
    "manhole": ("", "a pit needs none where slope, size and line stay and nothing joins"),
    "inside_diameter_mm": ("mm", "a pipe has a wall"),
    "outside_diameter_mm": ("mm", "a pipe fits into its bore"),
    "may_launch": ("drives", OWN_RECORD), "spare_l_per_s": ("L/s", OWN_RECORD),
    "high_water_elev_m": ("m", OWN_RECORD),
    "tie_in_inlet_deg": ("deg", "a new inlet stands at least 90 degrees from the outlet"),
    "right_of_way": ("m", SITE), "keep_out": ("m", SITE), "no_cut_until": ("", SITE),
    "ground_nodata": ("m", SITE), "forbidden_street": ("m", SITE), "clear_m": ("m", OWN_RECORD),
}  # fmt: skip
"""Unit and source of the rules that are no figures of the rule book."""


def finding(
    rules: Figures, rule: str, subject: str, value: float, limit: float, *, advice: bool = False
) -> Finding:
    """One breach or piece of advice, as the plan's summary holds it."""
    figure = rules.get(rule)
    unit, source = (figure.unit, figure.source) if figure else OWN.get(rule, ("", STRUCTURE))
    return {
        "rule": rule, "subject": subject, "value": round(float(value), 6) + 0.0,
        "limit": round(float(limit), 6) + 0.0, "unit": unit,
        "severity": "advice" if advice else "breach", "source": source,
    }  # fmt: skip
