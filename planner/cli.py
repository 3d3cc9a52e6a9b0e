"""The command line: arguments in, files and one screen out, and a status that says how it went."""

from __future__ import annotations

import errno
import os
import sys
import time
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.console import Console
from rich.padding import Padding
from rich.status import Status
from rich.table import Table
from rich.text import Text

from planner.errors import NoPlanError, PlannerError

if TYPE_CHECKING:  # what follows is slow to import, and --help must be quick
    from planner.model import LedgerEntry, Plan, Site
    from planner.outputs.display import Display

CAUTION = (
    "This is a proposal, not permission to dig: have every service located and exposed, follow "
    "the local codes, and have a licensed engineer decide."
)
DONE, BROKEN, UNUSABLE = 0, 1, 2
MOST_WRONG, MOST_LINES = 5, 3  # on the screen of a plan; its files hold the rest
ROWS = ("read", "used", "repaired", "refused", "ignored")
LEDGER = {
    "refused": "Refused", "doubt": "Doubtful", "repaired": "Repaired", "assumed": "Assumed",
    "ignored": "Ignored",
}  # fmt: skip
WORDS = {
    "read": "Reading the layers", "layout": "Choosing the streets",
    "legs": "Placing pits and legs", "assemble": "Checking against the rules",
    "write": "Writing the files",
}  # fmt: skip

app = typer.Typer(add_completion=False, no_args_is_help=True, pretty_exceptions_enable=False)
err = Console(stderr=True, highlight=False)

Project = Annotated[Path, typer.Argument(help="The project file (TOML).", metavar="PROJECT.toml")]
Json = Annotated[bool, typer.Option("--json", help="Print the result as JSON.")]


@app.callback()
def about() -> None:
    """Plan gravity sewers that are bored on grade from pit to pit."""


@app.command()
def inputs(project: Project, *, as_json: Json = False) -> None:
    """Read and check every layer; say what was read, assumed, repaired and refused."""
    with refusals():
        with stages() as clock:
            clock.enter("read")
            from planner.inputs import read_site, report_inputs  # noqa: PLC0415  (quick --help)

            site = read_site(project)
            report = report_inputs(site)
        if as_json:
            from planner.outputs.files import json_text  # noqa: PLC0415  (quick --help)

            print_json(json_text(report).encode("utf-8", "backslashreplace"))
        show_inputs(site)
    raise typer.Exit(BROKEN if report["doubtful"] else DONE)


@app.command()
def plan(
    project: Project,
    out: Annotated[Path, typer.Option("--out", help="Folder for the files.", metavar="DIR")],
    *,
    as_json: Json = False,
) -> None:
    """Propose the sewer, and write its map, layers and summary."""
    with refusals():
        with stages() as clock:
            clock.enter("read")
            from planner import make_plan, read_site, write_plan  # noqa: PLC0415  (quick --help)

            made = make_plan(read_site(project), clock.enter)
            clock.enter("write")
            files = write_plan(made, out, clock.seconds)
        if as_json:
            print_json(files["plan.json"].read_bytes())
        show_plan(made, files)
    raise typer.Exit(DONE if made.summary["status"] == "ok" else BROKEN)


@contextmanager
def refusals() -> Iterator[None]:
    """Turn an error that the user can mend into one message and the status for it."""
    try:
        yield
    except NoPlanError as error:
        say(f"There is no plan, and nothing was written. {error}")
        raise typer.Exit(BROKEN) from None
    except PlannerError as error:
        say(f"Cannot go on. {error}")
        raise typer.Exit(UNUSABLE) from None
    except OSError as error:
        if error.errno == errno.EPIPE:
            raise  # whoever read our output has had enough: the frame of the command ends quietly
        where = f"{error.filename}: " if error.filename else ""
        say(f"Cannot go on. {where}{error.strerror or error}. Check path, room and rights")
        raise typer.Exit(UNUSABLE) from None


class Clock:
    """Seconds by stage, and a word on a terminal while each runs."""

    def __init__(self, status: Status | None) -> None:
        self.seconds: dict[str, float] = {}
        self.status = status
        self.stage, self.since = "", 0.0

    def enter(self, stage: str) -> None:
        """End the stage that runs and begin another."""
        now = time.perf_counter()
        if self.stage:
            self.seconds[self.stage] = self.seconds.get(self.stage, 0.0) + now - self.since
        self.stage, self.since = stage, now
        if self.status is not None:
            self.status.update(f"{WORDS.get(stage, stage)} …")


@contextmanager
def stages() -> Iterator[Clock]:
    """A clock that shows, on a terminal only, which stage runs."""
    if not sys.stderr.isatty():
        yield Clock(None)
        return
    with err.status("") as status:
        yield Clock(status)


def print_json(content: bytes) -> None:
    """Print to standard output; what cannot be printed fails here, not as the program ends."""
    try:
        sys.stdout.buffer.write(content)
        sys.stdout.flush()
    except OSError as error:
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: PTH123, SIM115
        if error.errno == errno.EPIPE:
            raise
        raise OSError(error.errno, error.strerror, "standard output") from None


def safe(text: object) -> str:
    r"""Text with everything that a terminal would obey made visible.

    Examples
    --------
    >>> safe("a\x1b[31mb\n")
    'a\\x1b[31mb\\n'
    """
    return "".join(
        c if c.isprintable() or unicodedata.category(c) == "Zs" else ascii(c)[1:-1]
        for c in str(text)
    )


