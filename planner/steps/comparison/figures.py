"""The figures that plans are held against each other by, a row each."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from planner.model import EarlierPlan, Row
from planner.steps.comparison.cautions import currency_of
from planner.steps.comparison.pairing import TIE_IN
from planner.steps.comparison.served import served_by, tie_ins_of

LESS, MORE = "less", "more"
CONFLICTS = ("clash", "tight", "unproven")
SEVERITIES = (("breach", "Rules broken"), ("advice", "Advice"))
SIZES = (
    ("Working days", "count", "working_days"), ("Length", "length", "length_m"),
    ("Legs", "count", "legs"), ("Pits", "count", "pits"),
)  # fmt: skip
Values = Sequence[Any]


def figures_of(plans: Sequence[EarlierPlan]) -> list[Row]:
    """Rows of figures; no least figure is the best one where plans serve different properties."""
    less = LESS if all(served_by(p) == served_by(plans[0]) for p in plans) else ""
    served = _totals(plans, "served")
    whole = _totals(plans, "properties")
    left = [None if a is None or b is None else b - a for a, b in zip(served, whole, strict=True)]
    return [
        Row("Result", "", tuple(str(plan.summary.get("status") or "–") for plan in plans)),
        _row("Properties served", "count", served, MORE),
        _row("Properties not served", "count", left, LESS),
        *_money_rows(plans, less),
        *(_row(name, measure, _totals(plans, key), less) for name, measure, key in SIZES),
        *_pit_rows(plans, less),
        Row("Tie-ins used", "", tuple(", ".join(tie_ins_of(p)) or "none" for p in plans)),
        *_finding_rows(plans, less),
        *_proof_rows(plans, less),
    ]


def _row(name: str, measure: str, values: Values, better: str = "") -> Row:
    return Row(name, measure, tuple(_figure(value) for value in values), better)


def _figure(value: Any) -> float | None:
    return None if value is None or not np.isfinite(value) else float(value)


def _totals(plans: Sequence[EarlierPlan], key: str) -> list[Any]:
    return [plan.summary["totals"].get(key) for plan in plans]


def _money_rows(plans: Sequence[EarlierPlan], less: str) -> list[Row]:
    """Costs and their parts; of a plan in other money than the first only the sum, as text."""
    money = [currency_of(plan) for plan in plans]
    parts = [plan.summary["cost_breakdown"] for plan in plans]
    heads = list(dict.fromkeys(head for one in parts for head in one))
    found = [
        _row("Cost", "money", _alike(money, _totals(plans, "cost")), less),
        *(_row(f"– {head.replace('_', ' ')}", "money",
               _alike(money, [one.get(head) for one in parts]), less) for head in heads),
        _row("Cost to the public", "money", _alike(money, _totals(plans, "social_cost")), less),
    ]  # fmt: skip
    if len(set(money)) > 1:
        costs = zip(_totals(plans, "cost"), money, strict=True)
        texts = ("–" if cost is None else f"{cost:.0f} {unit}".strip() for cost, unit in costs)
        found.insert(1, Row("Cost in its own currency", "", tuple(texts)))
    return found


def _alike(money: Sequence[str], values: Values) -> list[Any]:
    """Sums in the money of the first plan; others are left out."""
    return [v if unit == money[0] else None for unit, v in zip(money, values, strict=True)]


def _pit_rows(plans: Sequence[EarlierPlan], less: str) -> list[Row]:
    own = [plan.pits[plan.pits["kind"] != TIE_IN] for plan in plans]
    return [
        _row("Deepest pit", "depth", [one["depth_m"].max() for one in own], less),
        _row("Mean depth of pits", "depth", [one["depth_m"].mean() for one in own], less),
        _row("Most lanes closed by a pit", "count", [one["lanes_closed"].max() for one in own],
             less),
    ]  # fmt: skip


def _finding_rows(plans: Sequence[EarlierPlan], less: str) -> list[Row]:
    said = [pd.Series([one["severity"] for one in p.summary["breaches"]], dtype=object)
            for p in plans]  # fmt: skip
    return [
        *(_row(f"Conflicts: {severity}", "count",
               [int((plan.conflicts["severity"] == severity).sum()) for plan in plans], less)
          for severity in CONFLICTS),
        *(_row(words, "count", [int((one == severity).sum()) for one in said], less)
          for severity, words in SEVERITIES),
    ]  # fmt: skip


def _proof_rows(plans: Sequence[EarlierPlan], less: str) -> list[Row]:
    money = [currency_of(plan) for plan in plans]
    known = [plan.summary.get("optimality") or {} for plan in plans]

    def of(key: str) -> list[Any]:
        return [one.get(key) for one in known]

    return [
        _row("Cost of what was searched", "money", _alike(money, of("cost")), less),
        _row("No plan costs less than", "money", _alike(money, of("lower_bound"))),
        _row("Gap", "percent", of("gap_pct"), LESS),
    ]
