"""Writes a plan's files beside their places and moves them there when all are whole."""

from __future__ import annotations

import errno
import fcntl
import json
import math
import os
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any

from pyogrio.errors import DataLayerError, DataSourceError

from planner.errors import OutputError
from planner.model import Plan
from planner.outputs.geopackage import write_geopackage
from planner.outputs.map import draw_map
from planner.outputs.workbook import write_workbook

NAMES = ("plan.gpkg", "plan.json", "map.html", "schedules.xlsx")
ALTERNATIVES = "alternatives"  # folder of plans in other streets
STAGES = ("read", "layout", "legs", "write")
LOCK = ".pitline-lock"
BESIDE = ".pitline-writing-"  # a folder of files that are not whole yet, or not all moved yet
BEFORE = "before"  # in it, once every file is whole: the files that stood in their places
WRITING_FAILED = (OSError, DataSourceError, DataLayerError, sqlite3.Error)
FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
FORBIDDEN = {errno.EACCES, errno.EPERM, errno.EROFS}


def write_plan(
    plan: Plan, directory: str | Path, timings: Mapping[str, float] | None = None
) -> dict[str, Path]:
    """Write `plan.gpkg`, `plan.json`, `map.html` and `schedules.xlsx` into a folder.

    Parameters
    ----------
    plan
        The plan.
    directory
        The folder, made where it does not exist.
    timings
        Seconds by stage, for ``timings_s``; the time of writing is added. [s]

    Returns
    -------
    Where each file is, by its name.

    Raises
    ------
    OutputError
        Where the folder cannot be written, is full, or another run writes into it. What stood
        there before is whole.
    """
    folder, begun = Path(directory), time.perf_counter()
    try:
        with _made(folder), _sole_writer(folder), _room_beside(folder) as beside:
            write_geopackage(plan, beside / "plan.gpkg")
            _write_text(beside / "map.html", draw_map(plan))
            write_workbook(plan, beside / "schedules.xlsx")
            spent = dict(timings or {}) | {"write": time.perf_counter() - begun}
            _write_text(beside / "plan.json", plan_text(plan, spent))
            _put_in_place(beside, folder)
    except WRITING_FAILED as error:
        raise OutputError(_refusal(folder, error)) from error
    _write_alternatives(plan, folder, timings)
    return {name: folder / name for name in NAMES}


def _write_alternatives(plan: Plan, folder: Path, timings: Mapping[str, float] | None) -> None:
    """Write each plan in other streets into a folder of its own; take away those of before."""
    place = folder / ALTERNATIVES
    for number, other in enumerate(plan.alternatives, 1):
        write_plan(other, place / str(number), timings)
    number = len(plan.alternatives) + 1
    while (place / str(number) / "plan.json").exists():
        for name in NAMES:
            (place / str(number) / name).unlink(missing_ok=True)
        with suppress(OSError):  # somebody's own files stay
            (place / str(number)).rmdir()
        number += 1
    with suppress(OSError):
        place.rmdir()


def plan_text(plan: Plan, timings: Mapping[str, float] | None = None) -> str:
    """What `plan.json` holds; a stage whose time is not known is null. [s]"""
    known = {stage: round(seconds, 3) for stage, seconds in (timings or {}).items()}
    rounded = {**dict.fromkeys(STAGES), **known}
    return json_text({**plan.summary, "timings_s": rounded})


def json_text(content: Mapping[str, Any]) -> str:
    r"""Values as JSON, with nothing in it that a terminal would obey.

    Examples
    --------
    >>> print(json_text({"a": float("nan"), "b": "\x9b2J ü"}), end="")
    {
     "a": null,
     "b": "\u009b2J ü"
    }
    """
    text = json.dumps(_plain(content), ensure_ascii=False, indent=1, allow_nan=False)
    inert = (c if c.isprintable() or c == "\n" else json.dumps(c)[1:-1] for c in text)
    return "".join(inert) + "\n"


def _plain(value: Any) -> Any:
    """A value as JSON has it: text keys, numbers without NaN, lists."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def _write_text(path: Path, text: str) -> None:
    """Write text as UTF-8; half a character, as a file's name may hold, becomes an escape."""
    content = text.encode("utf-8", "backslashreplace")
    path.write_bytes(content)
    if path.stat().st_size != len(content):  # not every file system reports that it is full
        raise OSError(errno.ENOSPC, f"{path.name} did not arrive whole")


