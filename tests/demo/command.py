"""Runs the command on the demo in a process of its own."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
PROJECT = ROOT / "demo_data" / "project.toml"
COMMAND = [sys.executable, "-c", "import sys; from planner.cli import main; sys.exit(main())"]


@dataclass(frozen=True)
class Run:
    """A finished run of the command."""

    directory: Path
    status: int
    printed: str
    told: str

    @property
    def summary(self) -> dict[str, Any]:
        """What plan.json holds."""
        read: dict[str, Any] = json.loads((self.directory / "plan.json").read_text("utf-8"))
        return read


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*COMMAND, *arguments], cwd=ROOT, capture_output=True, text=True, check=False
    )
