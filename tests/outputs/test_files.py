"""A plan's files: what they hold, and that they are whole or as they were."""

from __future__ import annotations

import fcntl
import json
import os
import random
import resource
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import pytest

from planner.errors import OutputError
from planner.model import PLAN_COLUMNS, PLAN_GEOMETRY, Plan
from planner.outputs import files, write_plan
from planner.outputs.geopackage import typed
from tests.outputs.payloads import PAYLOADS
from tests.outputs.plan_fixture import make_fixture_plan, with_text

ROOT = Path(__file__).parents[2]
MOMENTS = 50


def without_rows(plan: Plan) -> Plan:
    """The plan with every layer empty, its columns of no type, as a plan of nothing has them."""
    bare = {
        name: gpd.GeoDataFrame({c: [] for c in columns}, geometry=[], crs=plan.pits.crs)
        for name, columns in PLAN_COLUMNS.items()
    }
    return replace(plan, **bare)


def contents(folder: Path) -> dict[str, bytes]:
    """Every file below a folder, byte for byte."""
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def renamed(plan: Plan, name: str) -> Plan:
    """The plan under a name that all three of its files show."""
    project = replace(plan.site.project, name=name)
    pits = plan.pits.assign(binds=name)
    summary = {**plan.summary, "project": name}
    return replace(plan, pits=pits, site=replace(plan.site, project=project), summary=summary)


def names_in(folder: Path) -> set[str]:
    """Names that the three files of a folder show, each read whole."""
    pits = gpd.read_file(folder / "plan.gpkg", layer="pits")
    for layer in PLAN_COLUMNS:
        gpd.read_file(folder / "plan.gpkg", layer=layer)
    page = (folder / "map.html").read_text("utf-8")
    assert page.rstrip().endswith("</html>")
    title = page.split("<title>")[1].split(" – ")[0]
    summary = json.loads((folder / "plan.json").read_text("utf-8"))
    return {*pits["binds"], title, summary["project"]}


@pytest.fixture(scope="module")
def plan() -> Plan:
    return make_fixture_plan()


