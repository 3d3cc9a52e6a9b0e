"""Shows plans side by side: a table of texts, a page of its own, and JSON."""

from __future__ import annotations

import base64
import hashlib
import html
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any
from unicodedata import category

import numpy as np
import shapely

from planner.model import Change, Comparison, EarlierPlan, Row
from planner.outputs.display import ABSENT, Display

BEST = "★"  # beside the best figure of a row
CAUTION = (
    "These are proposals, not permission to dig: have every service located and exposed, follow "
    "the local codes, and have a licensed engineer decide."
)
MOST_LINES = 40  # of one kind of change on the page; the rest is counted
WIDTH, HEIGHT, MARGIN = 960.0, 560.0, 24.0  # of the sketch [px]
NARROWEST = 420.0  # [px]
INKS = ("#1B1F1D", "#B4540A", "#1F5FA8", "#6A3D8F")
DASHES = ("", "9 5", "2 4", "12 4 2 4")


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
    best = _best(row)
    found = []
    for k, value in enumerate(row.values):
        if isinstance(value, str):
            found.append(value)
            continue
        text = show.plain(row.measure, value) if value is not None else ABSENT
        first = row.values[0]
        if k and value is not None and isinstance(first, float) and value != first:
            more = show.plain(row.measure, abs(value - first))
            text += f" ({'+' if value > first else '−'}{more})"
        found.append(f"{text} {BEST}" if k in best else text)
    return found


def _best(row: Row) -> set[int]:
    """Numbers of the plans with the best figure, unless all have it."""
    known = [v for v in row.values if isinstance(v, float)]
    if not row.better or len(known) < len(row.values) or min(known) == max(known):
        return set()
    best = min(known) if row.better == "less" else max(known)
    return {k for k, value in enumerate(row.values) if value == best}


def comparison_content(made: Comparison) -> dict[str, Any]:
    """The comparison as JSON holds it, in SI."""
    return {
        "plans": list(made.names), "cautions": list(made.cautions),
        "figures": [asdict(row) for row in made.rows],
        "changes": [{**asdict(c), "plan": made.names[c.plan]} for c in made.changes],
    }  # fmt: skip


