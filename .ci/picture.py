"""Takes the picture of the demo map for the README: ``.venv/bin/python .ci/picture.py``."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

from playwright.sync_api import sync_playwright

ROOT = Path(__file__).resolve().parents[1]
MAP = ROOT / "out" / "demo" / "map.html"
PICTURE = ROOT / "docs" / "map.jpg"
MOST = 400_000  # [bytes]
BROWSER = os.environ.get("PITLINE_CHROMIUM") or shutil.which("chromium")


def main(page_file: Path = MAP, picture: Path = PICTURE) -> int:
    """Open the map, let it settle, and keep what a reader sees first."""
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1400, "height": 900})
        page.goto(page_file.as_uri())
        page.wait_for_timeout(1500)
        page.screenshot(path=picture, type="jpeg", quality=80)
        browser.close()
    size = picture.stat().st_size
    print(f"{picture}: {size / 1000:.0f} kB", file=sys.stderr)
    return 0 if size <= MOST else 1


if __name__ == "__main__":
    sys.exit(main(*(Path(name) for name in sys.argv[1:3])))
