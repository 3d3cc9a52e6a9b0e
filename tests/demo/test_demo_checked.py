"""The demo's own plan sent through the check, and a mistake planted in it."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import pyogrio
import pytest

from tests.demo.command import PROJECT, Run, run

LAYERS = ("pits", "legs", "connections")


def checked(design: Path, folder: Path) -> Run:
    done = run("check", str(PROJECT), "--design", str(design), "--out", str(folder), "--json")
    return Run(folder, done.returncode, done.stdout, done.stderr)


@pytest.fixture(scope="module")
def again(demo: Run, tmp_path_factory: pytest.TempPathFactory) -> Run:
    return checked(demo.directory / "plan.gpkg", tmp_path_factory.mktemp("again") / "out")


def test_the_demo_s_plan_checks_as_it_was_planned(demo: Run, again: Run) -> None:
    planned, found = demo.summary, again.summary
    for key in ("status", "totals", "cost_breakdown", "breaches"):
        assert found[key] == planned[key], key


SOLVED = {"options", "cost"}  # what other pits and levels would cost: a plan's own search knows


@pytest.mark.parametrize("layer", [*LAYERS, "conflicts", "pit_footprints"])
def test_its_layers_are_the_same(demo: Run, again: Run, layer: str) -> None:
    one, other = (
        gpd.read_file(run_.directory / "plan.gpkg", layer=layer) for run_ in (demo, again)
    )
    left = {"binds", "geometry"} | (SOLVED if layer == "conflicts" else set())
    names = [name for name in one.columns if name not in left]
    assert len(one) == len(other)
    for name in names:
        if one[name].dtype.kind == "f":
            assert (one[name] - other[name]).abs().max() < 1e-6 or one[name].isna().all(), name
        else:
            assert one[name].astype(str).tolist() == other[name].astype(str).tolist(), name


def test_a_planted_mistake_is_told_on_one_screen(demo: Run, tmp_path: Path) -> None:
    """Leg A2 raised by 3 m at its upper end: its cover is gone, and P above drops backwards."""
    design = tmp_path / "wrong.gpkg"
    for layer in LAYERS:
        frame = gpd.read_file(demo.directory / "plan.gpkg", layer=layer)
        if layer == "legs":
            frame.loc[frame["leg_id"] == "A2", "invert_up_m"] += 3.0
        pyogrio.write_dataframe(frame, design, layer=layer, driver="GPKG", append=design.exists())
    found = checked(design, tmp_path / "out")
    assert found.status == 1
    assert len(found.told.splitlines()) <= 24
    rules = {row["rule"] for row in json.loads(found.printed)["breaches"] if row["subject"] == "A2"}
    assert {"min_cover_m", "stated_slope_pct"} & rules
    assert "A2" in found.told
