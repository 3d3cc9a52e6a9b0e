"""Where compiled kernels are kept, and whether they are."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path


def run(code: str, **changes: str) -> str:
    """What a fresh Python prints."""
    done = subprocess.run(
        [sys.executable, "-c", code], env=os.environ | changes, capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def test_kernels_run_where_nothing_can_be_cached(tmp_path: Path) -> None:
    """A user without a home and code that cannot be written: a private folder is found."""
    code = (
        "import pathlib, planner.kernels.cache as c\n"
        "c._usual_folders = lambda: [pathlib.Path('/proc/none')]\n"
        "c.ensure_cache_folder()\n"
        "from numba import config\n"
        "assert 'pitline-' in config.CACHE_DIR\n"
        "import numpy as np\n"
        "from planner.kernels.ground import bilinear\n"
        "print(bilinear(np.ones((2, 2)), 0.5, 0.5))\n"
    )
    assert run(code, HOME=str(tmp_path / "none"), PYTHONDONTWRITEBYTECODE="1") == "1.0"


def test_a_kernel_is_kept_once_it_has_run(tmp_path: Path) -> None:
    """By the file that the next run finds, in an empty folder for the cache."""
    code = (
        "from planner.kernels.cache import is_kept\n"
        "from planner.kernels.midway import fall_above as kernel\n"
        "before = is_kept(kernel)\n"
        "kernel(0.5, 10)\n"
        "print(before, is_kept(kernel))\n"
    )
    assert run(code, NUMBA_CACHE_DIR=str(tmp_path)) == "False True"
    assert run(code, NUMBA_CACHE_DIR=str(tmp_path)) == "True True"


def test_whoever_waits_for_the_first_run_is_told_why(tmp_path: Path) -> None:
    code = "from planner.cli import first_run_words as words; print(words())"
    assert "compiling" in run(code, NUMBA_CACHE_DIR=str(tmp_path))
