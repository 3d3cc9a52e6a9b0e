"""Buried services: outside sizes, one level each, and none lost."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely

from planner.errors import InputError
from planner.inputs import read_site
from planner.inputs.levels import inside_of, wall_thickness
from planner.model import FOOT, Site
from tests.builders import Row, build_site, line, plane, point

FLAT = plane(100.0)


def read_services(folder: Path, *services: Row, table: dict[str, object] | None = None) -> Site:
    tables = {"utilities": table} if table else {}
    return read_site(build_site(folder, ground=FLAT, utilities=list(services), tables=tables))


def one(folder: Path, **columns: object) -> pd.Series:
    """The one service of a site, across the street at 100 m."""
    return read_services(folder, line((100, -20), (100, 20), **columns)).utilities.iloc[0]


def said(site: Site, kind: str) -> list[str]:
    return [
        entry.what for entry in site.ledger if entry.layer == "utilities" and entry.kind == kind
    ]


def top(service: pd.Series) -> float:
    return float(shapely.get_coordinates(service.geometry, include_z=True)[0, 2])


@pytest.mark.parametrize(
    ("kind", "depth", "diameter"),
    [("water", 1.2, 0.20), ("gas", 0.8, 0.15), ("electric", 0.9, 0.30), ("telecom", 0.7, 0.15),
     ("sewer", 2.4, 0.25), ("storm", 1.5, 0.50), ("reclaimed", 1.0, 0.20), ("steam", 1.2, 0.50),
     ("oil", 1.2, 0.30), ("unknown", 1.0, 0.20)],
)  # fmt: skip
def test_a_service_without_level_or_size_takes_those_of_its_kind(
    tmp_path: Path, kind: str, depth: float, diameter: float
) -> None:
    service = one(tmp_path, kind=kind)
    assert (service.depth_m, service.outside_diameter_m) == (depth, diameter)
    assert service.level_assumed
    assert service.diameter_assumed
    assert not shapely.has_z(service.geometry)


def test_a_depth_is_kept_and_the_line_stays_flat(tmp_path: Path) -> None:
    service = one(tmp_path, kind="gas", depth_m=0.95)
    assert service.depth_m == 0.95
    assert not service.level_assumed


@pytest.mark.parametrize(
    ("columns", "expected"),
    [
        ({"kind": "water", "diameter_m": 0.2, "top_elev_m": 98.5}, 98.5),
        ({"kind": "water", "diameter_m": 0.2, "centre_elev_m": 98.5}, 98.6),
        # 98 + inside 0.6 + wall 0.6 / 12 + 0.025 = 98.675
        ({"kind": "storm", "diameter_m": 0.6, "invert_elev_m": 98.0}, 98.675),
        # 98 + inside 0.2 + wall 0.008 = 98.208
        ({"kind": "sewer", "diameter_m": 0.2, "invert_elev_m": 98.0}, 98.208),
        # 98 + inside 0.2 + stated wall 0.05 = 98.25
        ({"kind": "sewer", "diameter_m": 0.2, "wall_m": 0.05, "invert_elev_m": 98.0}, 98.25),
        # outside 0.25 of the default is 0.234 + 2 x 0.008: 98 + 0.234 + 0.008 = 98.242
        ({"kind": "sewer", "invert_elev_m": 98.0}, 98.242),
        # a duct bank 0.4 high: 98 + 0.4
        ({"kind": "telecom", "width_m": 0.6, "height_m": 0.4, "invert_elev_m": 98.0}, 98.4),
    ],
)
def test_each_way_to_state_a_level_comes_to_the_outside_top(
    tmp_path: Path, columns: dict[str, object], expected: float
) -> None:
    service = one(tmp_path, **columns)
    assert top(service) == pytest.approx(expected, abs=1e-9)
    assert np.isnan(service.depth_m)


@pytest.mark.parametrize(
    ("kind", "stated", "outside"),
    [("water", 0.6, 0.6), ("storm", 0.6, 0.75), ("sewer", 0.3, 0.4), ("sewer", 0.29, 0.306)],
)
def test_the_wall_is_added_to_what_is_stated_inside(
    tmp_path: Path, kind: str, stated: float, outside: float
) -> None:
    """Hand calculation: D + 2 (D/12 + 0.025) from 0.3 m up, D + 0.016 below."""
    assert one(tmp_path, kind=kind, diameter_m=stated).outside_diameter_m == pytest.approx(outside)


@pytest.mark.parametrize("inside", [0.1, 0.299, 0.3, 1.2])
def test_inside_and_wall_make_the_outside(inside: float) -> None:
    outside = inside + 2 * wall_thickness(np.array([inside]))
    assert inside_of(outside)[0] == pytest.approx(inside)


def test_z_is_the_top_and_runs_straight_between_vertices(tmp_path: Path) -> None:
    site = read_services(tmp_path, line((100, -20, 98.0), (100, 20, 99.0), kind="water"))
    z = shapely.get_coordinates(site.utilities.geometry.to_numpy(), include_z=True)[:, 2]
    assert z.tolist() == [98.0, 99.0]


def test_a_gap_in_z_is_filled_along_the_line(tmp_path: Path) -> None:
    """Hand calculation: a quarter of the way from 98 to 99 is 98.25."""
    shape = line((100, -20, 98.0), (100, -10, 0.0), (100, 20, 99.0), kind="water")
    site = read_services(tmp_path, shape)
    z = shapely.get_coordinates(site.utilities.geometry.to_numpy(), include_z=True)[:, 2]
    assert z.tolist() == pytest.approx([98.0, 98.25, 99.0])
    assert site.row_counts["utilities"]["repaired"] == 1


def test_z_in_feet_is_read_where_it_is_stated(tmp_path: Path) -> None:
    z = 98.0 / FOOT
    shape = line((100, -20, z), (100, 20, z), kind="water")
    site = read_services(tmp_path, shape, table={"vertical_unit": "ft"})
    assert top(site.utilities.iloc[0]) == pytest.approx(98.0)


def test_z_can_be_left_out(tmp_path: Path) -> None:
    shape = line((100, -20, 98.0), (100, 20, 98.0), kind="water", depth_m=1.0)
    site = read_services(tmp_path, shape, table={"use_z": False})
    assert site.utilities["depth_m"].iloc[0] == 1.0


def test_levels_that_agree_are_one(tmp_path: Path) -> None:
    service = one(tmp_path, kind="water", diameter_m=0.2, top_elev_m=98.6, centre_elev_m=98.5)
    assert top(service) == pytest.approx(98.6)


@pytest.mark.parametrize("value", [0.0, -9999.0, 9999.0, 100.5, 84.0, 40.0])
def test_a_level_that_is_not_believed_becomes_the_default_and_is_listed(
    tmp_path: Path, value: float
) -> None:
    site = read_services(tmp_path, line((100, -20), (100, 20), kind="gas", top_elev_m=value))
    assert site.utilities["depth_m"].iloc[0] == 0.8
    assert site.utilities["level_assumed"].iloc[0]
    doubt = next(e for e in site.ledger if e.kind == "doubt" and e.layer == "utilities")
    assert (doubt.rows, doubt.column) == ((1,), "top_elev_m")


@pytest.mark.parametrize("value", [0.0, 15.5, -1.0, 9999.0])
def test_a_depth_that_is_not_believed_becomes_the_default(tmp_path: Path, value: float) -> None:
    site = read_services(tmp_path, line((100, -20), (100, 20), kind="gas", depth_m=value))
    assert site.utilities["depth_m"].iloc[0] == 0.8
    assert len(said(site, "doubt")) == 1


def test_an_unknown_kind_is_unknown_and_doubted(tmp_path: Path) -> None:
    site = read_services(tmp_path, line((100, -20), (100, 20), kind="pneumatic post"))
    assert site.utilities["kind"].iloc[0] == "unknown"
    assert any("pneumatic post" in what for what in said(site, "doubt"))


def test_the_kind_of_a_table_holds_for_all_its_rows(tmp_path: Path) -> None:
    services = [line((x, -20), (x, 20), kind="mains") for x in (50, 60)]
    site = read_services(tmp_path, *services, table={"kind": "gas"})
    assert set(site.utilities["kind"]) == {"gas"}


def test_missing_and_doubled_ids_become_file_and_row(tmp_path: Path) -> None:
    ids = ["A", "", "B", "A"]
    services = [line((x, -20), (x, 20), utility_id=i, kind="gas")
                for x, i in zip((30, 40, 50, 60), ids, strict=True)]  # fmt: skip
    site = read_services(tmp_path, *services)
    assert site.utilities["utility_id"].tolist() == [
        "utilities.gpkg:1", "utilities.gpkg:2", "B", "utilities.gpkg:4",
    ]  # fmt: skip


def test_an_id_that_two_files_share_is_doubled(tmp_path: Path) -> None:
    services = [line((100, -20), (100, 20), utility_id="A")]
    project = build_site(tmp_path, ground=FLAT, utilities=services)
    (tmp_path / "gas.gpkg").write_bytes((tmp_path / "utilities.gpkg").read_bytes())
    text = project.read_text().replace(
        "[[utilities]]",
        '[[utilities]]\npath = "gas.gpkg"\nkind = "gas"\n[[utilities]]\nkind = "oil"',
    )
    project.write_text(text)
    site = read_site(project)
    assert set(site.utilities["utility_id"]) == {"gas.gpkg:1", "utilities.gpkg:1"}
    assert site.row_counts["utilities"]["read"] == 2


def test_parts_of_a_service_keep_its_id(tmp_path: Path) -> None:
    parts = shapely.MultiLineString([[(30, -20), (30, 20)], [(60, -20), (60, 20)]])
    site = read_services(tmp_path, {"geometry": parts, "utility_id": "A", "kind": "gas"})
    assert site.utilities["utility_id"].tolist() == ["A", "A"]
    assert site.row_counts["utilities"] == {
        "read": 1, "used": 0, "repaired": 1, "refused": 0, "ignored": 0,
    }  # fmt: skip


def test_a_service_drawn_twice_is_used_once_and_one_that_differs_is_kept(tmp_path: Path) -> None:
    site = read_services(
        tmp_path,
        line((30, -20), (30, 20), kind="gas"),
        line((30, 20), (30, -20), kind="gas"),
        line((30, -20), (30, 20), kind="water"),
    )
    assert sorted(site.utilities["kind"]) == ["gas", "water"]
    assert site.row_counts["utilities"]["ignored"] == 1


def test_points_are_services_too(tmp_path: Path) -> None:
    site = read_services(tmp_path, point(100, 3, kind="electric", width_m=1.0, height_m=0.5))
    service = site.utilities.iloc[0]
    assert service["shape"] == "box"
    assert (service.width_m, service.height_m) == (1.0, 0.5)


def test_a_service_beyond_the_site_is_ignored_and_said(tmp_path: Path) -> None:
    site = read_services(
        tmp_path, line((100, -9), (100, 9), kind="gas"), line((900, 0), (950, 0), kind="gas")
    )
    assert site.row_counts["utilities"]["ignored"] == 1
    assert len(site.utilities) == 1


@pytest.mark.parametrize("offset", [-32.4, 40.0])
def test_a_datum_jump_is_refused_with_its_evidence(tmp_path: Path, offset: float) -> None:
    services = [line((x, -9), (x, 9), kind="gas", top_elev_m=99 + 0.05 * (x % 7) + offset)
                for x in range(20, 120, 10)]  # fmt: skip
    with pytest.raises(InputError, match="constant offset from the ground") as caught:
        read_services(tmp_path, *services)
    assert "10 points, median" in str(caught.value)
    assert "spread" in str(caught.value)


def test_elevations_in_feet_are_refused_as_such(tmp_path: Path) -> None:
    services = [line((x, -9), (x, 9), kind="gas", top_elev_m=(98 + 0.3 * (x % 7)) / FOOT)
                for x in range(20, 120, 10)]  # fmt: skip
    with pytest.raises(InputError, match="look like feet read as metres"):
        read_services(tmp_path, *services)


def test_feet_are_read_where_they_are_stated(tmp_path: Path) -> None:
    fields = {"top_elev_m": {"column": "TOP", "unit": "ft"}, "diameter_m": {"column": "D",
              "unit": "in"}}  # fmt: skip
    shape = line((100, -9), (100, 9), kind="gas", TOP=98.5 / FOOT, D=6.0)
    service = read_services(tmp_path, shape, table={"fields": fields}).utilities.iloc[0]
    assert top(service) == pytest.approx(98.5)
    assert service.outside_diameter_m == pytest.approx(0.1524)


def test_an_improbable_constant_depth_is_doubted(tmp_path: Path) -> None:
    services = [line((x, -9), (x, 9), kind="gas", top_elev_m=93.0) for x in range(20, 120, 10)]
    site = read_services(tmp_path, *services)
    assert any("nearly constant offset" in what for what in said(site, "doubt"))


def test_scattered_wild_levels_are_doubted_row_by_row(tmp_path: Path) -> None:
    levels = [98.9, 98.7, 130.0, 99.0, 98.8, 60.0, 98.8]
    services = [line((20.0 * i + 20, -9), (20.0 * i + 20, 9), kind="gas", top_elev_m=level)
                for i, level in enumerate(levels)]  # fmt: skip
    site = read_services(tmp_path, *services)
    assert site.utilities["level_assumed"].tolist() == [False, False, True, False, False, True,
                                                        False]  # fmt: skip


def test_an_abandoned_service_stays(tmp_path: Path) -> None:
    assert one(tmp_path, kind="gas", status="abandoned").status == "abandoned"


def test_raising_everything_by_10_m_changes_levels_by_10_m_only(tmp_path: Path) -> None:
    shape = line((100, -20, 98.0), (100, 20, 99.0), kind="water")
    raised = line((100, -20, 108.0), (100, 20, 109.0), kind="water")
    low = read_services(tmp_path / "a", shape)
    high = read_site(
        build_site(tmp_path / "b", ground=plane(110.0), utilities=[raised],
                   tie_ins=[point(0, 0, invert_elev_m=106.0)])
    )  # fmt: skip
    assert top(high.utilities.iloc[0]) - top(low.utilities.iloc[0]) == 10.0
    assert low.utilities.drop(columns="geometry").equals(high.utilities.drop(columns="geometry"))
