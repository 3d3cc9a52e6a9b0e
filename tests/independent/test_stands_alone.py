"""The audit imports nothing of what it audits."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

STANDARD = "__future__ ast collections dataclasses hashlib itertools json pathlib tomllib typing"
LIBRARIES = "fluids geopandas numpy pandas pyogrio pyproj pytest rasterio scipy shapely"
ALLOWED = set(f"{STANDARD} {LIBRARIES}".split())
HERE = sorted(Path(__file__).parent.glob("*.py"))


def imported(source: str) -> set[str]:
    """Top-level names of everything a module imports, wherever in it."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            names.add("." * node.level + (node.module or ""))
    return names


@pytest.mark.parametrize("path", HERE, ids=lambda path: path.name)
def test_the_audit_imports_nothing_of_the_planner(path: Path) -> None:
    names = imported(path.read_text(encoding="utf-8"))
    foreign = {n for n in names if n.split(".")[0] not in ALLOWED and n.split(".")[0] != "tests"}
    own = {n for n in names if n.startswith("tests.") and not n.startswith("tests.independent")}
    assert foreign | own == set()


@pytest.mark.parametrize(
    "text",
    ["import planner", "from planner.model import Plan", "if 1:\n import planner.steps"],
)
def test_an_import_of_the_planner_would_be_seen(text: str) -> None:
    assert any(name.split(".")[0] == "planner" for name in imported(text))
