"""A design's file that cannot be used is refused: file, layer, row, column, and what to do."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

import planner
from planner.inputs.design import naming_file, read_design
from tests.builders import GROUND_CRS
from tests.check.drawn import Frames, check, drawn_frames, drawn_site, leg, moved, pit, spot

Change = Callable[[Frames], Frames]


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> planner.Site:
    return drawn_site(tmp_path_factory.mktemp("site"))


def write(path: Path, frames: Frames) -> Path:
    for name, frame in frames.items():
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", "'crs' was not provided")
            pyogrio.write_dataframe(frame, path, layer=name, driver="GPKG", append=path.exists())
    return path


def judged(site: planner.Site, path: Path) -> planner.Plan:
    design = read_design(path)
    with naming_file(path):
        return check(site, {"pits": design.pits, "legs": design.legs})


def shape(layer: str, row: int, what: shapely.Geometry | None) -> Change:
    return lambda frames: frames | {layer: moved(frames[layer], row, what)}


def no_crs(frames: Frames) -> Frames:
    return frames | {"pits": frames["pits"].set_crs(None, allow_override=True)}


def in_feet(frames: Frames) -> Frames:
    legs = frames["legs"].copy()
    legs[["invert_up_m", "invert_down_m"]] /= 0.3048
    return frames | {"legs": legs}


REFUSED: dict[str, tuple[Change, str]] = {
    "a column": (lambda f: f | {"legs": f["legs"].drop(columns="up_pit")}, "no column 'up_pit'"),
    "a number": (leg("C", invert_up_m=np.nan), "row 4, column invert_up_m: 'nan' is no number"),
    "no size": (leg("C", diameter_mm=-1.0), "row 4, column diameter_mm: '-1.0' cannot be"),
    "a name": (pit("P2", pit_id=None), "row 3, column pit_id: the name is missing"),
    "no shape": (shape("legs", 1, None), "layer legs, row 2: the row has no geometry"),
    "a leg that is a point": (shape("legs", 1, spot(1, 1)), "row 2: the row is a Point"),
    "no system": (no_crs, "layer pits: the design's layer states no coordinate reference system"),
    "feet": (in_feet, "look like feet read as metres"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_used_is_refused_with_its_place(
    site: planner.Site, tmp_path: Path, name: str
) -> None:
    change, words = REFUSED[name]
    path = write(tmp_path / "mine.gpkg", change(drawn_frames()))
    with pytest.raises(planner.InputError) as refusal:
        judged(site, path)
    assert words in str(refusal.value)
    assert str(refusal.value).startswith(f"file {path}, layer ")


def test_a_file_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(planner.InputError, match="is not there"):
        read_design(tmp_path / "none.gpkg")


def test_a_file_of_another_kind_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a.gpkg").write_text("pits and legs", encoding="utf-8")
    with pytest.raises(planner.InputError, match="the design cannot be read"):
        read_design(tmp_path / "a.gpkg")


def test_a_missing_layer_is_refused_and_those_there_are_named(tmp_path: Path) -> None:
    path = write(tmp_path / "a.gpkg", {"pits": drawn_frames()["pits"]})
    with pytest.raises(planner.InputError, match=r'no layer "legs". It has: pits'):
        read_design(path)


def test_a_layer_without_geometry_is_refused(tmp_path: Path) -> None:
    path = write(tmp_path / "a.gpkg", {"pits": drawn_frames()["pits"]})
    table = pd.DataFrame(drawn_frames()["legs"].drop(columns="geometry"))
    pyogrio.write_dataframe(table, path, layer="legs", driver="GPKG", append=True)
    with pytest.raises(planner.InputError, match="a table without geometry"):
        read_design(path)


def test_empty_layers_are_a_design_that_serves_nobody(site: planner.Site, tmp_path: Path) -> None:
    frames = {name: frame.iloc[:0] for name, frame in drawn_frames().items()}
    plan = judged(site, write(tmp_path / "a.gpkg", frames))
    assert plan.summary["status"] == "incomplete"
    assert set(plan.connections["why_not"]) == {"no tie-in: the design has 0 legs"}


@pytest.mark.parametrize(
    "crs", ["EPSG:4326", "EPSG:26915", "EPSG:2256"], ids=["degrees", "m", "ft"]
)
def test_a_design_in_another_system_is_the_same(
    site: planner.Site, tmp_path: Path, crs: str
) -> None:
    frames = {name: frame.to_crs(crs) for name, frame in drawn_frames().items()}
    plan = judged(site, write(tmp_path / "a.gpkg", frames))
    here = check(site, drawn_frames())
    lengths = [one.legs["length_m"].to_numpy() for one in (plan, here)]
    assert lengths[0] == pytest.approx(lengths[1], abs=2e-3)
    assert not {row["rule"] for row in plan.summary["breaches"] if row["severity"] == "breach"}


def test_large_letters_numbers_as_names_and_parts_are_read(
    site: planner.Site, tmp_path: Path
) -> None:
    number = {"T": 0, "P1": 1, "P2": 2, "P3": 3, "PC": 4, "PD": 5}
    frames = drawn_frames()
    legs = frames["legs"].replace({"up_pit": number, "down_pit": number})
    legs = legs.rename(columns={name: name.upper() for name in legs.columns.drop("geometry")})
    whole = shapely.MultiLineString([legs.geometry.iloc[0]])
    pits = frames["pits"].assign(pit_id=[float(i) for i in range(6)])
    path = write(tmp_path / "a.gpkg", {"PITS": pits, "legs": moved(legs, 0, whole)})
    assert judged(site, path).pits["pit_id"].tolist() == list("012345")


def test_a_leg_drawn_from_below_is_turned_and_said(site: planner.Site) -> None:
    frames = drawn_frames()
    turned = moved(frames["legs"], 0, shapely.reverse(frames["legs"].geometry.iloc[0]))
    plan = check(site, frames | {"legs": turned})
    said = [row["what"] for row in plan.summary["assumptions"] if row["layer"] == "design"]
    assert "L1: drawn from the lower pit, and turned round" in said
    assert plan.summary["status"] == "ok"


def test_the_pit_near_a_tie_in_is_the_tie_in(site: planner.Site) -> None:
    frames = drawn_frames()
    near = moved(frames["pits"], 0, spot(-0.6, 0.5))
    pits = near.assign(pit_id=["M7", *near["pit_id"][1:]])
    plan = check(site, {"pits": pits, "legs": leg("L1", down_pit="M7")(frames)["legs"]})
    assert plan.pits["kind"].tolist()[0] == "tie-in"
    assert plan.legs["length_m"].iloc[0] == pytest.approx(np.hypot(80, 5), abs=1e-4)


def test_a_stated_choice_is_honoured(site: planner.Site) -> None:
    """The launch pit, the method, the lanes and the street are the designer's."""
    frames = leg("L3", launch_pit="P3", method="pulled back")(drawn_frames())
    frames = pit("P3", lanes_closed=2, street="Mine")(frames)
    plan = check(site, frames)
    assert plan.legs.set_index("leg_id").loc["L3", ["launch_pit", "method"]].tolist() == [
        "P3", "pulled back",
    ]  # fmt: skip
    assert plan.pits.set_index("pit_id").loc["P3", ["lanes_closed", "street"]].tolist() == [
        2, "Mine",
    ]  # fmt: skip


