"""Imports go one way: read with ast, an arrow the wrong way fails."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PLANNER = Path(__file__).parents[1] / "planner"
NOUNS = {"errors", "model", "rules"}
ARROWS = {  # a room of the house -> the rooms that it may import from
    "errors": set(),
    "model": {"errors"},
    "rules": {"errors", "model", "rules"},
    "kernels": {"kernels"},
    "inputs": NOUNS | {"inputs", "kernels"},
    "records": NOUNS | {"kernels"},
    "steps": NOUNS | {"kernels", "records", "steps"},  # of its own package, see below
    "outputs": NOUNS | {"outputs"},
    "summary": NOUNS | {"records"},
    "assembly": NOUNS | {"steps", "records", "kernels", "summary"},
    "search": NOUNS | {"steps", "records", "kernels", "search"},
    "pipeline": NOUNS | {"steps", "records", "assembly", "search", "summary"},
    "cli": NOUNS | {"inputs", "outputs", "pipeline", "steps", "kernels", "cli", "terminal", ""},
    "terminal": NOUNS | {"inputs", "outputs"},
    "": NOUNS | {"inputs", "outputs", "pipeline"},
}
SHOWN = ("planner.model", "planner.outputs.map")  # a plan draws itself, only when it is shown
IMPURE = {"datetime", "logging", "random", "secrets", "socket", "subprocess", "time", "urllib"}
SPATIAL = {"folium", "geopandas", "pandas", "pyogrio", "pyproj", "rasterio", "shapely"}


def modules() -> list[tuple[str, Path]]:
    """Dotted name and file of every module of the planner."""
    return [(dotted(path), path) for path in sorted(PLANNER.rglob("*.py"))]


def dotted(path: Path) -> str:
    """Dotted name of a file."""
    parts = path.relative_to(PLANNER.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imported(name: str, path: Path) -> Iterator[str]:
    """Dotted names of all that a module imports, wherever in it; relative ones made absolute."""
    package = name if path.name == "__init__.py" else name.rpartition(".")[0]
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            above = package.rsplit(".", node.level - 1)[0] if node.level else ""
            module = ".".join(filter(None, (above, node.module)))
            subs = {sub for sub, _ in modules()} & {f"{module}.{a.name}" for a in node.names}
            yield from subs or {module}


def room(name: str) -> str:
    """The room of the house that a module stands in; "" for the front door."""
    return name.split(".")[1] if "." in name else ""


@pytest.mark.parametrize(("name", "path"), modules(), ids=[name for name, _ in modules()])
def test_a_module_imports_only_what_its_room_may(name: str, path: Path) -> None:
    allowed = ARROWS[room(name)]
    ours = [i for i in imported(name, path) if i.split(".")[0] == "planner" and i != name]
    wrong = [i for i in ours if room(i) not in allowed and (name, i) != SHOWN]
    assert wrong == []


@pytest.mark.parametrize(("name", "path"), modules(), ids=[name for name, _ in modules()])
def test_a_step_imports_no_other_step(name: str, path: Path) -> None:
    """A step is a module of the room, or a package whose modules may import each other."""
    own = name.split(".")[:3]
    others = {i for i in imported(name, path) if room(i) == "steps" and i.split(".")[:3] != own}
    assert room(name) != "steps" or not others


@pytest.mark.parametrize(("name", "path"), modules(), ids=[name for name, _ in modules()])
def test_steps_and_kernels_have_no_clock_chance_network_or_log(name: str, path: Path) -> None:
    used = {i.split(".")[0] for i in imported(name, path)}
    assert room(name) not in {"steps", "kernels"} or not used & IMPURE


@pytest.mark.parametrize(("name", "path"), modules(), ids=[name for name, _ in modules()])
def test_kernels_know_numbers_only(name: str, path: Path) -> None:
    used = {i.split(".")[0] for i in imported(name, path)}
    assert room(name) != "kernels" or not used & SPATIAL


def test_every_room_stands_in_the_table() -> None:
    assert {room(name) for name, _ in modules()} <= set(ARROWS)
