"""Sets up what the tests need, and runs them: ``python3 tests/run.py``.

Arguments are handed on to pytest; without any the whole suite runs.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / ".ci"))

from set_up import CARRIERS, set_up  # noqa: E402  (stands beside the build's own script)

BROWSERS = ("chromium", "chromium-browser", "google-chrome")
BROWSER_NAME = "PITLINE_CHROMIUM"


def find_browser(python: Path) -> str:
    """Path of a Chromium, fetched if the machine has none; "" where that fails."""
    found = os.environ.get(BROWSER_NAME) or next(filter(None, map(shutil.which, BROWSERS)), "")
    if found:
        return found
    subprocess.run([str(python), "-m", "playwright", "install", "chromium"], check=False)
    ask = (
        "from playwright.sync_api import sync_playwright as s\n"
        "with s() as p: print(p.chromium.executable_path)"
    )
    answer = subprocess.run(
        [str(python), "-c", ask], capture_output=True, text=True, check=False
    ).stdout.strip()
    return answer if answer and Path(answer).exists() else ""


def main() -> int:
    """Exit status of pytest."""
    python = set_up("test", CARRIERS)
    settings = os.environ | {BROWSER_NAME: find_browser(python)}
    workers = ["-n", str(min(os.cpu_count() or 1, 4)), "--dist", "loadfile"]
    chosen = sys.argv[1:] or workers
    command = [str(python), "-m", "pytest", *chosen]
    return subprocess.run(command, cwd=ROOT, env=settings, check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
