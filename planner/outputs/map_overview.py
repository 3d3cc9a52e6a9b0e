"""The overview of the column: totals, what breaks a rule, who is not served, what it rests on."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from planner.model import LedgerEntry
from planner.outputs.display import ABSENT, DAGGER, Display, is_absent
from planner.outputs.map_features import Pen, write_words
from planner.outputs.map_reasons import conflicts_block, savings_block

NO_BREAK = "\u00a0"
Block = dict[str, Any]
STATUS_WORDS = {
    "ok": "Nothing breaks a rule and every property is served.",
    "breaks rules": "Something breaks a rule.",
    "incomplete": "Not everything could be served.",
}
COST_WORDS = {"ground_and_water": "Ground and water", "test_holes": "Test holes"}
LEDGER_WORDS = {
    "doubt": "In doubt", "refused": "Refused", "repaired": "Repaired", "assumed": "Assumed",
    "ignored": "Ignored",
}  # fmt: skip
MEASURE_OF_UNIT = {"m": "clearance", "mm": "tolerance", "m/s": "velocity", "L/s": "flow"}
QUOTING = ("doubt", "refused", "ignored")
TRUE_WIDTH_NOTE = (
    "Drawn at true size; scale bar and distances on screen are approximate, figures are not."
)


def overview(pen: Pen) -> list[Block]:
    """Blocks of the overview in their order; empty ones are left out."""
    blocks = [
        totals_block(pen),
        breaches_block(pen),
        unserved_block(pen),
        conflicts_block(pen),
        optimality_block(pen),
        savings_block(pen),
        cost_block(pen),
        *ledger_blocks(pen),
        rows_block(pen),
        rules_block("Rules", pen.plan.summary.get("rules") or {}),
        rules_block("Prices", pen.plan.summary.get("costs") or {}),
        inputs_block(pen),
        {"title": "About this map", "text": [TRUE_WIDTH_NOTE], "closed": True},
    ]
    return [block for block in blocks if block.get("rows") or block.get("text")]


def totals_block(pen: Pen) -> Block:
    """Status in words, and the totals."""
    summary, show = pen.plan.summary, pen.show
    totals = summary.get("totals") or {}
    served = f"{totals.get('served', 0)} of {totals.get('properties', 0)}"
    rows = [
        ["Legs", show.text("count", totals.get("legs"))],
        ["Length of sewer", show.text("length", totals.get("length_m"))],
        ["Pits", show.text("count", totals.get("pits"))],
        ["Properties served", served],
        ["Cost", show.text("money", totals.get("cost"))],
        ["Cost to the public", show.text("money", totals.get("social_cost"))],
        ["Working days", show.text("count", totals.get("working_days"))],
    ]
    status = str(summary.get("status", ""))
    return {"title": "", "text": [STATUS_WORDS.get(status, status)], "rows": known_rows(rows)}


def known_rows(rows: list[list[str]]) -> list[list[str]]:
    """Rows whose figure is known."""
    return [row for row in rows if row[1] != ABSENT]


def breaches_block(pen: Pen) -> Block:
    """What breaks a rule first, advice after it; each leads to its subject."""
    found = list(pen.plan.summary.get("breaches") or [])
    found.sort(key=lambda breach: breach.get("severity") == "advice")
    rows = [[str(breach.get("subject", "")), breach_text(breach, pen.show)] for breach in found]
    return {"title": "Breaches and advice", "rows": rows, "links": True}


def breach_text(breach: Mapping[str, Any], show: Display) -> str:
    """Rule, figure and limit in a line."""
    value, limit = (figure_text(breach.get(key), breach, show) for key in ("value", "limit"))
    advice = " (advice)" if breach.get("severity") == "advice" else ""
    return f"{rule_words(str(breach.get('rule', '')))}: {value}, limit {limit}{advice}"


def rule_words(name: str) -> str:
    """Name of a rule as people say it: without its unit, without underscores."""
    for tail in ("_m_per_s", "_pct", "_mm", "_deg", "_pa", "_m"):
        name = name.removesuffix(tail)
    return name.replace("_", " ")


def figure_text(value: object, entry: Mapping[str, Any], show: Display) -> str:
    """Figure of a breach in the project's units where its unit is one that is shown."""
    unit = str(entry.get("unit", ""))
    if is_absent(value) or isinstance(value, (str, bool, dict, list)):
        return str(value)
    if unit in MEASURE_OF_UNIT:
        return show.text(MEASURE_OF_UNIT[unit], value).replace(" ", NO_BREAK)
    return f"{value:g}{NO_BREAK}{unit}".strip() if isinstance(value, (int, float)) else str(value)


