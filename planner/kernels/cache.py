"""Finds compiled kernels a folder for their cache, wherever the package is installed.

numba keeps its cache beside the code, or else in the user's cache folder, or where
``NUMBA_CACHE_DIR`` says, and refuses to compile where none of them can be written (a read-only
installation without a home). Such a run gets a private folder of its own, removed when it ends:
slower to start, the same numbers.
"""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
from pathlib import Path
from typing import Any

from numba.core import config as numba_config

config: Any = numba_config  # its names are made when it is imported, so types know none of them


def ensure_cache_folder() -> None:
    """Give numba a folder for this run where it would find none."""
    if any(_can_write(folder) for folder in _usual_folders()):
        return
    folder = tempfile.mkdtemp(prefix="pitline-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    config.CACHE_DIR = folder


def is_kept(kernel: Any) -> bool:
    """Whether an earlier run left what a kernel compiles to.

    Parameters
    ----------
    kernel
        The compiled function.
    """
    stem = f"{kernel.__module__.rpartition('.')[2]}.{kernel.__qualname__}-"
    folder = Path(kernel.stats.cache_path)
    return any(file.name.startswith(stem) for file in folder.glob("*.nbi"))


def _usual_folders() -> list[Path]:
    if config.CACHE_DIR:
        return [Path(config.CACHE_DIR)]
    user = os.environ.get("XDG_CACHE_HOME") or Path("~/.cache").expanduser()
    return [Path(__file__).parent / "__pycache__", Path(user) / "numba"]


def _can_write(folder: Path) -> bool:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return True
    except (OSError, RuntimeError):
        return False
