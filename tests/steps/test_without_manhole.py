"""Pits that need no manhole: chosen where one drive is too short, and passed straight."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import planner
from tests.builders import build_site, line, plane, point
from tests.independent.arithmetic import audit, unreported

LEVEL = 0.01 * 0.3048  # [m] step of the printed grid


def project_of(folder: Path, **rules: Any) -> Path:
    """A straight street of one lane, 130 m long, with a house at 112 m: too far for one drive."""
    return build_site(
        folder, ground=plane(100.0, fall_x=-0.01), project={"display_units": "us"},
        tables={"rules": rules},
        streets=[line((0, 0), (130, 0), street="Main", lanes=1, row_width_m=6.0)],
        properties=[point(112, 12, property_id="H")],
        tie_ins=[point(0, 0, tie_in_id="T", invert_elev_m=97.0)],
    )  # fmt: skip


def planned(folder: Path, **rules: Any) -> planner.Plan:
    return planner.make_plan(planner.read_site(project_of(folder, **rules)))


def test_two_drives_in_line_leave_out_the_manhole_between(tmp_path: Path) -> None:
    """A drive reaches 91.44 m, manholes may stand 121.92 m apart, the head is beyond 100 m."""
    pits = planned(tmp_path).pits.set_index("pit_id")
    assert pits.loc["P1", "manhole"] == False  # noqa: E712  (a numpy bool)
    assert pits.loc["P2", "manhole"] == True  # noqa: E712
    assert pits.loc["P1", "drop_m"] == 0.0


def test_the_pit_between_stands_on_the_line(tmp_path: Path) -> None:
    legs = planned(tmp_path).legs.set_index("leg_id")
    upper, lower = legs.loc["L2"], legs.loc["L1"]
    share = upper["length_m"] / (upper["length_m"] + lower["length_m"])
    on_line = upper["invert_up_m"] - share * (upper["invert_up_m"] - lower["invert_down_m"])
    assert lower["invert_up_m"] == upper["invert_down_m"]
    assert abs(lower["invert_up_m"] - on_line) <= LEVEL / 2 + 1e-9


def test_nearer_manholes_are_all_built(tmp_path: Path) -> None:
    """Where manholes may stand no farther apart than a drive reaches, none can be left out."""
    assert planned(tmp_path, max_manhole_spacing_m=91.44).pits["manhole"].all()


def test_no_more_is_saved_than_the_manhole_and_its_drop(tmp_path: Path) -> None:
    """Invariant: the same pits with a manhole between are among what can be chosen without.

    So what is saved is at most its price, and what 0.10 ft of drop make the sewer deeper: 0.03 m
    of two pits at 3,000 + 1,200 a metre at the most, and of 110 m of bore.
    """
    free = planned(tmp_path / "free")
    held = planned(tmp_path / "held", max_manhole_spacing_m=91.44)
    saved = held.summary["optimality"]["cost"] - free.summary["optimality"]["cost"]
    pit = free.pits[~free.pits["manhole"].astype(bool)].iloc[0]
    well = 4000 + 1200 * (pit["ground_elev_m"] - pit["invert_elev_m"])
    assert 0 < saved <= well + 600


def test_the_audit_finds_nothing_that_is_not_told(tmp_path: Path) -> None:
    project = project_of(tmp_path)
    plan = planner.make_plan(planner.read_site(project))
    planner.write_plan(plan, tmp_path / "out")
    summary = plan.summary
    assert unreported(audit(project, tmp_path / "out"), summary) == []
