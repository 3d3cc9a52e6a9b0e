"""The main job on real streets, pipelines and ground that are not one place."""

from __future__ import annotations

import ast
import json
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import pytest

import planner
from tests.independent.arithmetic import audit, unreported
from tests.real.make_site import (
    NORTH,
    SIDE,
    WEST,
    Window,
    clip,
    connected,
    make_site,
    origin,
    steep_share,
)
from tests.real.open_data import DataMissingError, read_ground, read_lines, read_streets

pytestmark = pytest.mark.real
MOST_STEEP = 0.20  # share of 20 m street steps over 15 % that this pair of places may have


@dataclass(frozen=True, eq=False)
class Planned:
    """A project and where its plan was written."""

    project_file: Path
    directory: Path
    plan: planner.Plan


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Planned:
    folder = tmp_path_factory.mktemp("not-one-place")
    try:
        project_file = make_site(folder)
    except DataMissingError as missing:
        pytest.skip(str(missing))
    plan = planner.make_plan(planner.read_site(project_file))
    planner.write_plan(plan, folder / "out")
    return Planned(project_file, folder / "out", plan)


def test_the_audit_finds_nothing_that_the_plan_does_not_report(planned: Planned) -> None:
    found = audit(planned.project_file, planned.directory)
    assert unreported(found, planned.plan.summary) == []


def test_most_properties_are_served_and_the_others_have_a_reason(planned: Planned) -> None:
    served = planned.plan.connections["served"].astype(bool)
    assert served.mean() > 0.5
    assert (planned.plan.connections.loc[~served, "why_not"] != "").all()


def test_real_pipelines_are_crossed(planned: Planned) -> None:
    pipes = gpd.read_file(planned.project_file.parent / "pipelines.gpkg")
    assert pipes.intersects(planned.plan.legs.union_all()).sum() >= 3


def test_the_assumed_depths_are_told(planned: Planned) -> None:
    assumed = [a for a in planned.plan.summary["assumptions"] if a["layer"] == "utilities"]
    pipes = gpd.read_file(planned.project_file.parent / "pipelines.gpkg")
    assert max(entry["rows"] for entry in assumed) == len(pipes)


def test_the_pair_of_places_passes_its_gate(planned: Planned) -> None:
    streets = gpd.read_file(planned.project_file.parent / "streets.gpkg")
    assert 1400 < streets.length.sum() < 3000
    assert steep_share(streets, Window(read_ground(), WEST, NORTH)) <= MOST_STEEP


def test_the_ground_was_moved_and_not_stretched_or_turned(planned: Planned) -> None:
    told = json.loads((planned.project_file.parent / "origin.json").read_text(encoding="utf-8"))
    assert told == origin(Window(read_ground(), WEST, NORTH))
    assert told["label"] == "not one place"


def test_the_streets_hang_together_inside_the_window(planned: Planned) -> None:
    window = Window(read_ground(), WEST, NORTH)
    streets = connected(clip(read_streets(read_lines()), window))
    assert streets.length.sum() == pytest.approx(
        gpd.read_file(planned.project_file.parent / "streets.gpkg").length.sum()
    )
    assert window.area().area == SIDE**2
    assert streets.within(window.area()).all()


def test_the_packages_that_carry_the_data_are_not_imported() -> None:
    for path in Path(__file__).parents[1].rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert not {"pyrosm", "lidar"} & {name.split(".")[0] for name in names}
