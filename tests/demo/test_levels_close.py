"""Printed levels of the demo close along every run: falls, slopes, drops and stations."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest

from tests.demo.command import Run

GRID = 0.003048  # [m] 0.01 ft, on which levels lie
STRAIGHT = 0.10 * 0.3048  # [m] least drop through a manhole
NOISE = 1e-6  # [m]


@pytest.fixture(scope="module")
def legs(demo: Run) -> gpd.GeoDataFrame:
    return gpd.read_file(demo.directory / "plan.gpkg", layer="legs")


@pytest.fixture(scope="module")
def pits(demo: Run) -> gpd.GeoDataFrame:
    return gpd.read_file(demo.directory / "plan.gpkg", layer="pits").set_index("pit_id")


@pytest.mark.parametrize("column", ["invert_up_m", "invert_down_m", "fall_m"])
def test_levels_lie_on_the_printed_grid(legs: gpd.GeoDataFrame, column: str) -> None:
    steps = legs[column].to_numpy(float) / GRID
    assert np.abs(steps - steps.round()).max() < 1e-5


def test_upper_less_lower_invert_is_the_fall(legs: gpd.GeoDataFrame) -> None:
    fall = legs["invert_up_m"] - legs["invert_down_m"]
    assert ((fall / GRID).round() == (legs["fall_m"] / GRID).round()).all()


def test_the_printed_slope_gives_the_fall_back(legs: gpd.GeoDataFrame) -> None:
    back = legs["slope_pct"] / 100 * legs["length_m"]
    assert ((back / GRID).round() == (legs["fall_m"] / GRID).round()).all()


def test_a_leg_leaves_its_pit_at_the_pits_invert(
    legs: gpd.GeoDataFrame, pits: gpd.GeoDataFrame
) -> None:
    leaving = pits.loc[legs["up_pit"], "invert_elev_m"].to_numpy(float)
    assert np.abs(leaving - legs["invert_up_m"]).max() < NOISE


def test_the_printed_drop_is_the_greatest_of_the_legs_that_arrive(
    legs: gpd.GeoDataFrame, pits: gpd.GeoDataFrame
) -> None:
    drops = legs["invert_down_m"] - pits.loc[legs["down_pit"], "invert_elev_m"].to_numpy(float)
    stays = pits.loc[legs["down_pit"], "manhole"].to_numpy(bool)
    assert drops[stays].min() > STRAIGHT - NOISE
    assert (drops[~stays].abs() < NOISE).all()  # joined through
    greatest = drops.groupby(legs["down_pit"]).max()
    printed = pits.loc[greatest.index, "drop_m"].to_numpy(float)
    assert np.abs(printed - greatest.to_numpy(float)).max() < NOISE


def test_a_larger_pipe_that_leaves_lies_with_its_crown_no_higher(legs: gpd.GeoDataFrame) -> None:
    leaving = legs.set_index("up_pit")
    inside = leaving["inside_diameter_mm"] / 1000
    crowns = (leaving["invert_up_m"] + inside).to_dict()
    arriving = legs["invert_down_m"] + legs["inside_diameter_mm"] / 1000
    pairs = zip(legs["down_pit"], arriving, strict=True)
    assert [pit for pit, crown in pairs if pit in crowns and crown < crowns[pit] - NOISE] == []


def test_stations_of_a_run_begin_at_0_and_follow_each_other(legs: gpd.GeoDataFrame) -> None:
    for _, run in legs.sort_values("station_down_m").groupby("run_id"):
        down, up = (run[f"station_{end}_m"].to_numpy(float) for end in ("down", "up"))
        assert down[0] == 0.0
        assert np.abs(up - down - run["length_m"]).max() < NOISE
        assert np.abs(down[1:] - up[:-1]).max(initial=0.0) < NOISE
        assert run["down_pit"].tolist()[1:] == run["up_pit"].tolist()[:-1]


def test_levels_rise_up_every_run(legs: gpd.GeoDataFrame) -> None:
    for _, run in legs.sort_values("station_down_m").groupby("run_id"):
        levels = run[["invert_down_m", "invert_up_m"]].to_numpy(float).ravel()
        assert (np.diff(levels)[::2] > 0).all()
        assert (np.diff(levels)[1::2] >= 0).all()  # 0 where a pit has no manhole
