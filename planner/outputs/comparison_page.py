"""Shows plans side by side on a page of its own, which needs no network."""

from __future__ import annotations

import base64
import errno
import hashlib
import os
import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path

from planner.model import Change, Comparison, EarlierPlan
from planner.outputs.comparison import BEST, display_of, table_of
from planner.outputs.comparison_sketch import plain_text, sketch
from planner.outputs.display import Display

CAUTION = (
    "These are proposals, not permission to dig: have every service located and exposed, follow "
    "the local codes, and have a licensed engineer decide."
)
MOST_LINES = 40  # of one kind of change; the rest is counted
BESIDE = ".pitline-writing-"  # a folder of what is not whole yet

STYLE = """
body{font:15px/1.45 system-ui,sans-serif;color:#1b1f1d;background:#fbfaf7;margin:0 auto;
max-width:1000px;padding:16px;overflow-wrap:anywhere}
h1{font-size:20px;margin:0 0 4px}h2{font-size:16px;margin:22px 0 4px}
.caution{font-style:italic;margin:0 0 12px}.warn li{font-weight:600}
.wide{overflow-x:auto}
table{border-collapse:collapse;width:100%;font-variant-numeric:tabular-nums;
overflow-wrap:normal}
th,td{padding:3px 10px 3px 0;border-bottom:1px solid #dedbd3;text-align:right;vertical-align:top;
white-space:nowrap}
th:first-child,td:first-child{text-align:left;white-space:normal;min-width:8em}
thead th{border-bottom:2px solid #1b1f1d;white-space:normal;min-width:6em;
overflow-wrap:anywhere}
figure{margin:12px 0 20px}
.plan{display:block;width:100%;max-width:760px;height:auto;max-height:75vh;background:#fff;
border:1px solid #dedbd3}
.legend{list-style:none;padding:0;margin:8px 0 2px}
.legend li{padding-left:72px}
.swatch{width:64px;height:16px;vertical-align:-3px;margin:0 8px 0 -72px}
ul{margin:4px 0;padding-left:20px}
@media(max-width:640px){td{white-space:normal}th:first-child{min-width:6.5em}
thead th{min-width:4em}}
@media print{body{background:#fff;max-width:none}tr,li,figure{break-inside:avoid}
h2{break-after:avoid}}
"""


def comparison_page(made: Comparison, plans: Sequence[EarlierPlan]) -> str:
    """One page with the table, what changed and a sketch.

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
    title = plain_text(f"Plans side by side: {', '.join(made.names)}")
    note = f"{BEST} the best of a row. In brackets the difference to {made.names[0]}."
    body = "".join([
        f'<h1>{title}</h1><p class="caution">{plain_text(CAUTION)}</p>',
        _list([show.prose(text) for text in made.cautions], "warn"),
        sketch(made, plans, show), _table(table_of(made, show)), f"<p>{plain_text(note)}</p>",
        *(_change(change, made, show) for change in made.changes),
        "" if made.changes else "<p>Nothing that is listed here differs between the plans.</p>",
    ])  # fmt: skip
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{title}</title><style>{STYLE}</style></head><body>{body}</body></html>\n"
    )


def _table(cells: list[list[str]]) -> str:
    head = "".join(f'<th scope="col">{plain_text(cell)}</th>' for cell in cells[0])
    rows = ""
    for name, *values in cells[1:]:
        kept = (cell.replace(f" {BEST}", f"\N{NO-BREAK SPACE}{BEST}") for cell in values)
        figures = "".join(f"<td>{plain_text(cell)}</td>" for cell in kept)
        rows += f'<tr><th scope="row">{plain_text(name)}</th>{figures}</tr>'
    table = f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"
    return f'<div class="wide">{table}</div>'


def _list(lines: Sequence[str], kind: str = "") -> str:
    if not lines:
        return ""
    items = "".join(f"<li>{plain_text(line)}</li>" for line in lines[:MOST_LINES])
    more = f"<li>and {len(lines) - MOST_LINES} more</li>" if len(lines) > MOST_LINES else ""
    return f'<ul class="{kind}">{items}{more}</ul>'


def _change(change: Change, made: Comparison, show: Display) -> str:
    heading = f"{change.what}: {made.names[change.plan]} against {made.names[0]}"
    return f"<h2>{plain_text(heading)}</h2>{_list([show.prose(line) for line in change.lines])}"


def write_page(path: Path, text: str) -> None:
    """Write a page so that a file that stood there is whole until the new one is.

    Raises
    ------
    OSError
        It cannot be written; what stood there is unchanged.
    """
    content = text.encode("utf-8", "backslashreplace")
    place = path.resolve()
    if place.exists() and not place.is_file():  # a pipe, or a folder, which refuses
        place.write_bytes(content)
        return
    if not place.parent.is_dir():
        raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), str(path.parent))
    beside = Path(tempfile.mkdtemp(prefix=BESIDE, dir=place.parent))
    try:
        whole = beside / place.name
        whole.write_bytes(content)
        if whole.stat().st_size != len(content):  # not every file system says that it is full
            raise OSError(errno.ENOSPC, "the page did not arrive whole", str(path))
        whole.replace(place)
    finally:
        shutil.rmtree(beside, ignore_errors=True)
