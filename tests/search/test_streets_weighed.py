"""Streets chosen, weighed by exact legs and bounded: small places worked out by hand."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from shapely import Point

import planner
from planner.kernels import layout_best
from planner.search.asking import bound_all_streets
from planner.search.serving import Wish, lay_out_streets, lay_out_what_passes, tie_in_inverts
from planner.search.weighing import weigh_streets
from planner.steps.layout import is_only_choice
from planner.steps.streets import build_graph
from tests.builders import build_site, line, plane, point

GROUND = plane(100.0, fall_x=-0.006, fall_y=-0.006)  # rises to the north-east
HOUSES = (
    (60, 12), (150, 12), (12, 60), (12, 150), (60, 188), (150, 188), (188, 60), (188, 150),
    (212, 240),
)  # fmt: skip


def block(folder: Path, **layers: Any) -> Path:
    """Four streets round a block of 200 m, lanes off its corners, a tie-in at the lowest."""
    streets = [
        line((0, 0), (200, 0), street="South"), line((0, 0), (0, 200), street="West"),
        line((0, 200), (200, 200), street="North"), line((200, 0), (200, 200), street="East"),
        line((200, 0), (260, 0), street="Pond Lane"), line((0, 200), (0, 260), street="Mill Lane"),
        line((200, 200), (200, 270), street="Hill Lane"),
    ]  # fmt: skip
    own = {
        "ground": GROUND, "streets": streets,
        "properties": [point(*xy, property_id=f"H{i}") for i, xy in enumerate(HOUSES)],
        "tie_ins": [point(0, 0, tie_in_id="T1", invert_elev_m=96.0)],
    }  # fmt: skip
    return build_site(folder, **(own | layers))


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> planner.Plan:
    return planner.make_plan(planner.read_site(block(tmp_path_factory.mktemp("block"))))


def test_every_choice_round_a_block_is_weighed(plan: planner.Plan) -> None:
    """Cut open at any street, that one served from either end: the cheapest is the plan."""
    known = plan.summary["optimality"]
    assert plan.summary["totals"]["served"] == len(HOUSES)
    assert len(plan.summary["alternatives"]) >= 3
    assert "choices of streets and directions" in known["scope"]
    assert known["lower_bound"] <= known["cost"]


def test_nothing_that_was_weighed_costs_less_than_the_bound(plan: planner.Plan) -> None:
    known = plan.summary["optimality"]
    for other in plan.summary["alternatives"]:
        assert other["costs_at_least"] >= known["lower_bound"] - 0.01
        if other["cost"] is not None:
            assert other["cost"] >= known["cost"] - 0.01


@pytest.mark.parametrize("shut", ["South", "West", "North", "East"])
def test_no_settled_choice_beats_the_bound_of_all(
    plan: planner.Plan, shut: str, tmp_path: Path
) -> None:
    """A direction settled beforehand is one of the choices that the bound is over."""
    for way in ("as drawn", "against"):
        site = planner.read_site(block(tmp_path, tables={"layout": {"flow": {shut: way}}}))
        other = planner.make_plan(site).summary
        if other["totals"]["served"] == len(HOUSES):
            assert other["optimality"]["cost"] >= plan.summary["optimality"]["lower_bound"] - 0.01


def test_the_bound_by_prices_is_below_every_plan(plan: planner.Plan, tmp_path: Path) -> None:
    site = planner.read_site(block(tmp_path))
    graph = build_graph(site, 45.0)
    bound = bound_all_streets(site, graph, np.ones(len(HOUSES), bool), tie_in_inverts(site))
    assert 0 < bound.price < plan.summary["optimality"]["lower_bound"]
    assert not bound.only_one


def test_a_tree_of_streets_leaves_no_choice(tmp_path: Path) -> None:
    site = planner.read_site(build_site(tmp_path))
    graph = build_graph(site, 45.0)
    assert is_only_choice(graph, np.ones(len(site.properties), bool))
    choice = weigh_streets(site, lay_out_what_passes(site, graph, Wish()), Wish())
    assert choice.lower_bound == choice.best.solution.lower_bound
    assert choice.trials == ()


def test_a_loop_that_serves_nothing_is_no_choice(tmp_path: Path) -> None:
    """A block of streets beyond the last house changes nothing."""
    streets = [line((0, 0), (200, 0), street="Main Street"),
               line((200, 0), (300, 0), (300, 90), (200, 0), street="Loop")]  # fmt: skip
    site = planner.read_site(build_site(tmp_path, streets=streets))
    assert is_only_choice(build_graph(site, 45.0), np.ones(len(site.properties), bool))


def test_two_tie_ins_are_a_choice_and_the_nearer_one_is_taken(tmp_path: Path) -> None:
    level = {"invert_elev_m": 95.0}
    site = planner.read_site(block(
        tmp_path, tie_ins=[point(0, 0, tie_in_id="T1", **level),
                           point(200, 200, tie_in_id="T2", **level)],
    ))  # fmt: skip
    plan = planner.make_plan(site)
    assert plan.summary["totals"]["served"] == len(HOUSES)
    assert "T1" in set(plan.legs["down_pit"]) | set(plan.pits["pit_id"])


def test_shutting_a_tie_in_leaves_it_unused(tmp_path: Path) -> None:
    level = {"invert_elev_m": 95.0}
    ties = [point(0, 0, tie_in_id="T1", **level), point(200, 200, tie_in_id="T2", **level)]
    site = planner.read_site(
        block(tmp_path, tie_ins=ties, tables={"layout": {"no_tie_ins": ["T1"]}})
    )
    plan = planner.make_plan(site)
    assert "T1" not in set(plan.legs["down_pit"])
    assert "T2" in set(plan.legs["down_pit"])


def test_a_street_that_must_carry_is_bored_from_end_to_end(tmp_path: Path) -> None:
    site = planner.read_site(block(tmp_path, tables={"layout": {"carry": ["East"]}}))
    plan = planner.make_plan(site)
    east = plan.legs[plan.legs["street"] == "East"]
    assert east["length_m"].sum() > 150
    assert plan.summary["settled_beforehand"]["costs_more"] >= -0.01


def test_a_forbidden_street_has_no_sewer(tmp_path: Path) -> None:
    site = planner.read_site(block(tmp_path, tables={"layout": {"forbid": ["North"]}}))
    plan = planner.make_plan(site)
    assert "North" not in set(plan.legs["street"])
    assert plan.summary["settled_beforehand"]["serves_fewer"] >= 0


def test_a_pit_that_must_stand_stands(tmp_path: Path) -> None:
    free = planner.make_plan(planner.read_site(build_site(tmp_path / "free")))
    pit = free.pits[free.pits["kind"] == "pit"].geometry.iloc[0]
    spot = [pit.x + 11.0, pit.y]  # along the street, where the free plan has none
    site = planner.read_site(build_site(tmp_path / "fixed", tables={"layout": {"pits": [spot]}}))
    plan = planner.make_plan(site)
    apart = plan.pits.geometry.distance(Point(spot)).min()
    assert apart <= 3.0
    assert plan.summary["settled_beforehand"]["costs_more"] >= -0.01


def test_the_same_streets_have_the_same_route_however_they_were_found(tmp_path: Path) -> None:
    site = planner.read_site(block(tmp_path))
    graph = build_graph(site, 45.0)
    best = weigh_streets(site, lay_out_what_passes(site, graph, Wish()), Wish()).best
    again = lay_out_streets(site, best.way.graph, Wish(), best.way.use)
    assert [c.xy.tolist() for c in again.given.layout.chains] == [
        c.xy.tolist() for c in best.way.given.layout.chains
    ]


def reasons(plan: planner.Plan) -> dict[str, str]:
    """Why each property is not served."""
    left = plan.connections[~plan.connections["served"].astype(bool)]
    return dict(zip(left["property_id"], left["why_not"], strict=True))


def test_an_island_of_streets_is_told_and_the_rest_is_planned(tmp_path: Path) -> None:
    streets = [line((0, 0), (200, 0), street="South"), line((400, 400), (600, 400), street="Isle")]
    houses = [point(100, 12, property_id="A"), point(500, 412, property_id="I")]
    plan = planner.make_plan(planner.read_site(block(tmp_path, streets=streets, properties=houses)))
    why = reasons(plan)
    assert set(why) == {"I"}
    assert why["I"].startswith("no tie-in: 0 sewers")
    assert "a tie-in at these streets would" in why["I"]


def test_a_tie_in_too_high_says_how_much_lower_would_do(tmp_path: Path) -> None:
    """The houses are taken away that would ask for more depth than cover does."""
    ties = [point(0, 0, tie_in_id="T1", invert_elev_m=99.5)]
    houses = [point(100, 12, property_id="A", floor_elev_m=105.0)]
    high = planner.make_plan(planner.read_site(block(tmp_path, tie_ins=ties, properties=houses)))
    why = reasons(high)["A"]
    lack = float(why.split("lacks least lacks ")[1].split(" m")[0])
    lower = [point(0, 0, tie_in_id="T1", invert_elev_m=99.5 - lack - 0.05)]
    mended = planner.make_plan(planner.read_site(
        block(tmp_path / "mended", tie_ins=lower, properties=houses)
    ))  # fmt: skip
    assert mended.summary["totals"]["served"] == 1


def test_a_tie_in_that_is_full_is_a_breach_with_its_figures(tmp_path: Path) -> None:
    """Nine houses of 2.5 people and 150 L a day, peak 4.5: 0.176 L/s in all."""
    ties = [point(0, 0, tie_in_id="T1", invert_elev_m=96.0, spare_l_per_s=0.1)]
    plan = planner.make_plan(planner.read_site(block(tmp_path, tie_ins=ties)))
    breach = next(one for one in plan.summary["breaches"] if one["rule"] == "spare_l_per_s")
    people = 9 * 2.5 * 150 / 86_400 * 4.5  # the rest is infiltration
    assert people < breach["value"] < 1.5 * people
    assert breach["limit"] == 0.1
    assert breach["remedy"]


def test_what_a_full_tie_in_cannot_take_goes_to_another(tmp_path: Path) -> None:
    ties = [point(0, 0, tie_in_id="T1", invert_elev_m=95.0, spare_l_per_s=0.1),
            point(200, 200, tie_in_id="T2", invert_elev_m=95.0, spare_l_per_s=0.1)]  # fmt: skip
    plan = planner.make_plan(planner.read_site(block(tmp_path, tie_ins=ties)))
    assert plan.summary["totals"]["served"] == len(HOUSES)
    assert {"T1", "T2"} <= set(plan.legs["down_pit"])


def test_a_property_without_a_street_is_told(tmp_path: Path) -> None:
    houses = [point(100, 12, property_id="A"), point(100, 100, property_id="far")]
    plan = planner.make_plan(planner.read_site(block(tmp_path, properties=houses)))
    assert reasons(plan)["far"].startswith("too far: ")


@pytest.mark.parametrize(
    ("listed", "words"), [(100, "all choices of streets listed"), (0, "changes tried")]
)
def test_how_far_the_search_is_can_be_followed(
    plan: planner.Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, listed: int, words: str
) -> None:
    """And a search in place of a list finds the same."""
    monkeypatch.setattr(layout_best, "MOST_LISTED", listed)
    site = planner.read_site(block(tmp_path))
    heard: list[str] = []
    again = planner.make_plan(site, heard.append, on_progress=heard.append)
    assert heard[0] == "layout"
    assert words in heard[1]
    assert again.summary["totals"] == plan.summary["totals"]
    weighed = [words for words in heard if words.startswith("choice of streets")]
    assert weighed[0].startswith("choice of streets 1 of ")
    so_far = [float(words.split()[-2].replace(",", "")) for words in weighed]
    assert so_far == sorted(so_far, reverse=True)
    assert so_far[-1] >= round(again.summary["optimality"]["cost"])
    assert heard.index("legs") < heard.index(weighed[0]) < heard.index("assemble")
