"""Says which rules one of two plans breaks, and where, that the other does not break there."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any

from planner.model import EarlierPlan
from planner.steps.comparison.pairing import Changed, Pairing, in_order
from planner.steps.comparison.words import measured

SEVERITIES = {
    "breach": ("Rules broken anew", "Rules no longer broken"),
    "advice": ("New advice", "Advice no longer given"),
}
Key = tuple[str, str, str]


def findings_changed(pairing: Pairing) -> Changed:
    """Findings that one plan has and the other has not, at the same pit, leg or property."""
    found: Changed = []
    for severity, (new, gone) in SEVERITIES.items():
        names = _names_in_other(pairing)
        before = _by_key(pairing.first, severity, names)
        after = _by_key(pairing.other, severity, {})
        found += [(new, _extra(after, before)), (gone, _extra(before, after))]
    return found


def _names_in_other(pairing: Pairing) -> dict[str, str]:
    """What each pit, leg and connection of the first plan is called in the other.

    One that is not there has a name that nothing in the other plan has.
    """
    first, other = pairing.first, pairing.other
    there = dict(
        zip(other.connections["property_id"], other.connections["connection_id"], strict=True)
    )
    names = {
        str(connection): there.get(house, f"\0{connection}")
        for connection, house in zip(
            first.connections["connection_id"], first.connections["property_id"], strict=True
        )
    }
    if not pairing.placed:  # names are all there is
        return names
    pits, legs = first.pits["pit_id"].tolist(), first.legs["leg_id"].tolist()
    names |= {name: f"\0{name}" for name in (*pits, *legs)}
    names |= {pits[i]: other.pits["pit_id"].iloc[j] for i, j, _ in pairing.pits}
    same = (*pairing.legs, *pairing.turned)
    return names | {legs[i]: other.legs["leg_id"].iloc[j] for i, j in same}


def _by_key(plan: EarlierPlan, severity: str, names: Mapping[str, str]) -> list[tuple[Key, str]]:
    """Findings of a severity: what is looked for in the other plan, and words."""
    found = []
    for one in plan.summary["breaches"]:
        if one["severity"] == severity:
            subject, other = str(one["subject"]), str(one.get("with") or "")
            key = (one["rule"], names.get(subject, subject), names.get(other, other))
            found.append((key, _words(one, other)))
    return found


def _words(one: Mapping[str, Any], other: str) -> str:
    beside = f" with {other}" if other else ""
    value, limit = (measured(one.get(name), one.get("unit")) for name in ("value", "limit"))
    return f"{one['subject']}{beside}: {one['rule']} is {value}, must be {limit}"


def _extra(here: list[tuple[Key, str]], there: list[tuple[Key, str]]) -> list[str]:
    """Words of the findings of one plan that the other has not, each as often as it has more."""
    left = Counter(key for key, _ in there)
    found = []
    for key, words in here:
        if left[key]:
            left[key] -= 1
        else:
            found.append(words)
    return in_order(found)
