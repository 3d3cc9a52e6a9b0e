"""The layout's search and bound, with depth carried downstream, against goals and references.

The same in one run on one machine: proven optima come from branch and bound on the programme that
`tests.layout` checks against a programme of its own; the Steiner tree is networkx's.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import networkx as nx
import numpy as np
import pytest
from networkx.algorithms.approximation import steiner_tree

from planner.kernels.layout_headroom import find_headroom
from planner.kernels.layout_instance import net_of
from planner.kernels.layout_plan import Effort, find_layout
from planner.kernels.layout_start import grow_by_price
from tests.layout.cases import Place, town
from tests.layout.steiner import Graph, layout_of

PLACES = (
    Place(),
    Place(required=0.3, slope=0.01),
    Place(required=0.5, tie_ins=2, slope=0.008),
)
SEARCH, PROVE = Effort(nodes=0), Effort(nodes=5_000)
ALARM_TIMES = 12.0  # the goal is 20; less, for a machine that does other work
ALARM_SECONDS = 150.0  # the goal is 60; likewise


def best_time(run: Callable[[], object], rounds: int = 5) -> float:
    """Least of several times. [s]"""
    times = []
    for _ in range(rounds):
        begin = time.perf_counter()
        run()
        times.append(time.perf_counter() - begin)
    return min(times)


def block_town(edges: int, share: float) -> Graph:
    """Square blocks with whole prices, and a share of the corners to be joined."""
    rng = np.random.default_rng(1)
    wide = int(np.sqrt(edges / 2)) + 1
    number = np.arange(wide * wide).reshape(wide, wide)
    across = np.column_stack((number[:, :-1].ravel(), number[:, 1:].ravel()))
    along = np.column_stack((number[:-1].ravel(), number[1:].ravel()))
    pairs = np.vstack((across, along))
    joined = rng.choice(wide * wide, int(share * wide * wide), replace=False)
    return Graph(pairs, rng.uniform(50, 200, len(pairs)).round(), joined, wide * wide)


@pytest.mark.parametrize("share", [0.05, 0.2, 0.5])
def test_a_first_tree_is_cheaper_and_faster_than_a_general_steiner_tree(share: float) -> None:
    graph = block_town(10_000, share)
    known = nx.Graph()
    known.add_weighted_edges_from(
        (int(a), int(b), price) for (a, b), price in zip(graph.edges, graph.price, strict=True)
    )
    joined = graph.terminals.tolist()
    theirs = steiner_tree(known, joined)
    net = net_of(layout_of(graph))
    via, served = grow_by_price(net)
    assert served[net.required].all()
    assert net.price[via[via >= 0]].sum() < theirs.size("weight")
    times = best_time(lambda: steiner_tree(known, joined)) / best_time(lambda: grow_by_price(net))
    assert times > ALARM_TIMES


def test_head_room_of_ten_thousand_streets_takes_milliseconds() -> None:
    case = town(10_000, 3, Place(tie_ins=6))
    net = net_of(case)
    find_headroom(net, case.nodes.top)
    assert best_time(lambda: find_headroom(net, case.nodes.top)) < 0.05


@pytest.mark.parametrize("place", PLACES)
def test_a_hundred_and_twelve_streets_are_proven_within_two_hundredths(place: Place) -> None:
    found = find_layout(town(112, 3, place), Effort(changes=200_000))
    assert found.gap <= 0.02


def test_a_thousand_streets_are_proven_within_three_hundredths_in_seconds() -> None:
    found = find_layout(town(1_000, 3), Effort(changes=300_000))
    assert found.gap <= 0.03


@pytest.mark.parametrize("number", [9, 16, 20, 34])
def test_the_search_lies_within_a_hundredth_of_proven_optima(number: int) -> None:
    compare(number)


@pytest.mark.soak
@pytest.mark.parametrize("number", range(60))
def test_the_search_lies_within_a_hundredth_of_sixty_proven_optima(number: int) -> None:
    compare(number)


def compare(number: int) -> None:
    """One of sixty towns of 12 to 180 streets: the search alone against its proven optimum."""
    streets = round(12 * 15 ** (number % 20 / 19))
    case = town(streets, number, PLACES[number % 3])
    found, proven = find_layout(case, SEARCH), find_layout(case, PROVE)
    assert proven.gap < 1e-4
    assert found.cost <= 1.01 * proven.cost


@pytest.mark.soak
@pytest.mark.parametrize("place", [Place(tie_ins=6), Place(required=0.3, slope=0.01, tie_ins=6)])
def test_ten_thousand_streets_are_proven_within_six_hundredths_in_a_minute(place: Place) -> None:
    case = town(10_000, 3, place)
    find_layout(town(30, 1), Effort(changes=1_000))  # compiles
    begin = time.perf_counter()
    found = find_layout(case)
    assert time.perf_counter() - begin < ALARM_SECONDS
    assert found.walked.faults == ()
    assert found.gap <= 0.06