def unserved_block(pen: Pen) -> Block:
    """Properties that cannot be served, and why."""
    rows = pen.plan.connections
    missing = rows[~rows["served"].eq(other=True)]
    pairs = zip(missing["property_id"].tolist(), missing["why_not"].tolist(), strict=True)
    told = [
        [write_words(name), "" if is_absent(why) else pen.show.prose(why)] for name, why in pairs
    ]
    return {"title": "Properties not served", "rows": told, "links": True}


def optimality_block(pen: Pen) -> Block:
    """How far the plan can be from the best one, once that is known."""
    known = pen.plan.summary.get("optimality") or {}
    if is_absent(known.get("gap_pct")):
        return {}
    show = pen.show
    rows = [
        ["Cost of what was searched", show.text("money", known.get("cost"))],
        ["No plan costs less than", show.text("money", known.get("lower_bound"))],
        ["Gap", show.text("percent", known.get("gap_pct"))],
    ]
    here = known.get("on_these_streets") or {}
    if here:
        rows.append(["Gap in these streets", show.text("percent", here.get("gap_pct"))])
    text = [f"The bound is over {known.get('scope', '')}."]
    if known.get("not_bounded"):
        text.append("Not bounded: " + ", ".join(str(name) for name in known["not_bounded"]))
    return {"title": "How good it is", "rows": rows, "text": text}


def cost_block(pen: Pen) -> Block:
    """Cost by what it is spent on."""
    parts = pen.plan.summary.get("cost_breakdown") or {}
    rows = [
        [COST_WORDS.get(name, name.replace("_", " ").capitalize()), pen.show.text("money", value)]
        for name, value in parts.items()
        if value
    ]
    return {"title": "Cost by part", "rows": known_rows(rows), "closed": True}


def ledger_blocks(pen: Pen) -> list[Block]:
    """What was doubted, refused, repaired, assumed or ignored while reading."""
    blocks = []
    for kind, words in LEDGER_WORDS.items():
        rows = [
            [f"{entry.layer}{row_words(entry.rows)}", ledger_words(entry, pen.show)]
            for entry in pen.plan.site.ledger
            if entry.kind == kind
        ]
        title = f"{words} {DAGGER}" if kind == "assumed" else words
        blocks.append({"title": f"Inputs: {title}", "rows": rows, "closed": kind == "ignored"})
    return blocks


def ledger_words(entry: LedgerEntry, show: Display) -> str:
    """What an entry says: in the project's units, except where it quotes what a file holds."""
    return entry.what if entry.kind in QUOTING else show.prose(entry.what)


def row_words(rows: tuple[int, ...]) -> str:
    """Row numbers in short: the first few, and how many more."""
    if not rows:
        return ""
    few = ", ".join(str(row) for row in rows[:4])
    more = f" and {len(rows) - 4} more" if len(rows) > 4 else ""
    return f", row {few}{more}" if len(rows) == 1 else f", rows {few}{more}"


def rows_block(pen: Pen) -> Block:
    """Rows of each layer: how many were read and what became of them."""
    rows = []
    for layer, counts in pen.plan.site.row_counts.items():
        told = [f"{count} {word}" for word, count in counts.items() if count]
        rows.append([layer, ", ".join(told) or "none"])
    return {"title": "Rows read", "rows": rows, "closed": True}


def rules_block(title: str, figures: Mapping[str, Any]) -> Block:
    """Rules or prices with value, unit and source, as the plan used them."""
    rows = [[name, rule_text(entry)] for name, entry in figures.items()]
    return {"title": title, "rows": rows, "closed": True}


def rule_text(entry: Mapping[str, Any]) -> str:
    """Value, unit and source of a rule in a line."""
    value, unit = entry.get("value"), str(entry.get("unit", ""))
    if isinstance(value, Mapping):
        text = ", ".join(f"{key}: {figure}" for key, figure in value.items())
    else:
        text = "not set" if is_absent(value) else str(value)
    return f"{text} {unit}".strip() + f" — {entry.get('source', '')}"


def inputs_block(pen: Pen) -> Block:
    """Files that were read, with the beginning of their checksums."""
    rows = [
        [
            str(item.get("path", "")),
            f"{item.get('rows', 0)} rows, sha256 {str(item.get('sha256', ''))[:12]}…",
        ]
        for item in pen.plan.summary.get("inputs") or []
    ]
    return {"title": "Files read", "rows": rows, "closed": True}
