"""Writes a plan's files beside their places and moves them there when all are whole."""

from __future__ import annotations

import fcntl
import json
import math
import os
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from pyogrio.errors import DataLayerError, DataSourceError, FeatureError

from planner.errors import OutputError
from planner.model import Plan
from planner.outputs.geopackage import write_geopackage
from planner.outputs.map import draw_map

WRITING_FAILED = (DataSourceError, DataLayerError, FeatureError)
NAMES = ("plan.gpkg", "plan.json", "map.html")
LOCK = ".pitline.lock"
BESIDE = ".pitline-"


def write_plan(
    plan: Plan, directory: str | Path, timings: Mapping[str, float] | None = None
) -> dict[str, Path]:
    """Write `plan.gpkg`, `plan.json` and `map.html` into a folder.

    Parameters
    ----------
    plan
        The plan.
    directory
        The folder, made where it does not exist.
    timings
        Seconds by stage, for ``timings_s``.

    Returns
    -------
    Where each file is, by its name.

    Raises
    ------
    OutputError
        Where the folder cannot be written, is full, or another run writes into it. What stood
        there before is whole.
    """
    folder = Path(directory)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with _sole_writer(folder), _room_beside(folder) as beside:
            write_geopackage(plan, beside / "plan.gpkg")
            (beside / "plan.json").write_text(plan_text(plan, timings), "utf-8")
            (beside / "map.html").write_text(draw_map(plan), "utf-8")
            for name in NAMES:
                _settle(beside / name)
            for name in NAMES:
                (beside / name).replace(folder / name)
    except OutputError:
        raise
    except (OSError, *WRITING_FAILED) as error:
        raise OutputError(
            f"{folder} cannot be written: {error}. Free some room, or name another folder with "
            f"--out; what stood there before is unchanged"
        ) from error
    return {name: folder / name for name in NAMES}


def plan_text(plan: Plan, timings: Mapping[str, float] | None = None) -> str:
    """What `plan.json` holds."""
    content = {**plan.summary, "timings_s": {k: round(v, 3) for k, v in (timings or {}).items()}}
    return json.dumps(_plain(content), ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def _plain(value: Any) -> Any:
    """A value as JSON has it: text keys, numbers without NaN, lists."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


@contextmanager
def _sole_writer(folder: Path) -> Iterator[None]:
    """Hold the folder's lock, which ends with the process that holds it."""
    path = folder / LOCK
    with path.open("a") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise OutputError(
                f"another run is writing into {folder}. Wait for it, or name another folder with "
                f"--out"
            ) from error
        for left in folder.glob(f"{BESIDE}*"):  # of runs that were stopped half-way
            shutil.rmtree(left, ignore_errors=True)
        yield
        path.unlink(missing_ok=True)


@contextmanager
def _room_beside(folder: Path) -> Iterator[Path]:
    beside = Path(tempfile.mkdtemp(prefix=BESIDE, dir=folder))
    try:
        yield beside
    finally:
        shutil.rmtree(beside, ignore_errors=True)


def _settle(path: Path) -> None:
    """Make sure a file's bytes are on the disk before it takes another's place."""
    with path.open("rb") as file:
        os.fsync(file.fileno())
