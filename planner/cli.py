"""The command line: arguments in, files and one screen out, and a status that says how it went."""

from __future__ import annotations

import errno
import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.status import Status
from rich.text import Text

from planner.errors import InputError, NoPlanError, PlannerError
from planner.terminal import err, safe, say, show_check, show_comparison, show_inputs, show_plan

if TYPE_CHECKING:
    from planner.model import Register

DONE, BROKEN, UNUSABLE = 0, 1, 2
WORDS = {
    "read": "Reading the layers", "layout": "Choosing the streets",
    "legs": "Placing pits and legs", "assemble": "Checking against the rules",
    "write": "Writing the files",
}  # fmt: skip

app = typer.Typer(add_completion=False, no_args_is_help=True, pretty_exceptions_enable=False)

Project = Annotated[Path, typer.Argument(help="The project file (TOML).", metavar="PROJECT.toml")]
Out = Annotated[Path, typer.Option("--out", help="Folder for the files.", metavar="DIR")]
EarlierRegister = Annotated[
    str,
    typer.Option(
        "--register", metavar="DIR|none",
        help="Folder of an earlier plan whose register of conflicts goes on; by default the "
        "folder that is written into.",
    ),
]  # fmt: skip
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
def plan(  # noqa: PLR0913  (each is an option of the command)
    project: Project,
    out: Out,
    *,
    alternatives: Annotated[
        int, typer.Option(help="Plans in other streets to write beside the best.", min=0, max=9)
    ] = 2,
    effort: Annotated[
        float | None,
        typer.Option(
            help="Seconds to search for better streets; the plan then hangs on the machine.",
            min=0.0,
            metavar="SECONDS",
        ),
    ] = None,
    register: EarlierRegister = "",
    as_json: Json = False,
) -> None:
    """Propose the sewer, and write its map, layers, schedules and summary."""
    with refusals():
        with stages() as clock:
            clock.enter("read")
            from planner import make_plan, read_site, write_plan  # noqa: PLC0415  (quick --help)

            clock.tell_beside(first_run_words())
            made = make_plan(
                read_site(project), clock.enter, alternatives=alternatives,
                register=earlier_register(out, register), stop=after(effort),
                on_progress=clock.tell,
            )  # fmt: skip
            clock.enter("write")
            files = write_plan(made, out, clock.seconds)
        if as_json:
            print_json(files["plan.json"].read_bytes())
        show_plan(made, files)
    raise typer.Exit(DONE if made.summary["status"] == "ok" else BROKEN)


@app.command()
def check(
    project: Project,
    design: Annotated[
        Path,
        typer.Option("--design", help="The design: layers pits and legs.", metavar="FILE.gpkg"),
    ],
    out: Out,
    *,
    register: EarlierRegister = "",
    as_json: Json = False,
) -> None:
    """Hold a drawn design against every rule; say what is wrong, where, and what to do."""
    with refusals():
        with stages() as clock:
            clock.enter("read")
            from planner import check_design, read_site, write_plan  # noqa: PLC0415  (quick --help)
            from planner.inputs.design import naming_file, read_design  # noqa: PLC0415

            clock.tell_beside(first_run_words())
            site, drawn = read_site(project), read_design(design)
            site = replace(site, inputs=(*site.inputs, *drawn.inputs))
            with naming_file(design):
                made = check_design(
                    site, drawn.pits, drawn.legs, drawn.connections, clock.enter,
                    register=earlier_register(out, register),
                )  # fmt: skip
            clock.enter("write")
            files = write_plan(made, out, clock.seconds)
        if as_json:
            print_json(files["plan.json"].read_bytes())
        show_check(made, files)
    raise typer.Exit(DONE if made.summary["status"] == "ok" else BROKEN)


def first_run_words() -> str:
    """What to tell whoever waits for the first run, which compiles; nothing for later ones."""
    from planner.kernels.cache import is_kept  # noqa: PLC0415  (quick --help)
    from planner.kernels.leg_drives import price_drives  # noqa: PLC0415

    return "" if is_kept(price_drives) else " (compiling, on the first run only)"


def earlier_register(out: Path, said: str) -> Register | None:
    """The register that a run goes on with."""
    if said == "none":
        return None
    from planner.inputs.register import read_register  # noqa: PLC0415  (quick --help)

    found = read_register(said or out)
    if said and found is None:
        raise InputError(
            "the folder holds no earlier plan", "Give the folder of a plan, or none", file=said
        )
    return found


def after(seconds: float | None) -> Callable[[], bool] | None:
    """Whether some seconds have passed since now; None where no time was set."""
    if seconds is None:
        return None
    end = time.monotonic() + seconds
    return lambda: time.monotonic() >= end


@app.command()
def compare(
    folders: Annotated[
        list[Path],
        typer.Argument(help="Folders of plans; a single one is held against its alternatives.",
                       metavar="DIR DIR ..."),
    ],
    *,
    page: Annotated[
        Path | None, typer.Option("--html", help="Also write a page.", metavar="FILE")
    ] = None,
    as_json: Json = False,
) -> None:  # fmt: skip
    """Hold plans side by side, and say what changed."""
    with refusals():
        from planner.inputs.earlier_plans import read_plans  # noqa: PLC0415  (quick --help)
        from planner.outputs.comparison import comparison_content  # noqa: PLC0415
        from planner.outputs.comparison_page import comparison_page, write_page  # noqa: PLC0415
        from planner.outputs.files import json_text  # noqa: PLC0415
        from planner.steps.comparison import compare_plans  # noqa: PLC0415

        plans = read_plans(folders)
        made = compare_plans(plans)
        if page is not None:
            write_page(page, comparison_page(made, plans))
        if as_json:
            print_json(json_text(comparison_content(made)).encode("utf-8", "backslashreplace"))
        show_comparison(made, plans, page)
    raise typer.Exit(DONE)


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
        self.stage, self.since, self.beside = "", 0.0, ""

    def enter(self, stage: str) -> None:
        """End the stage that runs and begin another."""
        now = time.perf_counter()
        if self.stage:
            self.seconds[self.stage] = self.seconds.get(self.stage, 0.0) + now - self.since
        self.stage, self.since = stage, now
        self.tell("")

    def tell_beside(self, words: str) -> None:
        """Words to show beside every stage of this run."""
        self.beside = words
        self.tell("")

    def tell(self, progress: str) -> None:
        """Show how far the stage is."""
        if self.status is not None:
            words = f"{WORDS.get(self.stage, self.stage)}{self.beside} … {progress}"
            self.status.update(Text(safe(words.strip())))


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


def main() -> None:
    """Run the command line."""
    app()


if __name__ == "__main__":
    main()
