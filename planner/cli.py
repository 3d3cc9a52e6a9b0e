"""The command line: arguments in, files and one screen out, and a status that says how it went."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.table import Table
from rich.text import Text

from planner.errors import PlannerError

CAUTION = (
    "This is a proposal, not permission to dig: have every service located and exposed, follow "
    "the local codes, and have a licensed engineer decide."
)
OK, BROKEN, UNUSABLE = 0, 1, 2
MOST_LINES = 12  # of one kind on the screen; the files hold the rest

app = typer.Typer(add_completion=False, no_args_is_help=True, pretty_exceptions_enable=False)
err = Console(stderr=True, highlight=False)

Project = Annotated[Path, typer.Argument(help="The project file (TOML).", metavar="PROJECT.toml")]
Json = Annotated[bool, typer.Option("--json", help="Print the result as JSON.")]


def safe(text: object) -> Text:
    """Text without anything a terminal would obey."""
    return Text("".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in str(text)))


@contextmanager
def refusals() -> Iterator[None]:
    """Turn an error that the user can mend into one message and the status for it."""
    try:
        yield
    except PlannerError as error:
        err.print(safe(f"Cannot go on. {error}"))
        raise typer.Exit(UNUSABLE) from None
    except OSError as error:
        name = error.filename or "a file"
        err.print(safe(f"Cannot go on. {name}: {error.strerror or error}. Check path and rights."))
        raise typer.Exit(UNUSABLE) from None


@app.callback()
def about() -> None:
    """Plan gravity sewers that are bored on grade from pit to pit."""


@app.command()
def inputs(project: Project, *, as_json: Json = False) -> None:
    """Read and check every layer; say what was read, assumed, repaired and refused."""
    from planner.inputs import read_site, report_inputs  # noqa: PLC0415  (quick --help)

    with refusals():
        report = report_inputs(read_site(project))
    if as_json:
        sys.stdout.write(json.dumps(report, ensure_ascii=False, indent=1) + "\n")
    _show_inputs(report)
    raise typer.Exit(BROKEN if report["doubtful"] else OK)


@app.command()
def plan(
    project: Project,
    out: Annotated[Path, typer.Option("--out", help="Folder for the files.", metavar="DIR")],
    *,
    as_json: Json = False,
) -> None:
    """Propose the sewer, and write its map, layers and summary."""
    from planner import make_plan, read_site, write_plan  # noqa: PLC0415  (quick --help)

    clock = _Clock()
    with refusals():
        site = read_site(project)
        made = make_plan(site, clock.enter)
        clock.enter("write")
        files = write_plan(made, out, clock.until_now())
    if as_json:
        sys.stdout.write((Path(out) / "plan.json").read_text("utf-8"))
    _show_plan(made.summary, made.connections, files)
    raise typer.Exit(OK if made.summary["status"] == "ok" else BROKEN)


class _Clock:
    """Seconds by stage, and a word on a terminal as each begins."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self.stage, self.since = "read", time.perf_counter()

    def enter(self, stage: str) -> None:
        """End the stage that runs and begin another."""
        self.seconds = self.until_now()
        self.stage, self.since = stage, time.perf_counter()
        if err.is_terminal:
            err.print(Text(f"{stage} ...", style="dim"))

    def until_now(self) -> dict[str, float]:
        """Seconds of every stage so far."""
        spent = time.perf_counter() - self.since
        return {**self.seconds, self.stage: self.seconds.get(self.stage, 0.0) + spent}


def _lines(title: str, lines: list[str]) -> None:
    if not lines:
        return
    err.print(Text(title, style="bold"))
    for line in lines[:MOST_LINES]:
        err.print(Text("  ") + safe(line))
    if len(lines) > MOST_LINES:
        err.print(Text(f"  and {len(lines) - MOST_LINES} more"))


def _show_inputs(report: dict[str, Any]) -> None:
    table = Table("layer", "read", "used", "repaired", "refused", "ignored", title="Read")
    for row in report["layers"]:
        counts = [row.get(key, 0) for key in ("read", "used", "repaired", "refused", "ignored")]
        table.add_row(safe(row["layer"]), *(str(count) for count in counts))
    for title in ("refused", "doubts", "repairs", "ignored", "assumptions"):
        _lines(title.capitalize(), [_entry(e) for e in report.get(title, [])])
    err.print(table)
    err.print(Text(CAUTION))


def _entry(entry: Any) -> str:
    if not isinstance(entry, dict):
        return str(entry)
    rows = entry.get("rows", ())
    count = len(rows) if isinstance(rows, (list, tuple)) else rows
    return f"{entry.get('layer', '')}, rows {count}: {entry.get('what', '')}"


def _show_plan(summary: Any, connections: Any, files: dict[str, Path]) -> None:
    totals = summary["totals"]
    wrong = [b for b in summary["breaches"] if b["severity"] == "breach"]
    advice = len(summary["breaches"]) - len(wrong)
    unserved = connections[~connections["served"].astype(bool)]
    _lines("What is wrong", [
        f"{b['subject']}: {b['rule']} is {b['value']:g}, limit {b['limit']:g} {b['unit']}"
        for b in wrong
    ])  # fmt: skip
    _lines("Not served", [
        f"{row.property_id}: {row.why_not}" for row in unserved.itertuples()
    ])  # fmt: skip
    err.print(safe(
        f"{summary['project']}: {totals['legs']} legs, {totals['length_m']:.0f} m, "
        f"{totals['pits']} pits, {totals['served']} of {totals['properties']} properties served, "
        f"{totals['cost']:,.0f} {totals['currency']}; {advice} pieces of advice, "
        f"{len(summary['assumptions'])} assumptions. Status: {summary['status']}."
    ))  # fmt: skip
    for name, path in files.items():
        err.print(safe(f"  {name}: {path}"))
    err.print(Text(CAUTION))


def main() -> None:
    """Run the command line."""
    app()


if __name__ == "__main__":
    main()
