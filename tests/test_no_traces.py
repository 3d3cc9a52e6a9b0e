"""No file tells of the machine it was written on, of a registry, or of how work is handed out."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
FOLDERS = (".ci", "planner", "tests", "demo_data", "docs")
TEXT = {".py", ".toml", ".md", ".txt", ".json", ".cfg", ".html", ".js", ".css", ".yml", ".yaml", ""}
SYSTEM = "bin dev etc home lib media mnt opt proc root run srv sys tmp usr var"
MACHINE_PATH = re.compile(
    r"(?<![\w.~/:<-])/(?:" + "|".join(SYSTEM.split()) + r")(?:/[\w.-]+)+", re.ASCII
)
WELL_KNOWN = (  # paths that are the same on every machine of their kind
    "/usr/bin/env",
    "/dev/null",
    "/usr/bin/chromium",
    "/proc/none",  # a folder that can be made on none
)
ADDRESS = re.compile(r"https?://([\w.-]+)", re.ASCII)
KNOWN_HOSTS = {  # standards and licences that a file has to name
    "creativecommons.org",
    "leafletjs.com",
    "opensource.org",
    "openstreetmap.org",
    "opendatacommons.org",
    "www.landxml.org",
    "www.openstreetmap.org",
    "www.w3.org",
}
ORGANISING = re.compile(r"\b(?:transcripts?|issue #?\d+|issues show)\b", re.IGNORECASE)


def files() -> list[Path]:
    """Text files of the tree, without what is made by running it."""
    kept = [path for path in ROOT.iterdir() if path.is_file()]
    kept += [path for folder in FOLDERS for path in (ROOT / folder).rglob("*") if path.is_file()]
    made = {"__pycache__", ".pytest_cache"}
    return sorted(p for p in kept if p.suffix in TEXT and not made & set(p.parts))


def lines_with(pattern: re.Pattern[str], path: Path) -> list[str]:
    """What of a file matches a pattern."""
    return [match[0] for match in pattern.finditer(path.read_text(encoding="utf-8"))]


def relative(path: Path) -> str:
    return str(path.relative_to(ROOT))


@pytest.mark.parametrize("path", files(), ids=relative)
def test_no_path_of_a_machine(path: Path) -> None:
    found = lines_with(MACHINE_PATH, path)
    assert [f for f in found if not f.startswith(WELL_KNOWN)] == []


@pytest.mark.parametrize("path", files(), ids=relative)
def test_no_address_but_of_standards_and_licences(path: Path) -> None:
    assert _hosts(path) <= KNOWN_HOSTS


def _hosts(path: Path) -> set[str]:
    return set(ADDRESS.findall(path.read_text(encoding="utf-8")))


@pytest.mark.parametrize("path", files(), ids=relative)
def test_no_word_of_how_work_is_handed_out(path: Path) -> None:
    assert path == Path(__file__) or lines_with(ORGANISING, path) == []