def say(text: object, style: str = "", indent: int = 0) -> None:
    """Print a line to standard error; only a terminal wraps it."""
    line = Text(safe(text), style=style)
    if err.is_terminal:
        err.print(Padding(line, (0, 0, 0, indent)))
    else:
        err.print(Text(" " * indent) + line, soft_wrap=True)


def say_lines(title: str, lines: list[str], most: int, rest: str = "") -> None:
    """Print a heading with its lines under it; the rest is counted, and said to be somewhere."""
    if not lines:
        return
    say(f"{title} ({len(lines)})", "bold")
    for line in lines[:most]:
        say(line, indent=2)
    if len(lines) > most:
        say(f"and {len(lines) - most} more in {rest}", indent=2)


def show_inputs(site: Site) -> None:
    """One screen of what was read, what is wrong first; every entry is there."""
    from planner.outputs.display import Display  # noqa: PLC0415  (quick --help)

    show = Display.of(site.project)
    say(heading(site, show), "bold")
    for kind, title in LEDGER.items():
        if kind == "repaired":  # what is wrong stands above the count, what was mended below
            show_counts(site)
        entries = [entry for entry in site.ledger if entry.kind == kind]
        say_lines(title, [entry_words(entry, show) for entry in entries], len(entries))
    say(CAUTION)


def show_counts(site: Site) -> None:
    """Rows of each layer: read, and what became of them."""
    table = Table("Layer", box=None, pad_edge=False, header_style="bold")
    for name in ROWS:
        table.add_column(name.capitalize(), justify="right")
    for layer, counts in site.row_counts.items():
        table.add_row(Text(safe(layer)), *(str(counts[name]) for name in ROWS))
    err.print(table)


def show_plan(made: Plan, files: Mapping[str, Path]) -> None:
    """One screen: what is wrong, then what was read, assumed and found, and where the files are."""
    from planner.outputs.display import Display  # noqa: PLC0415  (quick --help)

    summary, site = made.summary, made.site
    show = Display.of(site.project, str(summary["totals"]["currency"]))
    wrong = [b for b in summary["breaches"] if b["severity"] == "breach"]
    doubts = sum(entry.kind in ("refused", "doubt") for entry in site.ledger)
    unserved = made.connections[~made.connections["served"].astype(bool)]
    left_out = [
        f"{name}: {show.prose(why)}"
        for name, why in zip(unserved["property_id"], unserved["why_not"], strict=True)
    ]
    assumed = [f"{a['layer']}: {show.prose(a['what'])}" for a in summary["assumptions"]]
    say(f"{heading(site, show)} – {summary['status']}", "bold")
    say_lines("Wrong", [breach_words(b, show) for b in wrong], MOST_WRONG, "plan.json")
    say_lines("Not served", left_out, MOST_LINES, "plan.gpkg, layer connections")
    if doubts:
        say(f"Doubtful in what was read: {doubts}, which `pitline inputs` lists", "bold")
    counts = ((layer, rows["read"]) for layer, rows in site.row_counts.items() if rows["read"])
    say(f"Read: {', '.join(f'{layer} {rows}' for layer, rows in counts)}")
    say_lines("Assumed", assumed, MOST_LINES, "plan.json")
    say(f"Found: {found_words(made, show, len(summary['breaches']) - len(wrong))}")
    folder = files["plan.json"].parent
    say(f"Files in {folder}: {', '.join(name for name in files if name != 'map.html')}")
    say(f"Map: {files['map.html']}")
    say(CAUTION)


def heading(site: Site, show: Display) -> str:
    """What the project is, and what its figures are in."""
    units = f"{show.unit('length')}, {show.unit('nominal')}"
    return f"{site.project.name} ({site.project.vertical_datum}; {units})"


def entry_words(entry: LedgerEntry, show: Display) -> str:
    """One entry of the ledger: where, and what."""
    from planner.inputs.words import rows_listed  # noqa: PLC0415  (quick --help)
    from planner.outputs.map_overview import ledger_words  # noqa: PLC0415  (quick --help)

    file = f"{entry.layer} ({entry.file})" if entry.file else entry.layer
    rows = rows_listed(entry.rows) if entry.rows else ""
    return f"{', '.join(filter(None, (file, entry.column, rows)))}: {ledger_words(entry, show)}"


def breach_words(breach: Mapping[str, Any], show: Display) -> str:
    """A broken rule: which, where, what it is and what it must be."""
    value, limit = (measure_words(breach[key], breach["unit"]) for key in ("value", "limit"))
    shown = show.prose(value), show.prose(limit)
    if shown[0] != shown[1]:  # rounded for people, the two may look alike: then as they are
        value, limit = shown
    other = f" with {breach['with']}" if breach.get("with") else ""
    return f"{breach['subject']}{other}: {breach['rule']} is {value}, must be {limit}"


def measure_words(value: object, unit: str) -> str:
    """A figure with its unit, as far as it is one."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return str(value)
    return f"{value:.6f}".rstrip("0").rstrip(".") + f" {unit}".rstrip()


def found_words(made: Plan, show: Display, advice: int) -> str:
    """What the plan comes to, in a line."""
    totals, severity = made.summary["totals"], made.conflicts["severity"]
    parts: Iterable[str] = (
        f"{totals['legs']} legs, {show.text('length', totals['length_m'])}",
        f"{totals['pits']} pits",
        f"{totals['served']} of {totals['properties']} properties served",
        show.text("money", totals["cost"]),
        ", ".join(f"{count} {name}" for name, count in severity.value_counts().items()),
        f"advice: {advice}" if advice else "",
    )
    return "; ".join(filter(None, parts))


def main() -> None:
    """Run the command line."""
    app()


if __name__ == "__main__":
    main()