def comparison_page(made: Comparison, plans: Sequence[EarlierPlan]) -> str:
    """One page with the table, what changed and a sketch; it needs no network.

    Parameters
    ----------
    made
        The comparison.
    plans
        Its plans.
    """
    show = display_of(plans)
    digest = base64.b64encode(hashlib.sha256(STYLE.encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    title = f"Plans side by side: {', '.join(made.names)}"
    body = "".join([
        f"<h1>{_e(title)}</h1>", f'<p class="caution">{_e(CAUTION)}</p>',
        _list([show.prose(text) for text in made.cautions], "warn"),
        _sketch(plans, made.names), _table(table_of(made, show)),
        f"<p>{BEST} the best of a row. In brackets the difference to {_e(made.names[0])}.</p>",
        *(_change(change, made, show) for change in made.changes),
        "" if made.changes else "<p>Nothing that is listed here differs between the plans.</p>",
    ])  # fmt: skip
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{_e(title)}</title><style>{STYLE}</style></head><body>{body}</body></html>\n"
    )


STYLE = """
body{font:15px/1.45 system-ui,sans-serif;color:#1b1f1d;background:#fbfaf7;margin:0 auto;
max-width:1000px;padding:16px}
h1{font-size:20px;margin:0 0 4px}h2{font-size:16px;margin:22px 0 4px}
.caution{font-style:italic;margin:0 0 12px}.warn li{font-weight:600}
.wide{overflow-x:auto}
table{border-collapse:collapse;width:100%;font-variant-numeric:tabular-nums}
th,td{padding:3px 10px 3px 0;border-bottom:1px solid #dedbd3;text-align:right;vertical-align:top;
white-space:nowrap}
th:first-child,td:first-child{text-align:left;white-space:normal}
thead th{border-bottom:2px solid #1b1f1d}
svg{width:100%;height:auto;max-height:70vh;background:#fff;border:1px solid #dedbd3}
ul{margin:4px 0;padding-left:20px}
@media print{body{background:#fff;max-width:none}}
"""


def _e(text: object) -> str:
    """Text that stays text."""
    clean = (c if c.isprintable() or category(c) == "Zs" else "\ufffd" for c in str(text))
    return html.escape("".join(clean))


def _table(cells: list[list[str]]) -> str:
    head = "".join(f'<th scope="col">{_e(cell)}</th>' for cell in cells[0])
    rows = ""
    for name, *values in cells[1:]:
        figures = "".join(f"<td>{_e(cell)}</td>" for cell in values)
        rows += f'<tr><th scope="row">{_e(name)}</th>{figures}</tr>'
    table = f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"
    return f'<div class="wide">{table}</div>'


def _list(lines: Sequence[str], kind: str = "") -> str:
    if not lines:
        return ""
    items = "".join(f"<li>{_e(line)}</li>" for line in lines[:MOST_LINES])
    more = f"<li>and {len(lines) - MOST_LINES} more</li>" if len(lines) > MOST_LINES else ""
    return f'<ul class="{kind}">{items}{more}</ul>'


def _change(change: Change, made: Comparison, show: Display) -> str:
    heading = f"{change.what}: {made.names[change.plan]} against {made.names[0]}"
    return f"<h2>{_e(heading)}</h2>{_list([show.prose(line) for line in change.lines])}"


def _sketch(plans: Sequence[EarlierPlan], names: Sequence[str]) -> str:
    """The sewers of the plans over each other, told apart by ink and dash."""
    lines = [
        shapely.get_coordinates(plan.legs.geometry.to_numpy()).reshape(-1, 2, 2) for plan in plans
    ]
    every = np.concatenate([one.reshape(-1, 2) for one in lines])
    if not len(every):
        return ""
    low, high = every.min(axis=0), every.max(axis=0)
    scale = min((WIDTH - 2 * MARGIN) / max(high[0] - low[0], 1.0),
                (HEIGHT - 2 * MARGIN) / max(high[1] - low[1], 1.0))  # fmt: skip
    width = max((high[0] - low[0]) * scale + 2 * MARGIN, NARROWEST)
    height = (high[1] - low[1]) * scale + 2 * MARGIN + 22.0 * len(plans)

    def at(point: np.ndarray) -> tuple[float, float]:
        x, y = (point - low) * scale
        return round(float(x) + MARGIN, 1), round(height - MARGIN - float(y), 1)

    marks = []
    for k, legs in enumerate(lines):
        ink, dash, wide = INKS[k % len(INKS)], DASHES[k % len(DASHES)], 7.0 - 2.0 * min(k, 2)
        look = f'stroke="{ink}" stroke-width="{wide:g}" stroke-opacity="0.75" fill="none"'
        look += f' stroke-dasharray="{dash}"' if dash else ""
        for up, down in legs:
            (x0, y0), (x1, y1) = at(up), at(down)
            marks.append(f'<path d="M{x0} {y0}L{x1} {y1}" {look}/>')
            marks.append(_arrow((x0, y0), (x1, y1), ink))
        y = 16.0 + 22.0 * k
        marks.append(f'<path d="M{MARGIN} {y}h46" {look}/>')
        marks.append(f'<text x="{MARGIN + 56}" y="{y + 5}" font-size="14">{_e(names[k])}</text>')
    label = f"Sewers of {', '.join(names)} over each other; arrows show the flow"
    return (
        f'<svg viewBox="0 0 {width:.0f} {height:.0f}" role="img" aria-label="{_e(label)}">'
        f"{''.join(marks)}</svg>"
    )


def _arrow(start: tuple[float, float], end: tuple[float, float], ink: str) -> str:
    """An arrow head in the middle of a leg."""
    step = np.array(end) - np.array(start)
    long = float(np.hypot(*step))
    if long < 18.0:
        return ""
    way = step / long
    side = np.array([-way[1], way[0]])
    tip = np.array(start) + step / 2 + 6 * way
    points = " ".join(
        f"{x:.1f},{y:.1f}" for x, y in (tip, tip - 11 * way + 5 * side, tip - 11 * way - 5 * side)
    )
    return f'<polygon points="{points}" fill="{ink}"/>'