@contextmanager
def _made(folder: Path) -> Iterator[None]:
    """Make a folder; where writing into it fails, leave none that was not there."""
    missing = [one for one in (folder, *folder.parents) if not one.exists()]
    try:
        folder.mkdir(parents=True, exist_ok=True)
        yield
    except BaseException:
        for one in missing:
            with suppress(OSError):
                one.rmdir()
        raise


@contextmanager
def _sole_writer(folder: Path) -> Iterator[None]:
    """Hold the folder's lock, which ends with the process that holds it, however it ends."""
    path = folder / LOCK
    with _locked(path):
        try:
            for left in sorted(folder.glob(f"{BESIDE}*")):  # of runs that were stopped half-way
                _clear_up(left, folder)
            yield
        finally:
            path.unlink(missing_ok=True)


def _locked(path: Path) -> IO[str]:
    """A file that only this process has locked."""
    while True:
        file = path.open("a", encoding="utf-8")
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            if path.exists() and os.path.samestat(os.fstat(file.fileno()), path.stat()):
                return file
        except BlockingIOError:
            file.close()
            raise OutputError(
                f"another run is writing into {path.parent}. Wait until it has ended, or name "
                f"another folder"
            ) from None
        except BaseException:
            file.close()
            raise
        file.close()  # the run that held it has ended and taken the file away: lock a new one


def _clear_up(left: Path, folder: Path) -> None:
    """End what a stopped run began: its moves if every file was whole, else nothing of it."""
    if (left / BEFORE).exists():
        for name in NAMES:
            if (left / name).exists():
                (left / name).replace(folder / name)
    shutil.rmtree(left, ignore_errors=True)


@contextmanager
def _room_beside(folder: Path) -> Iterator[Path]:
    beside = Path(tempfile.mkdtemp(prefix=BESIDE, dir=folder))
    try:
        yield beside
    finally:
        shutil.rmtree(beside, ignore_errors=True)


def _put_in_place(beside: Path, folder: Path) -> None:
    """Move every file to its place; where one cannot be moved, all is as it was."""
    for name in NAMES:
        _settle(beside / name)
    _keep_earlier(beside, folder)
    moved: list[str] = []
    try:
        for name in NAMES:
            (beside / name).replace(folder / name)
            moved.append(name)
        _settle(folder)
    except BaseException:
        for name in moved:
            kept = beside / BEFORE / name
            if kept.exists():
                kept.replace(folder / name)
            else:
                (folder / name).unlink()
        shutil.rmtree(beside / BEFORE)
        raise


def _keep_earlier(beside: Path, folder: Path) -> None:
    """Hold on to the files that stand there: as second names, or copies where there are none."""
    keeping = beside / f"{BEFORE}-not-all"
    keeping.mkdir()
    for name in NAMES:
        target = folder / name
        if target.is_dir():
            raise IsADirectoryError(errno.EISDIR, "a folder stands there", str(target))
        if target.exists():
            try:
                os.link(target, keeping / name)
            except OSError:
                shutil.copy2(target, keeping / name)
    keeping.rename(beside / BEFORE)


def _settle(path: Path) -> None:
    """Make sure that a file, or the names in a folder, are on the disk."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _refusal(folder: Path, error: Exception) -> str:
    """What went wrong in writing, and what to do."""
    number = error.errno if isinstance(error, OSError) else None
    words = (error.strerror if isinstance(error, OSError) else None) or str(error)
    if number in FULL or "full" in words:
        remedy = "Free some room, or name another folder"
    elif number in FORBIDDEN:
        remedy = "Change its rights, or name another folder"
    elif number in (errno.EISDIR, errno.EEXIST, errno.ENOTDIR):
        place = getattr(error, "filename", None) or folder
        words, remedy = f"{words}: {place}", "Move that away, or name another folder"
    else:
        remedy = "Check room and rights there, or name another folder"
    return f"{folder} cannot be written: {words}. {remedy}. What stood there before is unchanged"
