"""Properties, tie-ins, keep-outs, features, boreholes, zones and control points."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
import shapely

from planner.errors import InputError
from planner.inputs import read_site
from planner.model import LAYER_COLUMNS, Site
from tests.builders import build_site, line, main_street, plane, point, polygon

EVERYTHING = "pits,legs,test_holes,connections,plant"
CORNER = ((10, 5), (20, 5), (20, 9), (10, 9))


def doubts(site: Site, layer: str) -> list[str]:
    return [one.what for one in site.ledger if one.layer == layer and one.kind == "doubt"]


def test_every_layer_has_its_columns_even_when_it_is_absent(tmp_path: Path) -> None:
    site = read_site(build_site(tmp_path))
    for layer, columns in LAYER_COLUMNS.items():
        frame = getattr(site, layer)
        assert tuple(frame.columns) == (*columns, "row", "file", "geometry")
        assert frame.crs is None


def test_a_property_of_which_nothing_is_said(tmp_path: Path) -> None:
    """Hand calculation: the ground at x = 50 is 100 - 0.02 x 50 = 99."""
    site = read_site(build_site(tmp_path, ground=plane(100.0, 0.02), properties=[point(50, 15)]))
    house = site.properties.iloc[0]
    assert house.people == 2.5
    assert house.floor_elev_m == pytest.approx(99.0, abs=1e-5)
    assert house.floor_assumed
    assert house.property_id == "properties.gpkg:1"


def test_a_stated_flow_stands_in_place_of_people(tmp_path: Path) -> None:
    house = point(50, 15, flow_l_per_s=0.2, people=9.0, floor_elev_m=98.0)
    row = read_site(build_site(tmp_path, properties=[house])).properties.iloc[0]
    assert row.flow_l_per_s == 0.2
    assert math.isnan(row.people)
    assert (row.floor_elev_m, row.floor_assumed) == (98.0, False)


def test_nobody_is_a_number_of_people(tmp_path: Path) -> None:
    house = point(50, 15, people=0.0)
    assert read_site(build_site(tmp_path, properties=[house])).properties["people"].iloc[0] == 0


def test_flows_are_converted(tmp_path: Path) -> None:
    """Reference: 1 US gallon = 3.785411784 L, so 1000 gpd = 0.0438126 L/s."""
    project = build_site(
        tmp_path, properties=[point(50, 15, Q=1000.0)],
        tables={"properties": {"fields": {"flow_l_per_s": {"column": "Q", "unit": "gpd"}}}},
    )  # fmt: skip
    assert read_site(project).properties["flow_l_per_s"].iloc[0] == pytest.approx(0.0438126, 1e-6)


@pytest.mark.parametrize("floor", [116.0, 84.0, 0.0, -9999.0])
def test_a_floor_that_is_not_believed_is_the_ground(tmp_path: Path, floor: float) -> None:
    site = read_site(
        build_site(tmp_path, ground=plane(100.0), properties=[point(50, 15, floor_elev_m=floor)])
    )
    assert site.properties["floor_elev_m"].iloc[0] == pytest.approx(100.0)
    assert len(doubts(site, "properties")) == 1


def test_a_polygon_property_keeps_its_largest_part(tmp_path: Path) -> None:
    parts = shapely.MultiPolygon([shapely.box(40, 10, 42, 12), shapely.box(50, 10, 60, 20)])
    site = read_site(build_site(tmp_path, properties=[{"geometry": parts}]))
    assert site.properties.area.tolist() == pytest.approx([100.0], abs=0.01)
    assert site.row_counts["properties"]["repaired"] == 1


def test_a_bow_tie_is_made_valid_and_said(tmp_path: Path) -> None:
    tie = polygon((40, 10), (50, 20), (50, 10), (40, 20))
    site = read_site(build_site(tmp_path, keep_out=[tie]))
    assert site.keep_out.is_valid.all()
    assert site.keep_out.area.sum() == pytest.approx(50.0, abs=0.01)
    assert site.row_counts["keep_out"]["repaired"] == 1


def test_a_property_of_a_street_that_is_not_there_is_doubted(tmp_path: Path) -> None:
    site = read_site(build_site(tmp_path, properties=[point(50, 15, street="Elm")]))
    assert "street names no street" in doubts(site, "properties")[0]


def test_a_property_off_any_street_is_kept_and_doubted(tmp_path: Path) -> None:
    site = read_site(build_site(tmp_path, properties=[point(50, 15), point(50, 70)]))
    assert len(site.properties) == 2
    assert "further from any street than a connection may be long" in doubts(site, "properties")[0]


def test_a_tie_in_is_read_with_its_defaults(tmp_path: Path) -> None:
    tie = read_site(build_site(tmp_path)).tie_ins.iloc[0]
    assert (tie.invert_elev_m, tie.manhole_diameter_m, tie.may_launch) == (96.0, 1.2, False)
    assert math.isnan(tie.spare_l_per_s)


def test_what_is_not_checked_at_a_tie_in_is_said(tmp_path: Path) -> None:
    site = read_site(build_site(tmp_path))
    assert any("spare capacity is not checked" in one.what for one in site.ledger)


def test_a_bearing_is_brought_between_0_and_360(tmp_path: Path) -> None:
    ties = [point(0, 0, invert_elev_m=96.0, outlet_bearing_deg=-90.0)]
    assert read_site(build_site(tmp_path, tie_ins=ties)).tie_ins["outlet_bearing_deg"][0] == 270


def test_a_tie_in_off_any_street_is_doubted(tmp_path: Path) -> None:
    ties = [point(0, 40, invert_elev_m=96.0)]
    site = read_site(build_site(tmp_path, tie_ins=ties))
    assert "further from any street than a tie-in may be (30 m)" in doubts(site, "tie_ins")[0]


def test_a_rim_off_the_ground_is_doubted(tmp_path: Path) -> None:
    ties = [point(0, 0, invert_elev_m=96.0, rim_elev_m=101.0)]
    site = read_site(build_site(tmp_path, tie_ins=ties))
    assert "the rim is up to 1.00 m off the ground" in doubts(site, "tie_ins")[0]


@pytest.mark.parametrize(("until", "rows"), [("2027-04-30", 0), ("2027-05-01", 1), (None, 1)])
def test_a_keep_out_that_has_ended_is_ignored(tmp_path: Path, until: str | None, rows: int) -> None:
    site = read_site(build_site(tmp_path, keep_out=[polygon(*CORNER, until=until, reason="x")]))
    assert len(site.keep_out) == rows
    assert site.row_counts["keep_out"]["ignored"] == 1 - rows


def test_without_a_date_every_keep_out_is_in_force(tmp_path: Path) -> None:
    project = build_site(
        tmp_path, keep_out=[polygon(*CORNER, until="2001-01-01")], project={"date": None}
    )
    site = read_site(project)
    assert len(site.keep_out) == 1
    assert any("taken to be in force" in one.what for one in site.ledger)


@pytest.mark.parametrize(
    ("given", "read"),
    [("pits", "pits"), ("legs, Pits", "pits,legs"), (None, EVERYTHING),
     ("boats", EVERYTHING)],
)  # fmt: skip
def test_what_a_keep_out_applies_to(tmp_path: Path, given: str | None, read: str) -> None:
    site = read_site(build_site(tmp_path, keep_out=[polygon(*CORNER, applies_to=given)]))
    assert site.keep_out["applies_to"].iloc[0] == read


@pytest.mark.parametrize(
    ("kind", "clear"),
    [("hydrant", 3), ("driveway", 1), ("bus_stop", 15), ("tree", 2), ("signal", 3),
     ("kerb_ramp", 2), ("school", 30), ("emergency", 15), ("overhead", 3)],
)  # fmt: skip
def test_each_feature_has_the_clear_distance_of_its_kind(
    tmp_path: Path, kind: str, clear: float
) -> None:
    site = read_site(build_site(tmp_path, street_features=[point(50, 6, kind=kind)]))
    assert site.street_features["clear_m"].iloc[0] == clear


def test_an_unknown_feature_is_kept_and_doubted(tmp_path: Path) -> None:
    site = read_site(build_site(tmp_path, street_features=[point(50, 6, kind="statue")]))
    assert site.street_features["clear_m"].iloc[0] == 0
    assert any("statue" in what for what in doubts(site, "street_features"))


def test_a_borehole_layer_upside_down_is_doubted(tmp_path: Path) -> None:
    hole = point(50, 0, borehole_id="B1", top_depth_m=3.0, bottom_depth_m=1.0, soil="CL")
    site = read_site(build_site(tmp_path, boreholes=[hole]))
    assert "not below" in doubts(site, "boreholes")[0]


def test_control_points_off_the_ground_show_a_datum(tmp_path: Path) -> None:
    marks = [point(20.0 * i, 3, name=f"BM{i}", elev_m=101.2 + 0.2 * i) for i in range(6)]
    site = read_site(build_site(tmp_path, control=marks))
    assert "up to 1.20 m off the ground" in doubts(site, "control")[0]


def test_control_points_far_off_the_ground_refuse_it(tmp_path: Path) -> None:
    marks = [point(20.0 * i, 3, name=f"BM{i}", elev_m=130 + 0.2 * i) for i in range(6)]
    with pytest.raises(InputError, match="control points sit at a constant offset"):
        read_site(build_site(tmp_path, control=marks))


def test_a_zone_that_ends_keeps_its_other_rules(tmp_path: Path) -> None:
    zone = polygon(*CORNER, frost_depth_m=1.4, no_cut_until="2020-01-01")
    row = read_site(build_site(tmp_path, zones=[zone])).zones.iloc[0]
    assert (row.frost_depth_m, row.no_cut_until) == (1.4, "")


def test_a_layer_without_rows_is_empty_and_said(tmp_path: Path) -> None:
    from tests.builders import rows_to_frame  # noqa: PLC0415

    empty = rows_to_frame([polygon(*CORNER, reason="x")]).iloc[:0]
    site = read_site(build_site(tmp_path, keep_out=empty))
    assert len(site.keep_out) == 0
    assert any("no rows" in one.what for one in site.ledger if one.layer == "keep_out")


def test_a_shapefile_with_cut_names_reads_the_same(tmp_path: Path) -> None:
    streets = main_street(lane_width_m=3.1, footway_width_m=2.2, vehicles_per_day=800.0)
    project = build_site(tmp_path, streets=streets, crs="EPSG:26915")
    import geopandas as gpd  # noqa: PLC0415

    frame = gpd.read_file(tmp_path / "streets.gpkg")
    names = {name: name[:10] for name in frame.columns if name != "geometry"}
    frame.rename(columns=names).to_file(tmp_path / "streets.shp")
    project.write_text(project.read_text().replace("streets.gpkg", "streets.shp"))
    row = read_site(project).streets.iloc[0]
    assert (row.lane_width_m, row.footway_width_m, row.vehicles_per_day) == (3.1, 2.2, 800.0)


@pytest.mark.parametrize(("ending", "driver"), [("geojson", "GeoJSON"), ("fgb", "FlatGeobuf")])
def test_other_formats_read_the_same(tmp_path: Path, ending: str, driver: str) -> None:
    import geopandas as gpd  # noqa: PLC0415

    project = build_site(tmp_path, streets=[line((0, 0), (200, 0), street="Main", lanes=3)])
    frame = gpd.read_file(tmp_path / "streets.gpkg").to_crs("EPSG:4326")
    frame.to_file(tmp_path / f"streets.{ending}", driver=driver)
    project.write_text(project.read_text().replace("streets.gpkg", f"streets.{ending}"))
    site = read_site(project)
    assert site.streets["lanes"].iloc[0] == 3
    assert site.streets.length.iloc[0] == pytest.approx(200.0, abs=0.01)
