"""The command line: its status, what goes to which stream, and that text cannot steer it."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

import planner
import planner.inputs
from planner import cli, terminal
from planner.errors import InputError, NoPlanError, OutputError, RuleError
from planner.model import LedgerEntry, Plan, Site
from tests.builders import build_site
from tests.check.drawn import Frames, drawn_frames, drawn_site, leg, without_bound
from tests.outputs.plan_fixture import make_fixture_plan, make_site, with_text

ROOT = Path(__file__).parents[1]
COMMAND = [sys.executable, "-c", "import sys; from planner.cli import main; sys.exit(main())"]
HEAVY = ("geopandas", "numba", "numpy", "pandas", "pyogrio", "rasterio", "shapely")
ESCAPES = "a\x1b[31mb\x9b2Jc\rd\u202ee\nf"


@pytest.fixture(scope="module")
def made() -> Plan:
    return make_fixture_plan()


def run(*arguments: object) -> Result:
    """Run the command in this process."""
    return CliRunner().invoke(cli.app, [str(argument) for argument in arguments])


def plan_of(monkeypatch: pytest.MonkeyPatch, plan: Plan, folder: Path, *more: str) -> Result:
    """Run `plan` where planning comes to a given plan."""

    def make_plan(_: Site, on_stage: Callable[[str], None], **_options: object) -> Plan:
        for stage in ("layout", "legs", "assemble"):
            on_stage(stage)
        return plan

    monkeypatch.setattr(planner, "read_site", lambda _: plan.site, raising=False)
    monkeypatch.setattr(planner, "make_plan", make_plan, raising=False)
    return run("plan", "project.toml", "--out", folder, *more)


def with_status(plan: Plan, status: str) -> Plan:
    return replace(plan, summary={**plan.summary, "status": status})


def inputs_of(monkeypatch: pytest.MonkeyPatch, site: Site, *more: str) -> Result:
    """Run `inputs` where reading comes to a given site."""
    monkeypatch.setattr(planner.inputs, "read_site", lambda _: site)
    return run("inputs", "project.toml", *more)


def with_ledger(kind: str, what: str = "odd") -> Site:
    return replace(make_site(), ledger=(LedgerEntry("streets", kind, (2, 3), what),))


def test_help_imports_nothing_heavy() -> None:
    code = f"import sys, planner.cli; print([m for m in {HEAVY} if m in sys.modules])"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout == "[]\n"


def test_every_public_name_is_there() -> None:
    assert [name for name in planner.__all__ if not hasattr(planner, name)] == []


def test_an_unknown_name_is_refused() -> None:
    with pytest.raises(AttributeError, match="has no attribute 'make_plans'"):
        planner.make_plans  # type: ignore[attr-defined]  # noqa: B018


@pytest.mark.parametrize(
    ("status", "exit_code"), [("ok", 0), ("breaks rules", 1), ("incomplete", 1)]
)
def test_the_status_of_a_plan_is_that_of_the_command(
    made: Plan, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, status: str, exit_code: int
) -> None:
    assert plan_of(monkeypatch, with_status(made, status), tmp_path).exit_code == exit_code


@pytest.mark.parametrize(
    ("error", "exit_code"),
    [
        (InputError("no datum", "State one", file="a.toml"), 2),
        (RuleError("file a.toml: no datum. State one"), 2),
        (OutputError("no datum. State one"), 2),
        (PermissionError(13, "no datum. State one", "a.toml"), 2),
        (NoPlanError("no datum. State one"), 1),
    ],
)
@pytest.mark.parametrize("command", ["plan", "check", "inputs"])
def test_an_error_is_one_message(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, command: str, error: Exception, exit_code: int
) -> None:
    def fail(_: Path) -> Site:
        raise error

    monkeypatch.setattr(planner, "read_site", fail, raising=False)
    monkeypatch.setattr(planner.inputs, "read_site", fail)
    out = () if command == "inputs" else ("--out", tmp_path / "out")
    design = ("--design", "mine.gpkg") if command == "check" else ()
    done = run(command, "project.toml", *out, *design, "--json")
    assert done.exit_code == exit_code
    assert "no datum. State one" in done.stderr
    assert "Traceback" not in done.output
    assert len(done.stderr.splitlines()) == 1
    assert done.stdout == ""
    assert not (tmp_path / "out").exists()


def test_a_project_that_is_not_there_is_refused(tmp_path: Path) -> None:
    done = run("plan", tmp_path / "none.toml", "--out", tmp_path / "out")
    assert done.exit_code == 2
    assert "none.toml" in done.stderr
    assert isinstance(done.exception, SystemExit)


def test_an_output_folder_that_is_a_file_is_refused(
    made: Plan, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "out").write_text("mine")
    done = plan_of(monkeypatch, made, tmp_path / "out", "--json")
    assert done.exit_code == 2
    assert "name another folder" in done.stderr
    assert done.stdout == ""


def test_json_is_the_file_and_nothing_else(
    made: Plan, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    done = plan_of(monkeypatch, made, tmp_path, "--json")
    assert done.stdout_bytes == (tmp_path / "plan.json").read_bytes()
    assert "Alder Bluff extension" in done.stderr


def test_without_json_all_that_is_printed_goes_to_standard_error(
    made: Plan, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    done = plan_of(monkeypatch, made, tmp_path)
    assert done.stdout == ""
    assert str(tmp_path / "map.html") in done.stderr


def test_every_stage_is_timed(made: Plan, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    done = plan_of(monkeypatch, made, tmp_path, "--json")
    times = json.loads(done.stdout)["timings_s"]
    assert list(times) == ["read", "layout", "legs", "write", "assemble"]
    assert all(isinstance(seconds, float) for seconds in times.values())


def test_what_is_wrong_stands_first_and_the_caution_last(
    made: Plan, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    lines = plan_of(monkeypatch, made, tmp_path).stderr.splitlines()
    heads = [line.split(" (")[0].split(":")[0] for line in lines if not line.startswith(" ")]
    assert heads[1:] == [
        "Wrong", "Not served", "Doubtful in what was read", "Read", "Assumed", "Found",
        f"Files in {tmp_path}", "Map", terminal.CAUTION.split(":")[0],
    ]  # fmt: skip


def test_a_plan_with_much_wrong_fits_a_screen(
    made: Plan, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    many = {key: made.summary[key] * 50 for key in ("breaches", "assumptions")}
    spoiled = replace(made, summary={**made.summary, **many})
    done = plan_of(monkeypatch, spoiled, tmp_path)
    assert len(done.stderr.splitlines()) <= 24
    assert "and 45 more in plan.json" in done.stderr


def check_of(
    folder: Path, change: Callable[[Frames], Frames] = dict, *more: str, **site: Any
) -> Result:
    """Run `check` on the hand-drawn design, changed, from files."""
    drawn_site(folder, **site)
    for name, frame in change(drawn_frames()).items():
        frame.to_file(folder / "mine.gpkg", layer=name)
    arguments = ("--design", folder / "mine.gpkg", "--out", folder / "out", *more)
    with without_bound():
        return run("check", folder / "project.toml", *arguments)


def test_a_design_that_breaks_nothing_ends_with_0(tmp_path: Path) -> None:
    done = check_of(tmp_path)
    assert done.exit_code == 0, done.stderr
    assert "nothing is wrong; ok" in done.stderr
    assert (tmp_path / "out" / "map.html").exists()


def test_a_broken_rule_ends_with_1_and_says_where_and_what_to_do(tmp_path: Path) -> None:
    """Cover at PC is 101.05 - 99.80 - 0.258 = 0.99 m where 1.20 m are needed."""
    done = check_of(tmp_path, leg("C", invert_up_m=99.80))
    assert done.exit_code == 1
    told = " ".join(done.stderr.split())
    assert "1 thing is wrong" in told
    assert "C at 45.1 m: min_cover_m is 0.992 m, must be 1.2 m" in told
    assert "lower C by at least 0.21 m there" in told


def test_a_design_with_everything_wrong_fits_a_screen(tmp_path: Path) -> None:
    low = ("max_turn_deg", "max_depth_m", "max_leg_length_m", "max_manhole_spacing_m")
    limits = dict.fromkeys(low, 15.0) | {"max_depth_m": 2.5, "min_leg_separation_deg": 170.0}
    done = check_of(tmp_path, leg("L1", invert_up_m=96.3, launch_pit="T"), tables={"rules": limits})
    assert len(done.stderr.splitlines()) <= 24
    assert "and more, in plan.json: " in done.stderr
    assert "; also " in done.stderr


def test_a_checked_design_as_json_is_the_file(tmp_path: Path) -> None:
    done = check_of(tmp_path, dict, "--json")
    assert done.stdout_bytes == (tmp_path / "out" / "plan.json").read_bytes()
    files = [row["path"] for row in json.loads(done.stdout)["inputs"]]
    assert files.count("mine.gpkg") == 2


def test_a_design_that_cannot_be_used_ends_with_2(tmp_path: Path) -> None:
    done = check_of(tmp_path, leg("C", invert_up_m=float("nan")))
    assert done.exit_code == 2
    assert "mine.gpkg, layer legs, row 4, column invert_up_m: 'nan' is no number" in done.stderr
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("breach", "words"),
    [
        # 0.25 m / 0.3048 = 0.820 ft, 0.9 m / 0.3048 = 2.953 ft
        ({"value": 0.25, "limit": 0.9, "unit": "m", "with": "E1"},
         "L2 with E1: clearance_m is 0.82 ft, must be 2.95 ft"),
        # both are 2.95 ft to the hundredth: shown as they are
        ({"value": 0.8999, "limit": 0.9, "unit": "m"},
         "L2: clearance_m is 0.8999 m, must be 0.9 m"),
        ({"value": 0.31, "limit": 0.4, "unit": "%"}, "L2: clearance_m is 0.31 %, must be 0.4 %"),
        ({"value": None, "limit": "crown", "unit": ""}, "L2: clearance_m is None, must be crown"),
    ],
)  # fmt: skip
def test_a_breach_is_told_in_the_units_of_the_project(breach: dict[str, Any], words: str) -> None:
    from planner.outputs.display import Display  # noqa: PLC0415  (only here)

    whole = {"rule": "clearance_m", "subject": "L2", **breach}
    assert terminal.breach_words(whole, Display("us")) == words


def test_text_cannot_steer_the_terminal(
    made: Plan, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    done = plan_of(monkeypatch, with_text(made, ESCAPES), tmp_path, "--json")
    for line in [*done.stderr.split("\n"), *done.stdout_bytes.decode("utf-8").split("\n")]:
        assert all(c.isprintable() or c == "\u202f" for c in line), line
    assert r"a\x1b[31mb\x9b2Jc\rd\u202ee\nf" in done.stderr
    assert json.loads(done.stdout)["project"] == ESCAPES


def test_markup_in_text_is_text(
    made: Plan, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    done = plan_of(monkeypatch, with_text(made, "[bold]x[/] :boom:"), tmp_path)
    assert "[bold]x[/] :boom:" in done.stderr


def test_a_message_cannot_steer_the_terminal(tmp_path: Path) -> None:
    done = run("inputs", tmp_path / f"{ESCAPES}.toml")
    assert done.exit_code == 2
    assert all(c.isprintable() for line in done.stderr.split("\n") for c in line)


@pytest.mark.parametrize(
    ("kind", "exit_code"),
    [("assumed", 0), ("repaired", 0), ("ignored", 0), ("doubt", 1), ("refused", 1)],
)
def test_inputs_ends_with_1_where_a_doubt_can_change_the_plan(
    monkeypatch: pytest.MonkeyPatch, kind: str, exit_code: int
) -> None:
    done = inputs_of(monkeypatch, with_ledger(kind))
    assert done.exit_code == exit_code
    assert "streets, rows 2, 3: odd" in done.stderr


def test_inputs_as_json_is_its_report(monkeypatch: pytest.MonkeyPatch) -> None:
    site = with_ledger("doubt", ESCAPES)
    done = inputs_of(monkeypatch, site, "--json")
    assert json.loads(done.stdout) == planner.inputs.report_inputs(site)
    assert done.stdout.replace("\n", "").isprintable()


def test_inputs_prints_every_entry(monkeypatch: pytest.MonkeyPatch) -> None:
    entries = tuple(LedgerEntry("streets", "assumed", (i,), f"thing {i}.") for i in range(40))
    told = inputs_of(monkeypatch, replace(make_site(), ledger=entries)).stderr
    assert [i for i in range(40) if f"thing {i}." not in told] == []


def test_inputs_counts_the_rows_of_every_layer(tmp_path: Path) -> None:
    done = run("inputs", build_site(tmp_path))
    assert done.exit_code == 0, done.stderr
    assert ["properties", "10", "10", "0", "0", "0"] in map(str.split, done.stderr.splitlines())


def test_a_site_is_planned_from_its_files(tmp_path: Path) -> None:
    project = build_site(tmp_path / "site")
    done = run("plan", project, "--out", tmp_path / "out", "--json")
    assert done.exit_code == (0 if json.loads(done.stdout)["status"] == "ok" else 1)
    assert "10 of 10 properties served" in done.stderr


PRINT_ONTO_A_FULL_DISK = """
import resource, sys, typer, planner.cli as cli
resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))
try:
    with cli.refusals():
        cli.print_json(b"more than there is room for")
