"""The programme against two other solvers and against every plan there is, on random instances."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from planner.steps.candidates import place
from tests.builders import line, point
from tests.judge.brute import solve_brute
from tests.judge.cpsat import solve_cpsat
from tests.judge.edge_cases import EDGES, one_leg
from tests.judge.instance_file import Arrays, read_instance, write_instance
from tests.judge.milp import solve_milp
from tests.judge.ours import solve_ours
from tests.judge.random_instances import Measure, random_instance
from tests.judge.sites import given_of_site, instance_of_site

FEW, MANY = 24, 200
TINY = Measure(strings=1, stations=1, offsets=2, span=8, sizes=1, blocked=0.0)
FORKED = Measure(strings=2, stations=1, offsets=1, span=6, sizes=1, bands=0.2, contact=0.2)
SAME = 1e-6  # of the cost


def is_same(one: float, other: float) -> bool:
    return one == other or math.isclose(one, other, rel_tol=SAME, abs_tol=SAME)


def require_agreement(arrays: Arrays) -> float:
    """Equal optima of all three, each plan priced again by the judge, and nothing broken."""
    ours, breaks = solve_ours(arrays)
    milp, cpsat = solve_milp(arrays), solve_cpsat(arrays)
    assert milp.proven
    assert cpsat.proven
    assert breaks == []
    assert is_same(ours, milp.cost), f"{ours} against {milp.cost} by HiGHS"
    assert is_same(ours, cpsat.cost), f"{ours} against {cpsat.cost} by CP-SAT"
    return ours


@pytest.mark.parametrize("seed", range(FEW))
def test_two_other_solvers_find_the_same_optimum(seed: int) -> None:
    require_agreement(random_instance(seed))


@pytest.mark.soak
@pytest.mark.parametrize("seed", range(FEW, MANY))
def test_two_other_solvers_find_the_same_optimum_of_many(seed: int) -> None:
    require_agreement(random_instance(seed))


@pytest.mark.soak
@pytest.mark.parametrize("seed", range(MANY, MANY + 20))
def test_two_other_solvers_find_the_same_optimum_of_larger_ones(seed: int) -> None:
    require_agreement(random_instance(seed, Measure(strings=4, offsets=2, span=20)))


def test_the_walk_back_breaks_nothing_on_hundreds_of_instances() -> None:
    """The judge prices each plan of the programme again, as its tables do."""
    costs = []
    for seed in range(1000, 1500):
        cost, breaks = solve_ours(random_instance(seed))
        assert breaks == [], seed
        costs.append(cost)
    assert 0.1 * len(costs) < np.isinf(costs).sum() < 0.5 * len(costs)


def test_a_tenth_and_more_of_the_instances_have_no_plan() -> None:
    none = sum(math.isinf(solve_ours(random_instance(seed))[0]) for seed in range(MANY))
    assert 0.1 * MANY <= none <= 0.5 * MANY


def test_the_instances_hold_what_they_are_meant_to_hold() -> None:
    """Trees, bands, drops by size, contacts at both ends and steps of depth among the first few."""
    some = [random_instance(seed) for seed in range(FEW)]
    assert sum((a["pits_branches"] > 1).any() for a in some) > FEW / 4
    assert sum(a["legs_band_start"][-1] > 0 for a in some) > FEW / 2
    for t in (0.0, 1.0):
        assert sum((a["legs_row_t"] == t).any() for a in some) > FEW / 2
        assert sum((a["legs_band_t"] == t).any() for a in some) > FEW / 4
    assert sum((a["groups_turn_drop"] > 0).any() for a in some) > FEW / 2
    assert sum(len(a["pits_step_depth"]) > 0 for a in some) > FEW / 4


@pytest.mark.parametrize("seed", range(40))
def test_no_plan_of_a_tiny_instance_is_cheaper(seed: int) -> None:
    arrays = random_instance(seed, TINY)
    assert is_same(solve_ours(arrays)[0], solve_brute(arrays))


@pytest.mark.parametrize("seed", range(14))
def test_no_plan_of_a_tiny_tree_is_cheaper(seed: int) -> None:
    arrays = random_instance(seed, FORKED)
    assert is_same(solve_ours(arrays)[0], solve_brute(arrays))


@pytest.mark.parametrize("name", EDGES)
def test_a_leg_at_the_edge_of_what_it_may_do(name: str) -> None:
    edge = EDGES[name]
    assert require_agreement(edge.arrays) == pytest.approx(edge.cost)


@pytest.mark.parametrize("seed", range(40))
def test_a_row_that_touches_whole_levels_lets_them_pass(seed: int) -> None:
    """Contact anywhere along a leg, very near its ends too, high over the datum.

    The row goes through levels z and a exactly; the leg may run there, and one level higher at
    neither end where the row has a say.
    """
    rng = np.random.default_rng(seed)
    t = float(rng.choice([10.0 ** -rng.uniform(0.5, 12), 1 - 10.0 ** -rng.uniform(0.5, 12)]))
    a = 30_000 + int(rng.integers(0, 5))
    z = a + int(rng.integers(0, 9))
    arrays = one_leg(rows=[(0.0, 1e9), (t, (1 - t) * z + t * a), (1.0, a)], level=a, z=(z, z))
    assert solve_ours(arrays)[0] < math.inf
    assert solve_brute(arrays) < math.inf


STREET = [line((0, 0), (80, 0), street="Main Street")]
BEND = [line((0, 0), (30, 0), (55, 5), (70, 14), street="Bent Street")]
FORK = [
    line((0, 0), (40, 0), (80, 0), street="Main Street"),
    line((40, 0), (40, 40), street="Side Street"),
]
CELLAR = point(62, 12, property_id="C", floor_elev_m=98.9)
ROW = [point(x, -12, property_id=f"H{x}") for x in (15, 35, 55)]
ASIDE = point(52, 34, property_id="S")
CROSSED = [
    line((45, -20), (47, 20), kind="storm", depth_m=1.9, diameter_m=0.4, quality="A"),
    line((22, -20), (20, 20), kind="gas", depth_m=1.4, quality="B"),
]
SITES: dict[str, dict[str, Any]] = {
    "a street with a cellar": {"streets": STREET, "properties": [*ROW, CELLAR]},
    "a bend under services": {"streets": BEND, "properties": ROW, "utilities": CROSSED},
    "a fork": {"streets": FORK, "properties": [*ROW, ASIDE], "utilities": CROSSED},
}


@pytest.mark.parametrize("name", SITES)
def test_an_instance_of_a_site_is_judged_alike(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """Pits every 20 m instead of 2 m, so that the other solvers need no more than seconds."""
    monkeypatch.setattr(place, "station_step", lambda _: 20.0)
    layers = {"project": {"display_units": "metric"}, **SITES[name]}
    arrays = instance_of_site(given_of_site(tmp_path, **layers))
    assert require_agreement(arrays) < math.inf


def test_the_file_gives_back_what_was_written(tmp_path: Path) -> None:
    arrays = random_instance(3)
    write_instance(tmp_path / "instance.npz", arrays)
    read = read_instance(tmp_path / "instance.npz")
    assert read.keys() == arrays.keys()
    assert all(np.array_equal(read[name], arrays[name]) for name in arrays)


def test_another_format_is_refused(tmp_path: Path) -> None:
    np.savez(tmp_path / "other.npz", format=np.array("something else"))
    with pytest.raises(ValueError, match="something else"):
        read_instance(tmp_path / "other.npz")
