"""Says which rules, prices and input files two plans do not share."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from planner.model import EarlierPlan
from planner.steps.comparison.pairing import Changed, Pairing, in_order
from planner.steps.comparison.words import measured

TABLES = {"rules": "Rules and machine figures", "costs": "Prices"}
CURRENCY = "currency"


def bases_changed(pairing: Pairing) -> Changed:
    """Figures and files that a plan rests on, and the other does not."""
    first, other = pairing.first.summary, pairing.other.summary
    return [
        *((f"{words} that differ", figures_changed(first[key], other[key]))
          for key, words in TABLES.items()),
        ("Input files that differ", files_changed(pairing.first, pairing.other)),
    ]  # fmt: skip


def figures_changed(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[str]:
    """Figures whose value or unit differs; of a table only the entries that do."""
    found = []
    for name in before.keys() | after.keys():
        was, now = before.get(name), after.get(name)
        if was is None or now is None:
            one = was or now or {}
            place = "only the first plan" if was is not None else "only this plan"
            found.append(f"{name}: {measured(one.get('value'), one.get('unit'))}, in {place}")
        elif (was["value"], was.get("unit")) != (now["value"], now.get("unit")):
            found.append(_figure_words(name, was, now))
    return in_order(found)


def _figure_words(name: str, was: Mapping[str, Any], now: Mapping[str, Any]) -> str:
    values = was["value"], now["value"]
    tables = isinstance(values[0], dict) and isinstance(values[1], dict)
    if tables and was.get("unit") == now.get("unit"):
        keys = [k for k in values[0].keys() | values[1].keys()
                if values[0].get(k) != values[1].get(k)]  # fmt: skip
        parts = in_order(
            f"{key} {measured(values[0].get(key), was.get('unit'))}"
            f" → {measured(values[1].get(key), now.get('unit'))}"
            for key in keys
        )
        return f"{name}: {', '.join(parts)}"
    return (
        f"{name}: {measured(values[0], was.get('unit'))} → {measured(values[1], now.get('unit'))}"
    )


def files_changed(first: EarlierPlan, other: EarlierPlan) -> list[str]:
    """Input files that only one plan read, or whose content differs."""
    before, after = _digests(first), _digests(other)
    found = []
    for name in before.keys() | after.keys():
        if name not in after:
            found.append(f"{name}: read by the first plan only")
        elif name not in before:
            found.append(f"{name}: read by this plan only")
        elif before[name] != after[name]:
            found.append(f"{name}: another content")
    return in_order(found)


def _digests(plan: EarlierPlan) -> dict[str, list[str]]:
    """Digests of the files that a plan was made from, by path and layer."""
    found: dict[str, list[str]] = {}
    for one in plan.summary["inputs"]:
        layer = f", layer {one['layer']}" if one.get("layer") else ""
        found.setdefault(f"{one['path']}{layer}", []).append(one["sha256"])
    return {name: sorted(digests) for name, digests in found.items()}