@pytest.fixture(scope="module")
def written(plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plan")
    write_plan(plan, folder, {"read": 0.25, "layout": 1.0, "legs": 2.0})
    return folder


@pytest.fixture(scope="module")
def bare(plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bare")
    write_plan(without_rows(plan), folder)
    return folder


def test_the_paths_are_those_of_the_files(plan: Plan, tmp_path: Path) -> None:
    paths = write_plan(plan, str(tmp_path / "new" / "out"))
    assert sorted(paths) == ["map.html", "plan.gpkg", "plan.json", "schedules.xlsx"]
    assert sorted(paths.values()) == sorted((tmp_path / "new" / "out").iterdir())


@pytest.mark.parametrize("layer", PLAN_COLUMNS)
def test_a_layer_has_its_columns_shape_and_crs(written: Path, bare: Path, layer: str) -> None:
    for folder in (written, bare):
        found = pyogrio.read_info(folder / "plan.gpkg", layer=layer)
        assert tuple(found["fields"]) == PLAN_COLUMNS[layer]
        assert found["geometry_type"] == PLAN_GEOMETRY[layer]
        assert found["crs"] == "EPSG:26915"


@pytest.mark.parametrize("layer", PLAN_COLUMNS)
def test_a_layer_has_the_same_types_with_rows_and_without(
    written: Path, bare: Path, layer: str
) -> None:
    full, empty = (pyogrio.read_info(f / "plan.gpkg", layer=layer) for f in (written, bare))
    assert empty["features"] == 0
    assert list(full["ogr_types"]) == list(empty["ogr_types"])
    assert list(full["ogr_subtypes"]) == list(empty["ogr_subtypes"])


@pytest.mark.parametrize("layer", PLAN_COLUMNS)
def test_a_layer_read_back_is_the_layer_of_the_plan(plan: Plan, written: Path, layer: str) -> None:
    given = getattr(plan, layer)
    read = gpd.read_file(written / "plan.gpkg", layer=layer)
    assert read.geometry.geom_equals_exact(given.geometry, 0.0).all()
    for column in PLAN_COLUMNS[layer]:
        known = given[column].notna()
        assert read[column][known].tolist() == given[column][known].tolist(), column


def test_what_is_not_known_stays_unknown(plan: Plan) -> None:
    odd = plan.pits.astype({"launches": object, "manhole": object})
    odd["launches"], odd["manhole"], odd["street"] = [None, float("nan"), None]
    known = typed(odd, "pits")
    assert known["launches"].isna().all()
    assert known["manhole"].isna().all()
    assert (known["street"] == "").all()


def test_a_flag_that_is_not_known_is_not_read_back_as_true(plan: Plan, tmp_path: Path) -> None:
    odd = plan.connections.astype({"served": object}).assign(served=None)
    write_plan(replace(plan, connections=odd), tmp_path)
    assert gpd.read_file(tmp_path / "plan.gpkg", layer="connections")["served"].isna().all()


def test_the_same_plan_gives_the_same_bytes_but_for_times(plan: Plan, tmp_path: Path) -> None:
    write_plan(plan, tmp_path / "1")
    write_plan(plan, tmp_path / "2")
    one, two = contents(tmp_path / "1"), contents(tmp_path / "2")
    summaries = [json.loads(found.pop("plan.json")) | {"timings_s": 0} for found in (one, two)]
    assert one == two
    assert summaries[0] == summaries[1]


def test_the_summary_holds_the_plan_and_its_times(plan: Plan, written: Path) -> None:
    read = json.loads((written / "plan.json").read_text("utf-8"))
    times = read.pop("timings_s")
    assert read == {k: v for k, v in plan.summary.items() if k != "timings_s"}
    assert list(read) == [k for k in plan.summary if k != "timings_s"]
    assert list(times) == ["read", "layout", "legs", "write"]
    assert times.pop("write") > 0
    assert times == {"read": 0.25, "layout": 1.0, "legs": 2.0}


def test_a_figure_that_is_no_number_is_null() -> None:
    given = {"a": float("nan"), "b": np.float64("inf"), "c": np.array([1, 2]), 4: np.True_}
    assert json.loads(files.json_text(given)) == {"a": None, "b": None, "c": [1, 2], "4": True}


@pytest.mark.parametrize("text", [*PAYLOADS, "a\x9b2Jb\u202ec", "=1+1"])
def test_text_stays_text(plan: Plan, tmp_path: Path, text: str) -> None:
    write_plan(with_text(plan, text), tmp_path)
    assert set(gpd.read_file(tmp_path / "plan.gpkg", layer="pits")["binds"]) == {text}
    written = (tmp_path / "plan.json").read_text("utf-8")
    assert json.loads(written)["project"] == text
    assert written.replace("\n", "").isprintable()


def test_text_that_a_file_cannot_hold_is_made_visible(plan: Plan, tmp_path: Path) -> None:
    odd = replace(plan, pits=plan.pits.assign(binds="a\0b\udc80"))
    write_plan(replace(odd, summary={**plan.summary, "project": "\udc80"}), tmp_path)
    assert set(gpd.read_file(tmp_path / "plan.gpkg", layer="pits")["binds"]) == {"a\\x00b\\udc80"}
    assert json.loads((tmp_path / "plan.json").read_text("utf-8"))["project"] == "\udc80"


def test_a_second_plan_replaces_the_first_and_leaves_other_files(
    plan: Plan, tmp_path: Path
) -> None:
    (tmp_path / "notes.txt").write_text("mine")
    write_plan(renamed(plan, "first"), tmp_path)
    write_plan(renamed(plan, "second"), tmp_path)
    assert names_in(tmp_path) == {"second"}
    assert sorted(contents(tmp_path)) == [
        "map.html",
        "notes.txt",
        "plan.gpkg",
        "plan.json",
        "schedules.xlsx",
    ]


def refused(plan: Plan, folder: Path) -> str:
    """What is said as a plan is refused a folder."""
    with pytest.raises(OutputError) as caught:
        write_plan(plan, folder)
    return str(caught.value)


def test_a_file_in_the_folders_place_is_refused_and_kept(plan: Plan, tmp_path: Path) -> None:
    place = tmp_path / "out"
    place.write_text("mine")
    for folder in (place, place / "below"):
        message = refused(plan, folder)
        assert str(place) in message
        assert "Move that away, or name another folder" in message
    assert contents(tmp_path) == {"out": b"mine"}


def test_a_folder_that_must_not_be_written_is_refused(
    plan: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def forbid(*_: Any, **__: Any) -> None:
        raise PermissionError(13, "Permission denied", str(tmp_path))

    monkeypatch.setattr(tempfile, "mkdtemp", forbid)  # rights do not bind every user
    assert "Change its rights, or name another folder" in refused(plan, tmp_path / "out")
    assert list(tmp_path.iterdir()) == []


@contextmanager
def no_file_larger_than(size: int) -> Iterator[None]:
    """Let writes fail beyond a size, as they do on a full disk."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.mark.parametrize("share", [0.02, 0.3, 0.6, 0.9, 0.999])
@pytest.mark.parametrize("name", ["plan.gpkg", "map.html", "schedules.xlsx"])
@pytest.mark.filterwarnings("ignore::RuntimeWarning")  # of the library that writes the layers
def test_a_full_disk_leaves_what_was_there(
    plan: Plan, written: Path, tmp_path: Path, share: float, name: str
) -> None:
    write_plan(renamed(plan, "first"), tmp_path)
    before = contents(tmp_path)
    with no_file_larger_than(int(share * (written / name).stat().st_size)):
        message = refused(plan, tmp_path)
    assert "cannot be written" in message
    assert "or name another folder" in message
    assert contents(tmp_path) == before


def test_a_folder_in_a_files_place_leaves_what_was_there(plan: Plan, tmp_path: Path) -> None:
    write_plan(plan, tmp_path)
    (tmp_path / "map.html").unlink()
    (tmp_path / "map.html").mkdir()
    before = contents(tmp_path)
    assert "a folder stands there" in refused(renamed(plan, "second"), tmp_path)
    assert contents(tmp_path) == before


@pytest.mark.parametrize("links", [True, False])
@pytest.mark.parametrize("earlier", [True, False])
def test_a_move_that_fails_is_undone(
    plan: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, earlier: bool, links: bool
) -> None:
    if earlier:
        write_plan(renamed(plan, "first"), tmp_path)
    before = contents(tmp_path)
    move = Path.replace

    def fail(self: Path, target: Path) -> Path:
        if target == tmp_path / "map.html":
            raise OSError(5, "Input/output error")
        return move(self, target)

    def no_links(*_: Any) -> None:
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr(Path, "replace", fail)
    if not links:
        monkeypatch.setattr(os, "link", no_links)
    assert "Input/output error" in refused(renamed(plan, "second"), tmp_path)
    assert contents(tmp_path) == before


def test_two_runs_do_not_write_into_one_folder(plan: Plan, tmp_path: Path) -> None:
    write_plan(plan, tmp_path)
    with (tmp_path / files.LOCK).open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        before = contents(tmp_path)
        assert "another run is writing into" in refused(renamed(plan, "second"), tmp_path)
        assert contents(tmp_path) == before


def test_what_a_stopped_run_left_is_cleared_away(plan: Plan, tmp_path: Path) -> None:
    (tmp_path / files.LOCK).touch()
    half = tmp_path / f"{files.BESIDE}x"
    half.mkdir()
    (half / "plan.json").write_text("{")
    write_plan(plan, tmp_path)
    assert sorted(contents(tmp_path)) == ["map.html", "plan.gpkg", "plan.json", "schedules.xlsx"]


def stop_between_moves(folder: Path) -> None:
    """Write a plan and be killed when two of its three files have been moved."""
    move, moves = Path.replace, iter(range(9))

    def stop(self: Path, target: Path) -> Path:
        if next(moves) == 2:
            os.kill(os.getpid(), signal.SIGKILL)
        return move(self, target)

    Path.replace = stop  # type: ignore[assignment, method-assign]
    write_plan(renamed(make_fixture_plan(), "second"), folder)


def stop_at_random_moments(folder: Path) -> None:
    """Kill a writer that writes one plan after the other, again and again; tell what it leaves."""
    plans = [renamed(make_fixture_plan(), name) for name in ("even", "odd")]
    begun = time.perf_counter()
    write_plan(plans[0], folder)
    write_plan(plans[1], folder)
    one = (time.perf_counter() - begun) / 2
    chance = random.Random(11)  # noqa: S311  (moments, not secrets)
    for _ in range(MOMENTS):
        child = os.fork()
        if child == 0:
            while True:
                for plan in plans:
                    write_plan(plan, folder)
        time.sleep(chance.uniform(0, 1.5 * one))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        print(*sorted(names_in(folder)), flush=True)


def in_a_process(function: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """Run one of the functions above in a process of its own."""
    code = f"import sys, pathlib; from tests.outputs import test_files as t; t.{function}"
    return subprocess.run(
        [sys.executable, "-c", f"{code}(pathlib.Path(sys.argv[1]))", str(folder)],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip


def test_a_run_stopped_at_any_moment_leaves_whole_files(tmp_path: Path) -> None:
    done = in_a_process("stop_at_random_moments", tmp_path)
    assert done.returncode == 0, done.stderr
    states = done.stdout.splitlines()
    assert len(states) == MOMENTS
    assert set(states) <= {"even", "odd", "even odd"}
    assert states.count("even odd") <= 1  # between two moves: 1 in 10,000 moments


def test_a_run_stopped_between_moves_is_ended_by_the_next(plan: Plan, tmp_path: Path) -> None:
    write_plan(renamed(plan, "first"), tmp_path)
    assert in_a_process("stop_between_moves", tmp_path).returncode == -signal.SIGKILL
    assert names_in(tmp_path) == {"first", "second"}  # each whole, not all of one plan
    with no_file_larger_than(5000), pytest.raises(OutputError):
        write_plan(plan, tmp_path)
    assert names_in(tmp_path) == {"second"}