def test_houses_above_a_gap_are_not_served(site: planner.Site) -> None:
    legs = drawn_frames()["legs"]
    plan = check(site, drawn_frames() | {"legs": legs[legs["leg_id"] != "L2"]})
    lost = plan.connections[plan.connections["property_id"] == "HC"].iloc[0]
    assert not lost["served"]
    assert lost["why_not"].startswith("no tie-in: ")


def test_a_layer_of_another_kind_is_refused(site: planner.Site) -> None:
    table = pd.DataFrame(drawn_frames()["pits"].drop(columns="geometry"))
    with pytest.raises(planner.InputError, match="a table without geometry"):
        planner.check_design(site, table, drawn_frames()["legs"])


def test_connections_that_say_nothing_are_not_used_and_that_is_said(site: planner.Site) -> None:
    frames = drawn_frames()
    plan = check(site, frames | {"connections": frames["pits"]})
    said = [row["what"] for row in plan.summary["assumptions"] if row["layer"] == "design"]
    assert any("connections has no column property_id and joins" in what for what in said)
    assert plan.summary["status"] == "ok"


def test_a_design_far_away_gets_findings(site: planner.Site) -> None:
    frames = {
        name: frame.set_geometry(frame.geometry.translate(50_000.0), crs=GROUND_CRS)
        for name, frame in drawn_frames().items()
    }
    rules = {row["rule"] for row in check(site, frames).summary["breaches"]}
    assert {"right_of_way", "ground_nodata", "reaches_tie_in"} <= rules


def test_frames_keep_their_own_columns(site: planner.Site) -> None:
    frames = drawn_frames()
    before = frames["legs"].copy()
    check(site, frames)
    assert isinstance(frames["legs"], gpd.GeoDataFrame)
    pd.testing.assert_frame_equal(pd.DataFrame(before), pd.DataFrame(frames["legs"]))
