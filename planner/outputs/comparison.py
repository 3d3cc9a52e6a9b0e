"""Shows plans side by side: a table of texts, and JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from planner.model import Comparison, EarlierPlan, Row
from planner.outputs.display import ABSENT, Display

BEST = "★"  # beside the best figure of a row


def display_of(plans: Sequence[EarlierPlan]) -> Display:
    """Units that the first plan is shown in."""
    first = plans[0].summary
    shown = first.get("shown_in") or {}
    currency = str(first["totals"].get("currency") or "")
    units = "us" if shown.get("units") == "us" else "metric"
    foot = shown.get("foot_m")
    return Display(
        units, float(foot) if isinstance(foot, (int, float)) else 0.3048,
        str(shown.get("vertical_datum") or ""), currency=currency,
    )  # fmt: skip


def table_of(made: Comparison, show: Display) -> list[list[str]]:
    """Cells of the table, the names of the plans above; the best of each row is marked."""
    cells = [["", *made.names]]
    for row in made.rows:
        unit = show.unit(row.measure) if row.measure else ""
        cells.append([f"{row.name} [{unit}]" if unit else row.name, *_cells(row, show)])
    return cells


def _cells(row: Row, show: Display) -> list[str]:
    best = _best(row, show)
    found = []
    for k, value in enumerate(row.values):
        if isinstance(value, str):
            found.append(value)
            continue
        text = show.plain(row.measure, value) if value is not None else ABSENT
        first = row.values[0]
        if k and value is not None and isinstance(first, float):
            more = show.number(row.measure, abs(value - first))
            sign = "+" if value > first else "−"
            text += f" ({sign}{show.plain(row.measure, abs(value - first))})" if more else ""
        found.append(f"{text} {BEST}" if k in best else text)
    return found


def _best(row: Row, show: Display) -> set[int]:
    """Numbers of the plans with the best figure as it is shown, unless all have it."""
    known = [show.number(row.measure, v) for v in row.values if isinstance(v, float)]
    figures = [v for v in known if v is not None]
    if not row.better or len(figures) < len(row.values) or min(figures) == max(figures):
        return set()
    best = min(figures) if row.better == "less" else max(figures)
    return {k for k, value in enumerate(figures) if value == best}


def comparison_content(made: Comparison) -> dict[str, Any]:
    """The comparison as JSON holds it, in SI."""
    return {
        "plans": list(made.names), "cautions": list(made.cautions),
        "figures": [asdict(row) for row in made.rows],
        "changes": [{**asdict(c), "plan": made.names[c.plan]} for c in made.changes],
    }  # fmt: skip
