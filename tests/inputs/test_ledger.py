"""The ledger: everything that was assumed, repaired or doubted is said, and rows balance."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from planner.inputs import read_site, report_inputs
from planner.inputs.columns import COLUMNS
from planner.inputs.ledger import Ledger, Source
from planner.inputs.units import UNITS, factor_to, units_for
from planner.model import LAYER_COLUMNS
from tests.builders import build_site, houses, line, main_street, point
from tests.inputs.mutations import PAYLOADS, make_base

WATER = Source("utilities", "water.gpkg")


def test_the_gravest_entry_decides_what_became_of_a_row() -> None:
    ledger = Ledger()
    ledger.opened(WATER, 5)
    ledger.note(WATER, "repaired", [1, 2, 3], "mended")
    ledger.note(WATER, "ignored", [2, 3], "too far")
    ledger.note(WATER, "refused", [3], "no place")
    ledger.note(WATER, "doubt", [1, 2, 3, 4, 5], "hm")
    assert ledger.counts()["utilities"] == {
        "read": 5, "used": 2, "repaired": 1, "refused": 1, "ignored": 1,
    }  # fmt: skip


def test_each_default_is_reported_with_its_rows(tmp_path: Path) -> None:
    streets = [*main_street(lanes=2), line((0, 0), (0, 50)), line((200, 0), (200, 50))]
    site = read_site(build_site(tmp_path, streets=streets))
    entry = next(e for e in site.ledger if e.layer == "streets" and e.column == "lanes")
    assert (entry.kind, entry.rows, entry.what) == (
        "assumed",
        (2, 3),
        "lanes is absent: 2 is taken",
    )


def test_a_value_that_is_given_is_not_reported(tmp_path: Path) -> None:
    site = read_site(build_site(tmp_path, streets=main_street(lanes=2)))
    assert not any(e.column == "lanes" for e in site.ledger)


def test_every_column_with_a_default_reports_it(tmp_path: Path) -> None:
    site = read_site(build_site(tmp_path, street_features=[point(50, 5, kind="tree")]))
    said = {(e.layer, e.column) for e in site.ledger if e.kind == "assumed"}
    for layer in ("streets", "tie_ins"):
        for column in COLUMNS[layer]:
            if column.default is not None or column.absent:
                assert (layer, column.name) in said


def test_a_column_called_nearly_as_one_that_is_absent_is_doubted(tmp_path: Path) -> None:
    site = read_site(build_site(tmp_path, streets=main_street(lane_widht_m=3.0)))
    assert any('"lane_width_m", map it' in e.what for e in site.ledger if e.kind == "doubt")


def test_files_are_listed_with_rows_and_fingerprints(tmp_path: Path) -> None:
    site = read_site(build_site(tmp_path, properties=houses()))
    ours = next(one for one in site.inputs if one.layer == "properties")
    digest = hashlib.sha256((tmp_path / "properties.gpkg").read_bytes()).hexdigest()
    assert (ours.path, ours.rows, ours.sha256) == ("properties.gpkg", 10, digest)


def test_the_report_is_plain_and_says_whether_there_are_doubts(tmp_path: Path) -> None:
    clean = report_inputs(read_site(build_site(tmp_path / "a")))
    doubtful = report_inputs(
        read_site(build_site(tmp_path / "b", streets=main_street(lanes="many")))
    )
    assert json.loads(json.dumps(clean)) == clean
    assert (clean["doubtful"], doubtful["doubtful"]) == (False, True)
    assert doubtful["doubts"][0]["row_numbers"] == [1]


def test_reading_twice_is_the_same(tmp_path: Path) -> None:
    project = make_base(tmp_path, ("utilities", "zones"))
    assert report_inputs(read_site(project)) == report_inputs(read_site(project))


def test_the_same_file_under_two_layers_is_told_apart(tmp_path: Path) -> None:
    from tests.builders import rows_to_frame  # noqa: PLC0415

    project = build_site(tmp_path)
    for name, x in (("gas", 50), ("oil", 60)):
        frame = rows_to_frame([line((x, -9), (x, 9))])
        frame.to_file(tmp_path / "all.gpkg", layer=name, driver="GPKG")
        table = f'[[utilities]]\npath = "all.gpkg"\nlayer = "{name}"\nkind = "{name}"\n'
        project.write_text(project.read_text() + table)
    site = read_site(project)
    assert site.utilities["utility_id"].tolist() == ["all.gpkg:gas:1", "all.gpkg:oil:1"]


@pytest.mark.parametrize("payload", [*PAYLOADS, "\x1b[31mred", "=1+1"])
def test_hostile_text_stays_the_text_it_is(tmp_path: Path, payload: str) -> None:
    site = read_site(
        build_site(
            tmp_path,
            streets=main_street(street=payload),
            utilities=[line((50, -9), (50, 9), utility_id=payload, owner=payload)],
            properties=[point(50, 15, property_id=payload)],
        )
    )
    assert site.streets["street"].iloc[0] == payload.strip() or payload == "Main Street"
    assert site.utilities["owner"].iloc[0] == payload.strip()
    assert site.properties["property_id"].iloc[0] == payload.strip()


def test_every_unit_leads_to_its_column(tmp_path: Path) -> None:
    assert tmp_path.exists()
    for column in ("lane_width_m", "outlet_diameter_mm", "speed_kmh", "flow_l_per_s", "a_pct"):
        assert units_for(column)
        assert all(factor_to(column, unit) > 0 for unit in units_for(column))


@pytest.mark.parametrize(
    ("column", "unit", "factor"),
    [
        # Reference: NIST SP 811, appendix B (from memory)
        ("diameter_m", "in", 0.0254),
        ("depth_m", "ft", 0.3048),
        ("depth_m", "us-ft", 0.304800609601),
        ("outlet_diameter_mm", "in", 25.4),
        ("speed_kmh", "mph", 1.609344),
        ("flow_l_per_s", "gpm", 0.0630901964),
        ("flow_l_per_s", "gpd", 4.381263638e-5),
        ("flow_l_per_s", "m3/d", 1 / 86.4),
        ("slope_pct", "m/m", 100.0),
        ("slope_pct", "ft/100ft", 1.0),
    ],
)
def test_units_are_those_of_the_handbook(column: str, unit: str, factor: float) -> None:
    assert factor_to(column, unit) == pytest.approx(factor, rel=1e-9)


def test_every_column_of_a_site_comes_from_somewhere() -> None:
    derived = {"shape", "outside_diameter_m", "level_assumed", "diameter_assumed", "floor_assumed"}
    for layer, names in LAYER_COLUMNS.items():
        assert set(names) - derived <= {column.name for column in COLUMNS[layer]}


def test_all_units_of_the_project_file_are_known() -> None:
    assert set(UNITS) == {"m", "cm", "mm", "ft", "us-ft", "in", "km/h", "mph", "L/s", "m3/d",
                          "gpd", "gpm", "%", "m/m", "ft/100ft"}  # fmt: skip
