"""Which conflict is which, and what is said of those that are gone: on rows made by hand."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import pytest

import planner
from planner.model import Register, Site
from planner.steps.register import keep_register
from tests.register_folder import GAS, Beside, frame_of, place, row_of

Rows = tuple[dict[str, Any], ...]
HOUSE = {"rule": "water_vertical_m", "affects": "connection: pipe", "subject": "H1"}
LEG = {"rule": "water_vertical_m", "affects": "leg: pipe", "subject": "L1"}


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    return planner.read_site(place(tmp_path_factory.mktemp("site"), GAS))


def kept(
    site: Site, new: Rows, old: Rows, gone: Rows = (), works: Beside | None = None
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    register = Register(frame_of(*old), frame_of(*gone))
    return keep_register(site, frame_of(*new), register, works or Beside())


def why(site: Site, now: tuple[str, float] | None, **row: Any) -> str:
    """What is said of one conflict that is gone."""
    _, gone = kept(site, (), (row_of("C1", 0.0, **row),), works=Beside(now))
    return str(gone["why"].iloc[0])


def test_a_leg_and_a_connection_beside_each_other_are_not_mixed_up(site: Site) -> None:
    new = row_of("C1", 0.0, **HOUSE), row_of("C2", 1.0, **LEG)
    old = row_of("C7", 0.1, **LEG), row_of("C8", 1.1, **HOUSE)
    assert kept(site, new, old)[0]["conflict_id"].tolist() == ["C8", "C7"]


def test_two_legs_that_meet_at_a_pit_are_told_apart_by_their_clearance(site: Site) -> None:
    new = row_of("C1", 0.0, subject="L2", clearance_m=0.2), row_of("C2", 0.0, subject="L3")
    old = row_of("C5", 0.0, subject="L1", clearance_m=0.2), row_of("C6", 0.0, subject="L2")
    assert kept(site, new, old)[0]["conflict_id"].tolist() == ["C5", "C6"]


def test_a_service_alongside_may_be_nearest_at_another_station_now(site: Site) -> None:
    old = row_of("C5", 0.0), row_of("C6", 30.0)
    new = (row_of("C1", 70.0, subject="L4"),)
    assert kept(site, new, old, works=Beside(along=4.9))[0]["conflict_id"].tolist() == ["C6"]
    assert kept(site, new, old, works=Beside(along=5.1))[0]["conflict_id"].tolist() == ["C7"]


def test_the_same_place_goes_before_the_same_leg(site: Site) -> None:
    old, new = (row_of("C5", 0.0), row_of("C6", 30.0)), (row_of("C1", 29.0), row_of("C2", 60.0))
    now, _ = kept(site, new, old, works=Beside(along=0.0))
    assert now["conflict_id"].tolist() == ["C6", "C5"]


def test_the_order_of_rows_in_the_earlier_file_does_not_matter(site: Site) -> None:
    new = tuple(row_of(f"C{k}", 0.0) for k in range(1, 4))
    old = tuple(row_of(f"C{k}", 0.0, status=f"s{k}") for k in (12, 7, 30, 2))
    one, other = kept(site, new, old), kept(site, new, old[::-1])
    assert one[0]["conflict_id"].tolist() == other[0]["conflict_id"].tolist() == ["C2", "C7", "C12"]
    assert one[1]["conflict_id"].tolist() == other[1]["conflict_id"].tolist() == ["C30"]


def test_among_equally_near_ones_the_one_that_stood_last_goes_on(site: Site) -> None:
    past = row_of("C1", 0.0, why="gone", status="accepted")
    now, gone = kept(site, (row_of("C1", 0.0),), (row_of("C4", 0.0),), (past,))
    assert now["conflict_id"].tolist() == ["C4"]
    assert gone["conflict_id"].tolist() == ["C1"]


def test_one_that_comes_back_has_its_number_status_and_note(site: Site) -> None:
    past = row_of("C1", 0.0, why="gone", status="in hand", note="asked", responsible="Ann")
    now, gone = kept(site, (row_of("C1", 0.3),), (), (past,))
    assert now[["conflict_id", "status", "note", "responsible"]].to_numpy().tolist() == [
        ["C1", "in hand", "asked", "Ann"]
    ]
    assert gone.empty


def test_new_numbers_are_above_all_that_were_ever_used(site: Site) -> None:
    old, past = (row_of("C3", 40.0), row_of("mine", 80.0)), (row_of("C41", 90.0, why="gone"),)
    assert kept(site, (row_of("C1", 0.0),), old, past)[0]["conflict_id"].tolist() == ["C42"]


def test_a_successor_is_new_in_its_run_and_stays(site: Site) -> None:
    old = row_of("C1", 0.0), row_of("C2", 100.0)
    new = row_of("C1", 100.0), row_of("C2", 60.0)
    now, gone = kept(site, new, old)
    assert (now["conflict_id"].tolist(), gone["superseded_by"].tolist()) == (["C2", "C3"], ["C3"])
    again = kept(site, new, tuple(now.assign(why="", superseded_by="").to_dict("records")),
                 tuple(gone.to_dict("records")))  # fmt: skip
    names = ["conflict_id", "why", "superseded_by", "geometry"]
    assert again[1][names].to_numpy().tolist() == gone[names].to_numpy().tolist()


@pytest.mark.parametrize("status", ["Resolved", " accepted ", "RESOLVED"])
def test_a_settled_one_is_known_however_it_is_written(status: str, site: Site) -> None:
    now, _ = kept(site, (row_of("C1", 0.0, clearance_m=0.3),), (row_of("C1", 0.0, status=status),))
    assert now["status"].tolist() == ["open"]
    assert now["note"].tolist() == ["opened again: was tight at 0.50 m, is tight at 0.30 m"]


def test_one_in_hand_is_left_as_it_is_when_it_gets_worse(site: Site) -> None:
    old = row_of("C1", 0.0, status="in hand")
    now, _ = kept(site, (row_of("C1", 0.0, clearance_m=-0.1, severity="clash"),), (old,))
    assert (now["status"].tolist(), now["note"].tolist()) == (["in hand"], [""])


WHY: dict[str, tuple[tuple[str, float] | None, dict[str, Any], str]] = {
    "same leg": (("L1", 3.1), {}, "L1 no longer passes within 0.60 m of G1; now 3.10 m away"),
    "other leg": (
        ("L9", 3.1), {},
        "no leg passes within 0.60 m of G1 here any more; L9 is nearest now, 3.10 m away",
    ),
    "nothing": (None, {}, "no leg is near G1 here any more"),
    "less is asked": (
        ("L1", 0.45), {}, "what is required of G1 has changed; now 0.45 m away",
    ),
    "overlap": (
        ("L1", -0.2), {}, "what is required of G1 has changed; now overlapping it by 0.20 m",
    ),
    "proven": (
        ("L1", 0.9), {"severity": "unproven"},
        "L1 is now far enough from G1 for how well it is known; now 0.90 m away",
    ),
    "water": (
        ("H1", 1.2), HOUSE, "the water separation from G1 is kept here now; now 1.20 m away",
    ),
    "record gone": (
        ("L1", 1.0), {"utility_id": "G7"}, "G7 is no longer in the records",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", WHY.values(), ids=WHY)
def test_why_says_what_is_so_now(
    case: tuple[tuple[str, float] | None, dict[str, Any], str], site: Site
) -> None:
    now, row, said = case
    assert why(site, now, **row) == said
