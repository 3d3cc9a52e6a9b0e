"""The demo place holds what it promises."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import geopandas as gpd
import networkx as nx
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely

from tests.demo.place import (
    CONNECTION_DROP,
    CONNECTION_SLOPE,
    DEMO,
    LAUNCH_FLOOR,
    LAUNCH_PIT,
    MAX_PIT_DEPTH,
    MIN_COVER,
    PIPE,
    along,
    ground_at,
    layers_of,
    lowest_sewer,
    raster,
    read,
    room_for_pits,
    services,
    street_named,
    streets,
)  # fmt: skip


def test_files_are_small() -> None:
    assert sum(path.stat().st_size for path in DEMO.rglob("*") if path.is_file()) < 6_000_000


def test_every_layer_of_the_project_file_is_there_and_none_is_left_over() -> None:
    project = tomllib.loads((DEMO / "project.toml").read_text("utf-8"))
    tables = [t for t in project.values() if isinstance(t, dict) and "path" in t]
    named = {(t["path"], t.get("layer")) for t in [*tables, *project["utilities"]]}
    there = {(p.name, layer) for p in DEMO.glob("*.gpkg") for layer in layers_of(p)}
    first = {(p.name, layers_of(p)[0]) for p in DEMO.glob("*.gpkg") if len(layers_of(p)) == 1}
    named = {pair for pair in named if pair[0].endswith(".gpkg")}
    assert {(f, layer or dict(first)[f]) for f, layer in named} == there


def test_streets_have_the_promised_length_and_kinds() -> None:
    assert 1_500 <= streets().length.sum() <= 2_500
    arterial = streets().query("road_class == 'arterial'").iloc[0]
    assert (arterial.lanes, bool(arterial.bus_route)) == (4, True)
    assert arterial.vehicles_per_day > 10_000


def test_streets_hang_together_at_shared_vertices() -> None:
    net = nx.MultiGraph()
    for line in read("streets", "streets").geometry:
        net.add_edge(line.coords[0], line.coords[-1])
    assert nx.is_connected(net)
    assert sum(degree >= 3 for _, degree in net.degree()) >= 7


def test_there_are_a_loop_and_a_cul_de_sac_and_curves() -> None:
    net = nx.Graph()
    for line in read("streets", "streets").geometry:
        net.add_edge(line.coords[0], line.coords[-1])
    assert len(nx.cycle_basis(net)) >= 2
    end = street_named("Wren Court").geometry.coords[-1]
    assert net.degree(end) == 1
    straight = [shapely.Point(g.coords[0]).distance(shapely.Point(g.coords[-1])) / g.length
                for g in streets().geometry]  # fmt: skip
    assert min(straight) < 0.5


def test_streets_cross_nowhere_without_a_vertex() -> None:
    lines = read("streets", "streets").geometry
    for i, line in enumerate(lines):
        for other in lines[i + 1 :]:
            assert not line.crosses(other)


@pytest.mark.parametrize("street", list(streets().street))
def test_streets_rise_and_fall_gently(street: str) -> None:
    line = street_named(street).geometry
    slope = np.diff(ground_at(along(line, 20.0))) / 20.0
    assert np.abs(slope).max() < 0.06


def test_one_street_climbs_over_a_crest() -> None:
    line = street_named("Ferrier Lane").geometry
    level = ground_at(along(line, 5.0))
    assert level.max() - max(level[0], level[-1]) > 1.5


def test_the_ground_covers_all_with_room_around() -> None:
    with rasterio.open(DEMO / "ground.tif") as ground:
        extent = shapely.box(*ground.bounds)
        assert ground.res == (1.0, 1.0)
    for file in ("streets", "properties"):
        assert extent.buffer(-40).covers(read(file, file).union_all())
    assert extent.covers(services().union_all())


def test_properties_are_as_many_and_as_mixed_as_promised() -> None:
    houses = read("properties", "properties")
    assert 80 <= len(houses) <= 150
    assert set(houses.geom_type) == {"Point", "Polygon"}
    assert houses.property_id.is_unique
    assert houses.flow_l_per_s.notna().sum() >= 3
    assert (houses.people > 10).sum() >= 2


def test_properties_lie_near_a_street_that_may_have_a_sewer() -> None:
    near = streets().query("sewer == 'allowed'").union_all()
    assert read("properties", "properties").distance(near).max() < 45.0


def test_some_properties_have_basements() -> None:
    houses = read("properties", "properties").dropna(subset="floor_elev_m")
    below = ground_at(shapely.get_coordinates(houses.representative_point())) - houses.floor_elev_m
    assert 15 <= (below > 1.9).sum() <= 60
    assert (below > -0.7).all()


def test_service_files_name_each_service_once_and_mix_what_is_known() -> None:
    known = services()
    assert known.utility_id.is_unique
    kinds = {"water", "gas", "electric", "telecom", "storm", "sewer", "unknown"}
    assert set(known.kind) == kinds
    assert set(known.quality) == set("ABCD")
    assert (known.status == "abandoned").sum() == 1
    levels = known[["depth", "top_elev_m", "centre_elev_m", "invert_elev_m"]].notna().sum(axis=1)
    levels += known.has_z
    assert levels.max() == 1
    assert (levels == 0).sum() >= 8


def test_services_lie_at_sane_depths() -> None:
    known = services()
    assert known.depth.dropna().between(0.25, 2.0).all()
    for line in known[known.has_z].geometry:
        points = shapely.get_coordinates(line, include_z=True)
        depth = ground_at(points[:, :2]) - points[:, 2]
        # The outfalls come out at the creek's bank, the main below the tie-in runs deep.
        assert -0.5 < np.median(depth) < 4.5


def test_drains_fall_towards_their_outlets() -> None:
    for line in services().query("file == 'storm' or file == 'sewer'").geometry:
        levels = shapely.get_coordinates(line, include_z=True)[:, 2]
        fall = abs(levels[-1] - levels[0]) if line.has_z else line.length
        assert fall / line.length >= 0.0039


def test_the_tie_in_is_surveyed_and_stands_in_the_right_of_way() -> None:
    tie_ins = read("site", "tie_ins")
    assert len(tie_ins) == 1
    tie_in = tie_ins.iloc[0]
    rim = ground_at(shapely.get_coordinates(tie_in.geometry))[0]
    assert abs(rim - tie_in.rim_elev_m) < 0.02
    assert 3.5 <= tie_in.rim_elev_m - tie_in.invert_elev_m <= 4.5
    assert read("site", "right_of_way").union_all().covers(tie_in.geometry)


def test_an_existing_sewer_leads_away_from_the_tie_in() -> None:
    tie_in = read("site", "tie_ins").iloc[0]
    sewers = services().query("kind == 'sewer'")
    first = sewers[sewers.distance(tie_in.geometry) < 0.01]
    assert len(first) == 1
    x, y = np.diff(first.geometry.iloc[0].coords, axis=0)[0][:2]
    assert np.degrees(np.arctan2(x, y)) % 360 == pytest.approx(tie_in.outlet_bearing_deg, abs=0.1)
    (above, top) = (c[2] for c in first.geometry.iloc[0].coords)
    assert above == pytest.approx(tie_in.invert_elev_m + 0.305 + 0.305 / 12 + 0.025, abs=0.003)
    assert top < above


def test_the_right_of_way_holds_every_street_at_full_width() -> None:
    whole = read("site", "right_of_way").union_all().buffer(0.005)
    strips = [row.geometry.buffer(row.row_width_m / 2) for row in streets().itertuples()]
    assert all(whole.covers(strip) for strip in strips)


@pytest.mark.parametrize("street", list(streets().query("sewer == 'allowed'").street))
def test_each_street_leaves_room_for_pits(street: str) -> None:
    assert room_for_pits(street_named(street)) > 0.5


def test_the_resurfaced_stretch_can_be_bored_under() -> None:
    stretch = read("streets", "streets").dropna(subset="no_cut_until")
    area = read("site", "keep_out").dropna(subset="until")
    assert (len(stretch), len(area)) == (1, 1)
    assert stretch.length.iloc[0] + LAUNCH_PIT[0] + 2 < 91.44 * 0.9
    assert str(area.until.iloc[0])[:10] > "2026-06-01"
    assert set(area.applies_to.iloc[0].split(",")) == {"pits", "test_holes"}


def test_a_gravity_sewer_can_be_deep_enough_everywhere_and_need_not_be_too_deep() -> None:
    points, lowest = lowest_sewer()
    ground = ground_at(points)
    assert (ground - lowest).min() > MIN_COVER + PIPE + 0.3
    # Any sewer between the lowest and the cover line will do; it must be diggable at the tie-in.
    assert (ground - np.maximum(lowest, ground - 4.0)).max() + LAUNCH_FLOOR < MAX_PIT_DEPTH


def test_two_to_four_properties_lie_below_any_possible_sewer() -> None:
    points, lowest = lowest_sewer()
    houses = read("properties", "properties").dropna(subset="floor_elev_m")
    tree = shapely.STRtree(shapely.points(points))
    house, distance = tree.query_nearest(houses.geometry, return_distance=True, all_matches=False)
    needed = CONNECTION_DROP + CONNECTION_SLOPE * distance
    level = houses.floor_elev_m.to_numpy()[house[0]] - needed
    assert 2 <= (level < lowest[house[1]]).sum() <= 4


def test_features_borings_zone_and_marks_are_there() -> None:
    kinds = set(read("site", "street_features").kind)
    promised = "hydrant driveway tree bus_stop signal kerb_ramp school overhead"
    assert kinds == set(promised.split())
    borings = read("site", "boreholes")
    assert borings.borehole_id.nunique() == 3
    assert borings.groundwater_depth_m.notna().all()
    assert (borings.bottom_depth_m > borings.top_depth_m).all()
    assert read("site", "zones").allowed_hours.notna().sum() == 1
    assert len(read("site", "control")) == 3


@pytest.fixture(scope="module")
def remade(tmp_path_factory: pytest.TempPathFactory) -> Path:
    directory = tmp_path_factory.mktemp("remade")
    script = str(DEMO / "make_demo.py")
    subprocess.run([sys.executable, script, "--out", str(directory)], check=True)
    return directory


def test_the_script_makes_the_same_layers_again(remade: Path) -> None:
    for path in sorted(DEMO.glob("*.gpkg")):
        for layer in layers_of(path):
            ours, theirs = (gpd.read_file(d / path.name, layer=layer) for d in (DEMO, remade))
            pd.testing.assert_frame_equal(
                ours.drop(columns="geometry"), theirs.drop(columns="geometry"), atol=0.011
            )
            assert ours.geometry.geom_equals_exact(theirs.geometry, 0.011).all(), layer


def test_the_script_makes_the_same_ground_again(remade: Path) -> None:
    with rasterio.open(remade / "ground.tif") as ground:
        again = ground.read(1)
    # One step of the raster's levels, should another machine round a sum the other way.
    assert np.abs(again - raster()[0]).max() <= 1 / 256
