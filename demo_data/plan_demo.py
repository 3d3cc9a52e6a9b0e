"""Sets up what the planner needs, and makes the demo plan: ``python3 demo_data/plan_demo.py``."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / ".ci"))

from set_up import set_up  # noqa: E402  (stands beside the build's own script)

OUT = Path("out") / "demo"


def main() -> int:
    """Exit status of the planner."""
    python = set_up()
    start = "import sys; from planner.cli import main; sys.exit(main())"
    plan = ["plan", "demo_data/project.toml", "--out", str(OUT)]
    status = subprocess.run([str(python), "-c", start, *plan], cwd=ROOT, check=False).returncode
    page = ROOT / OUT / "map.html"
    if status in {0, 1} and page.exists():
        print(f"\nOpen the map in a browser: {page.as_uri()}")
    return status


if __name__ == "__main__":
    sys.exit(main())
