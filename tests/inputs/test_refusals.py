"""What cannot be used is refused with one message: file, layer, row, column, finding, remedy."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely

from planner.errors import InputError, PlannerError, RuleError
from planner.inputs import read_site
from tests.builders import GROUND_CRS, build_site, line, main_street, point, polygon, rows_to_frame


def refusal(project: Path) -> str:
    """The message with which a project is refused."""
    with pytest.raises(InputError) as caught:
        read_site(project)
    assert caught.value.remedy
    return str(caught.value)


def test_a_missing_project_file_is_named(tmp_path: Path) -> None:
    assert "project file cannot be read" in refusal(tmp_path / "none.toml")


def test_broken_toml_names_the_line(tmp_path: Path) -> None:
    path = tmp_path / "project.toml"
    path.write_text('[project]\nname = "unclosed\n')
    assert "line 2" in refusal(path)


def test_a_project_file_that_is_not_text_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "project.toml"
    path.write_bytes(b"[project]\nname = '\xff\xfe'\n")
    assert "not UTF-8" in refusal(path)


@pytest.mark.parametrize("table", ["project", "ground", "streets", "properties", "tie_ins"])
def test_each_required_table_is_asked_for(tmp_path: Path, table: str) -> None:
    project = build_site(tmp_path)
    text = project.read_text().replace(f"[{table}]", f"[x{table}]")
    project.write_text(text)
    assert f'"x{table}"' in refusal(project)
    project.write_text(
        "\n\n".join(part for part in text.split("\n\n") if f"[x{table}]" not in part)
    )
    assert f"the table [{table}] is missing" in refusal(project)


def test_an_unknown_key_is_met_with_the_nearest_known_one(tmp_path: Path) -> None:
    project = build_site(tmp_path, tables={"streets": {"feilds": {}}})
    assert '"feilds" in [streets] is not a known key. The nearest known key is "fields"' in refusal(
        project
    )


def test_an_unknown_rule_is_met_with_the_nearest_known_one_and_the_file(tmp_path: Path) -> None:
    project = build_site(tmp_path, tables={"rules": {"min_covr_m": 1.0}})
    with pytest.raises(RuleError, match=r"project\.toml.*min_cover_m"):
        read_site(project)


def test_a_rule_set_that_is_not_known_is_refused(tmp_path: Path) -> None:
    project = build_site(tmp_path, tables={"rules": {"set": "lunar"}})
    with pytest.raises(RuleError, match="lunar"):
        read_site(project)


def test_an_unknown_field_is_met_with_the_nearest_column(tmp_path: Path) -> None:
    project = build_site(tmp_path, tables={"streets": {"fields": {"lanes_width_m": "W"}}})
    assert 'The nearest known column is "lane_width_m"' in refusal(project)


def test_a_unit_that_the_column_does_not_take_is_refused(tmp_path: Path) -> None:
    fields = {"lane_width_m": {"column": "W", "unit": "mph"}}
    message = refusal(build_site(tmp_path, tables={"streets": {"fields": fields}}))
    assert "mph" in message
    assert "m, cm, mm, ft, us-ft, in" in message


def test_a_mapped_column_that_is_not_in_the_file_is_named(tmp_path: Path) -> None:
    project = build_site(
        tmp_path,
        streets=main_street(ROADNAME="x"),
        tables={"streets": {"fields": {"street": "ROADNAM"}}},
    )
    message = refusal(project)
    assert "file streets.gpkg, layer streets, column street" in message
    assert 'the nearest is "ROADNAME"' in message


def test_a_missing_file_names_its_layer(tmp_path: Path) -> None:
    project = build_site(tmp_path)
    (tmp_path / "properties.gpkg").unlink()
    assert "file properties.gpkg, layer properties" in refusal(project)


def test_a_missing_layer_lists_those_that_are_there(tmp_path: Path) -> None:
    project = build_site(tmp_path, tables={"streets": {"layer": "roads"}})
    assert 'no layer "roads". It has: streets' in refusal(project)


def test_a_file_of_several_layers_asks_which(tmp_path: Path) -> None:
    project = build_site(tmp_path)
    frame = rows_to_frame(main_street())
    (tmp_path / "streets.gpkg").unlink()
    for name in ("north", "south"):
        frame.to_file(tmp_path / "streets.gpkg", layer=name, driver="GPKG")
    assert "2 layers (north, south) and none is chosen" in refusal(project)


def test_a_layer_called_like_its_table_is_found_among_several(tmp_path: Path) -> None:
    project = build_site(tmp_path)
    rows_to_frame(main_street(50.0)).to_file(tmp_path / "streets.gpkg", layer="old", driver="GPKG")
    assert read_site(project).streets.length.sum() == pytest.approx(200.0, abs=1e-3)


def test_a_table_without_geometry_is_refused(tmp_path: Path) -> None:
    project = build_site(tmp_path, tables={"streets": {"path": "streets.csv"}})
    (tmp_path / "streets.csv").write_text("street,lanes\nMain,2\n")
    assert "table without geometry" in refusal(project)


@pytest.mark.parametrize(
    ("crs", "found"),
    [
        ("EPSG:4326", "geographic (degrees)"),
        ("EPSG:3857", "stretches lengths at the site by +4"),
        ("EPSG:99999999", "is not known"),
        ("nonsense", "is not known"),
        ("EPSG:4978", "not projected"),
    ],
)
def test_a_project_crs_that_cannot_be_planned_in_is_refused(
    tmp_path: Path, crs: str, found: str
) -> None:
    project = build_site(tmp_path, project={"crs": crs})
    message = refusal(project)
    assert found in message
    assert "column crs" in message


def test_a_layer_without_crs_is_refused(tmp_path: Path) -> None:
    project = build_site(tmp_path)
    frame = rows_to_frame(main_street()).set_crs(None, allow_override=True)
    with pytest.warns(UserWarning, match="crs"):
        frame.to_file(tmp_path / "streets.gpkg", driver="GPKG")
    assert "file streets.gpkg, layer streets: no coordinate reference system" in refusal(project)


def test_a_layer_elsewhere_on_earth_is_refused_with_its_distance(tmp_path: Path) -> None:
    project = build_site(tmp_path, properties=[point(50_000, 0), point(50_100, 0)])
    message = refusal(project)
    assert "layer properties, row 1: the layer lies elsewhere" in message
    assert "49.8 km" in message


def test_a_layer_whose_crs_is_wrongly_stated_lies_elsewhere(tmp_path: Path) -> None:
    project = build_site(tmp_path)
    frame = gpd.GeoDataFrame(geometry=[shapely.Point(5010, 5010)], crs="EPSG:26915")
    frame.to_file(tmp_path / "properties.gpkg", driver="GPKG")
    assert "layer properties" in refusal(project)


def test_ground_that_does_not_cover_the_streets_is_refused(tmp_path: Path) -> None:
    project = build_site(tmp_path)
    short = rows_to_frame([line((0, 0), (50, 0))])
    from tests.builders import plane, write_ground  # noqa: PLC0415

    write_ground(tmp_path / "ground.tif", plane(), short, GROUND_CRS)
    message = refusal(project)
    assert "file ground.tif, layer ground, row 1: the ground does not cover the streets" in message


def test_ground_elsewhere_is_refused(tmp_path: Path) -> None:
    project = build_site(tmp_path)
    from tests.builders import plane, write_ground  # noqa: PLC0415

    write_ground(
        tmp_path / "ground.tif", plane(), rows_to_frame([line((9000, 0), (9050, 0))]), GROUND_CRS
    )
    assert "the raster does not reach the streets" in refusal(project)


def test_ground_without_a_vertical_unit_is_refused(tmp_path: Path) -> None:
    project = build_site(tmp_path, tables={"ground": {"vertical_unit": None}})
    assert '"vertical_unit" in [ground] is missing' in refusal(project)


def test_ground_in_another_unit_than_its_file_says_is_refused(tmp_path: Path) -> None:
    project = build_site(tmp_path, tables={"ground": {"vertical_unit": "ft"}})
    with rasterio.open(tmp_path / "ground.tif", "r+") as file:
        file.units = ("metre",)
    assert 'the file says its elevations are in "m", the project "ft"' in refusal(project)


def test_ground_of_another_datum_than_the_project_is_refused(tmp_path: Path) -> None:
    project = build_site(tmp_path, tables={"ground": {"vertical_datum": "NGVD29"}})
    assert 'vertical datum "NGVD29", but the project\'s is "NAVD88"' in refusal(project)


def test_ground_of_several_bands_is_refused(tmp_path: Path) -> None:
    project = build_site(tmp_path)
    with rasterio.open(tmp_path / "ground.tif") as file:
        profile, values = file.profile, file.read(1)
    with rasterio.open(tmp_path / "ground.tif", "w", **(profile | {"count": 3})) as file:
        file.write(np.stack([values] * 3))
    assert "3 bands" in refusal(project)


def test_ground_without_crs_is_refused(tmp_path: Path) -> None:
    project = build_site(tmp_path)
    with rasterio.open(tmp_path / "ground.tif") as file:
        profile, values = file.profile, file.read(1)
    with rasterio.open(tmp_path / "ground.tif", "w", **(profile | {"crs": None})) as file:
        file.write(values, 1)
    assert "the raster states no coordinate reference system" in refusal(project)


@pytest.mark.parametrize("name", ["streets.gpkg", "utilities.gpkg", "tie_ins.gpkg", "ground.tif"])
def test_a_truncated_file_is_refused(tmp_path: Path, name: str) -> None:
    project = build_site(tmp_path, utilities=[line((50, -9), (50, 9), kind="gas")])
    whole = (tmp_path / name).read_bytes()
    (tmp_path / name).write_bytes(whole[: len(whole) // 3])
    assert f"file {name}" in refusal(project)


def test_no_property_is_refused(tmp_path: Path) -> None:
    empty = rows_to_frame([point(0, 0, property_id="P")]).iloc[:0]
    assert "no property" in refusal(build_site(tmp_path, properties=empty))


def test_a_layer_of_the_wrong_form_is_refused(tmp_path: Path) -> None:
    project = build_site(tmp_path, streets=[polygon((0, 0), (200, 0), (200, 9), street="Main")])
    assert "every row is a polygon where the layer takes lines" in refusal(project)


@pytest.mark.parametrize("invert", [None, -9999.0, "none", float("nan")])
def test_a_tie_in_without_an_invert_is_refused(tmp_path: Path, invert: object) -> None:
    ties = [point(0, 0, invert_elev_m=96.0), point(1, 0, invert_elev_m=invert)]
    message = refusal(build_site(tmp_path, tie_ins=ties))
    assert "file tie_ins.gpkg, layer tie_ins, row 2, column invert_elev_m" in message


def test_tie_ins_without_the_column_are_refused(tmp_path: Path) -> None:
    message = refusal(build_site(tmp_path, tie_ins=[point(0, 0, tie_in_id="T")]))
    assert "row 1, column invert_elev_m" in message


@pytest.mark.parametrize(("invert", "side"), [(140.0, "above"), (20.0, "below")])
def test_a_tie_in_far_from_the_ground_is_refused(tmp_path: Path, invert: float, side: str) -> None:
    message = refusal(build_site(tmp_path, tie_ins=[point(0, 0, invert_elev_m=invert)]))
    assert f"{side} the ground" in message


def test_two_elevations_of_one_service_that_disagree_are_refused(tmp_path: Path) -> None:
    service = line((50, -9), (50, 9), kind="gas", top_elev_m=99.0, centre_elev_m=98.0)
    message = refusal(build_site(tmp_path, utilities=[service]))
    assert "file utilities.gpkg, layer utilities, row 1" in message
    assert "two elevations of one service disagree" in message


def test_an_elevation_that_disagrees_with_z_is_refused(tmp_path: Path) -> None:
    service = line((50, -9, 99.0), (50, 9, 99.2), kind="gas", top_elev_m=98.0)
    assert "Z at 99.000 to 99.200 m" in refusal(build_site(tmp_path, utilities=[service]))


def test_an_elevation_that_disagrees_with_the_depth_is_refused(tmp_path: Path) -> None:
    service = line((50, -9), (50, 9), kind="gas", top_elev_m=98.0, depth_m=0.8)
    assert "the level is stated twice and disagrees" in refusal(
        build_site(tmp_path, utilities=[service])
    )


def test_heights_whose_unit_the_crs_contradicts_are_refused(tmp_path: Path) -> None:
    service = line((50, -9, 99.0), (50, 9, 99.0), kind="gas")
    project = build_site(tmp_path, utilities=[service], layer_crs={"utilities": "EPSG:26915+6360"})
    assert 'heights in "US survey foot"' in refusal(project)


def test_no_message_carries_control_characters(tmp_path: Path) -> None:
    project = build_site(tmp_path, tables={"streets": {"path": "a\x1b[31m\x00b.gpkg"}})
    assert all(c.isprintable() for c in refusal(project))


def test_every_refusal_is_an_error_of_the_planner() -> None:
    assert issubclass(InputError, PlannerError)


def test_streets_of_no_length_at_all_are_refused(tmp_path: Path) -> None:
    project = build_site(tmp_path, streets=[line((50, 50), (50, 50), street="Point Street")])
    with pytest.raises(InputError, match="layer streets: no row of the layer can be used"):
        read_site(project)
