"""Streets that meet share a vertex exactly; what was done to make them meet is said."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.inputs import read_site
from planner.inputs.joins import join_ends, split_at_own_vertices
from planner.model import Site
from tests.builders import Row, build_site, line


def read_streets(folder: Path, *streets: Row) -> Site:
    return read_site(build_site(folder, streets=list(streets)))


def vertices(site: Site, name: str) -> set[tuple[float, float]]:
    mine = site.streets[site.streets["street"] == name]
    return {tuple(xy) for xy in shapely.get_coordinates(mine.geometry.to_numpy()).tolist()}


def said(site: Site, kind: str) -> list[str]:
    return [one.what for one in site.ledger if one.layer == "streets" and one.kind == kind]


MAIN = line((0, 0), (200, 0), street="Main")


def test_ends_that_nearly_meet_become_one(tmp_path: Path) -> None:
    site = read_streets(tmp_path, MAIN, line((200.4, 0.3), (200, 90), street="Side"))
    assert len(vertices(site, "Main") & vertices(site, "Side")) == 1
    assert any("moved onto it (by up to 0.500 m)" in what for what in said(site, "repaired"))


def test_ends_further_apart_stay_apart(tmp_path: Path) -> None:
    site = read_streets(tmp_path, MAIN, line((201.2, 0), (201, 90), street="Side"))
    assert not vertices(site, "Main") & vertices(site, "Side")
    assert said(site, "repaired") == []


@pytest.mark.parametrize("gap", [-0.6, 0.0, 0.8])
def test_an_end_at_the_middle_of_another_street_gets_a_vertex_there(
    tmp_path: Path, gap: float
) -> None:
    site = read_streets(tmp_path, MAIN, line((77, gap), (77, 90), street="Side"))
    assert vertices(site, "Main") & vertices(site, "Side") == {(-23.0, -45.0)}
    assert any("a vertex is added" in what for what in said(site, "repaired"))
    assert len(site.streets) == 2


def test_an_end_near_a_vertex_inside_another_street_takes_that_vertex(tmp_path: Path) -> None:
    main = line((0, 0), (77, 0.5), (200, 0), street="Main")
    site = read_streets(tmp_path, main, line((77.2, 0.9), (77, 90), street="Side"))
    assert vertices(site, "Main") & vertices(site, "Side") == {(-23.0, -44.5)}


def test_an_end_that_shares_a_vertex_stays_there(tmp_path: Path) -> None:
    curved = line((0, 0), (0.5, 0.1), (200, 0), street="Main")
    site = read_streets(tmp_path, curved, line((-90, 0), (0, 0), street="West"))
    assert len(vertices(site, "Main")) == 3
    assert said(site, "repaired") == []


def test_four_ends_meet_in_one_place(tmp_path: Path) -> None:
    ends = [(0.0, 0.3), (0.4, 0.0), (0.0, -0.3), (-0.2, 0.0)]
    far = [(0, 90), (90, 0), (0, -90), (-90, 0)]
    streets = [line(a, b, street=f"S{i}") for i, (a, b) in enumerate(zip(ends, far, strict=True))]
    site = read_streets(tmp_path, *streets)
    common = set.intersection(*(vertices(site, f"S{i}") for i in range(4)))
    assert len(common) == 1


def test_a_crossing_without_a_vertex_is_no_junction_and_is_said(tmp_path: Path) -> None:
    site = read_streets(tmp_path, MAIN, line((90, -50), (90, 50), street="Over"))
    assert not vertices(site, "Main") & vertices(site, "Over")
    assert any("cross without a shared vertex" in what and "Main and Over" in what
               for what in said(site, "doubt"))  # fmt: skip


def test_a_crossing_with_a_shared_vertex_is_a_junction(tmp_path: Path) -> None:
    main = line((0, 0), (90, 0), (200, 0), street="Main")
    site = read_streets(tmp_path, main, line((90, -50), (90, 0), (90, 50), street="Cross"))
    assert len(vertices(site, "Main") & vertices(site, "Cross")) == 1
    assert said(site, "doubt") == []


def test_a_street_drawn_once_per_direction_is_one_street_with_all_lanes(tmp_path: Path) -> None:
    site = read_streets(
        tmp_path,
        line((0, 0), (200, 0), street="Main", one_way=True, lanes=1),
        line((200, 0.2), (0, 0.2), street="Main", one_way=True, lanes=2),
    )
    assert len(site.streets) == 1
    assert site.streets["lanes"].iloc[0] == 3
    assert not site.streets["one_way"].iloc[0]
    assert site.row_counts["streets"] == {
        "read": 2, "used": 0, "repaired": 1, "refused": 0, "ignored": 1,
    }  # fmt: skip


def test_carriageways_side_by_side_are_both_kept_and_doubted(tmp_path: Path) -> None:
    site = read_streets(
        tmp_path,
        line((0, 0), (200, 0), street="Main", one_way=True),
        line((200, 6), (0, 6), street="Main", one_way=True),
    )
    assert len(site.streets) == 2
    assert any("side by side" in what for what in said(site, "doubt"))


def test_a_closed_street_is_cut_in_two_that_meet_twice(tmp_path: Path) -> None:
    ring = line((0, 0), (100, 0), (100, 80), (0, 80), (0, 0), street="Loop")
    site = read_streets(tmp_path, ring, line((-90, 0), (0, 0), street="Main"))
    loop = site.streets[site.streets["street"] == "Loop"]
    assert len(loop) == 2
    assert loop.length.sum() == pytest.approx(360.0, abs=1e-3)
    assert set(loop["row"]) == {1}
    assert site.row_counts["streets"]["repaired"] == 1


def test_several_parts_are_all_used(tmp_path: Path) -> None:
    parts = shapely.MultiLineString([[(0, 0), (90, 0)], [(90, 0), (200, 0)]])
    site = read_streets(tmp_path, {"geometry": parts, "street": "Main"})
    assert site.streets.length.sum() == pytest.approx(200.0, abs=1e-3)


def test_z_is_left_out(tmp_path: Path) -> None:
    site = read_streets(tmp_path, line((0, 0, 99.0), (200, 0, 98.0), street="Main"))
    assert not shapely.has_z(site.streets.geometry.to_numpy()).any()


def test_a_line_without_length_is_ignored_and_said(tmp_path: Path) -> None:
    site = read_streets(tmp_path, MAIN, line((9, 9), (9, 9), street="Dot"))
    assert site.row_counts["streets"]["ignored"] == 1


def test_values_off_the_printed_precision_are_kept(tmp_path: Path) -> None:
    site = read_streets(tmp_path, line((0, 0), (200, 0), lane_width_m=3.333333))
    assert site.streets["lane_width_m"].iloc[0] == 3.333333


def test_the_width_of_the_right_of_way_follows_from_the_lanes(tmp_path: Path) -> None:
    """Hand calculation: 4 lanes x 3.25 m + 6 m = 19 m."""
    site = read_streets(tmp_path, line((0, 0), (200, 0), lanes=4, lane_width_m=3.25))
    assert site.streets["row_width_m"].iloc[0] == 19.0


@pytest.mark.parametrize(("until", "kept"), [("2027-04-30", ""), ("2027-05-01", "2027-05-01")])
def test_a_ban_on_cutting_that_is_over_is_taken_off(tmp_path: Path, until: str, kept: str) -> None:
    site = read_streets(tmp_path, line((0, 0), (200, 0), no_cut_until=until))
    assert site.streets["no_cut_until"].iloc[0] == kept


def network(folder: Path, order: list[int], flip: bool) -> Site:
    streets = [
        line((0, 0), (60, 5), (130, 0), street="A"),
        line((130.3, 0.4), (200, 10), street="B"),
        line((60.2, 5.3), (60, 80), street="C"),
        line((160, -60), (160, 4.5), street="D"),
        line((60, 80), (130, 80), (130, 0.2), street="E"),
    ]
    if flip:
        streets = [row | {"geometry": shapely.reverse(row["geometry"])} for row in streets]
    return read_streets(folder, *(streets[i] for i in order))


def same_lines(one: Site, other: Site) -> bool:
    shapes = [
        shapely.normalize(shapely.MultiLineString(list(site.streets.geometry)))
        for site in (one, other)
    ]
    return bool(shapely.equals_exact(*shapes, tolerance=0.0))


@pytest.mark.parametrize("order", [[4, 3, 2, 1, 0], [2, 0, 4, 1, 3]])
def test_the_order_of_rows_changes_nothing(tmp_path: Path, order: list[int]) -> None:
    first = network(tmp_path / "a", [0, 1, 2, 3, 4], flip=False)
    assert same_lines(first, network(tmp_path / "b", order, flip=False))


def test_the_direction_of_drawing_changes_nothing(tmp_path: Path) -> None:
    first = network(tmp_path / "a", [0, 1, 2, 3, 4], flip=False)
    assert same_lines(first, network(tmp_path / "b", [0, 1, 2, 3, 4], flip=True))


def test_a_split_street_is_the_same_street(tmp_path: Path) -> None:
    whole = read_streets(tmp_path / "a", line((0, 0), (80, 3), (200, 0), street="A"))
    split = read_streets(
        tmp_path / "b", line((0, 0), (80, 3), street="A"), line((80, 3), (200, 0), street="A")
    )
    merged = shapely.line_merge(shapely.MultiLineString(list(split.streets.geometry)))
    assert shapely.equals_exact(merged, whole.streets.geometry.iloc[0], tolerance=0.0)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.lists(st.tuples(st.integers(0, 400), st.integers(0, 400)), min_size=2, max_size=5,
                 unique=True),
        min_size=1, max_size=8,
    )
)  # fmt: skip
def test_joined_ends_are_equal_or_out_of_reach(places: list[list[tuple[int, int]]]) -> None:
    """Joining lines that are joined moves nothing by more than the reach."""
    lines = np.array([shapely.LineString(np.array(one) / 4.0) for one in places], object)
    joined = join_ends(lines).lines
    again = join_ends(joined[shapely.length(joined) > 0])
    assert np.isfinite(shapely.get_coordinates(joined)).all()
    assert again.furthest <= 1.0


def test_a_line_that_passes_a_place_twice_is_cut_there() -> None:
    eight = shapely.LineString([(0, 0), (9, 9), (9, 0), (0, 0), (-9, 5)])
    pieces = split_at_own_vertices(eight)
    assert sum(piece.length for piece in pieces) == pytest.approx(eight.length)
    assert all(piece.is_simple and not piece.is_closed for piece in pieces)