except typer.Exit as done:
    sys.exit(done.exit_code)
"""


def test_standard_output_that_is_full_is_a_message(tmp_path: Path) -> None:
    with (tmp_path / "printed").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-c", PRINT_ONTO_A_FULL_DISK],
            cwd=ROOT, stdout=full, stderr=subprocess.PIPE, text=True, check=False,
        )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr == (
        "Cannot go on. standard output: File too large. Check path, room and rights\n"
    )


def told_on_a_terminal(*arguments: str) -> str:
    """What the command prints where standard error is a terminal."""
    ours, theirs = pty.openpty()
    with subprocess.Popen(
        [*COMMAND, *arguments], cwd=ROOT, stdout=subprocess.DEVNULL, stderr=theirs,
        env=os.environ | {"TERM": "xterm", "COLUMNS": "80"},
    ) as process:  # fmt: skip
        os.close(theirs)
        told = b""
        try:
            while part := os.read(ours, 4096):
                told += part
        except OSError:  # the other end is closed
            pass
        os.close(ours)
        process.wait()
    return told.decode("utf-8")


def test_progress_is_shown_on_a_terminal_only(tmp_path: Path) -> None:
    project = build_site(tmp_path)
    assert cli.WORDS["read"] in told_on_a_terminal("inputs", str(project))
    assert cli.WORDS["read"] not in run("inputs", project).output
