"""Blocks of the overview that say why: what fixes the levels, and what cannot hold together."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from planner.outputs.display import is_absent
from planner.outputs.map_features import Pen, write_words

Block = dict[str, Any]
MOST_PROPERTIES = 6  # named in a line


def savings_block(pen: Pen) -> Block:
    """What a small relaxation of each thing that fixes levels would save at the least."""
    rows = [
        [write_words(str(one["what"])), saving_text(pen, one)]
        for one in pen.plan.summary.get("savings") or []
    ]
    text = ["With the same pits and legs; other pits might save more."] if rows else []
    return {"title": "What fixes the levels", "rows": rows, "text": text, "closed": True}


def saving_text(pen: Pen, one: Mapping[str, Any]) -> str:
    """A saving in a line."""
    show, saves = pen.show, pen.show.text("money", one["saves_at_least"])
    if one["unit"] == "m":
        by = f"{show.text('clearance', one['by'])} less strict"
    else:
        by = f"{show.text('percent', 100 * one['by'])} flatter"
    fixed = one.get("fixes_length_m") or 0.0
    along = f"fixes {show.text('length', fixed)} of sewer; " if fixed else ""
    return f"{along}{by} would save {saves} or more"


def conflicts_block(pen: Pen) -> Block:
    """What cannot be served, what bars it together, and what would cure it."""
    rows = [
        [write_words(str(one["subject"])), conflict_text(pen, one)]
        for one in pen.plan.summary.get("cannot_hold_together") or []
    ]
    return {"title": "What cannot hold together", "rows": rows}


def conflict_text(pen: Pen, one: Mapping[str, Any]) -> str:
    """A set and its cures in a few sentences."""
    names = [write_words(str(name)) for name in one["together"]]
    lines = ["; ".join(names) + "." if len(names) == 1 else "Together: " + ", ".join(names) + "."]
    lines += [cure_text(pen, cure) for cure in one["relaxations"]]
    others = [write_words(str(name)) for name in one["properties"] if name != one["subject"]]
    if others:
        more = f" and {len(others) - MOST_PROPERTIES} more" if len(others) > MOST_PROPERTIES else ""
        lines.append("The same bars " + ", ".join(others[:MOST_PROPERTIES]) + more + ".")
    return " ".join(lines)


def cure_text(pen: Pen, cure: Mapping[str, Any]) -> str:
    """A cure in a sentence."""
    kind = "clearance" if cure["unit"] == "m" else "percent"
    text = f"{write_words(str(cure['what'])).capitalize()}: {pen.show.text(kind, cure['by'])} "
    price = "" if is_absent(cure["price"]) else f", about {pen.show.text('money', cure['price'])}"
    return f"{text}would do ({cure['how']}{price})."
