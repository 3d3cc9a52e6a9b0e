"""Changes to an instance that must not change the answer, or only in one way."""

from __future__ import annotations

import numpy as np
import pytest

from planner.kernels.layout_instance import Ends, Instance, Links, Nodes, TieIns
from planner.kernels.layout_plan import Effort, Found, find_layout
from tests.layout.cases import Place, town

SEEDS = range(4)


def optimum(case: Instance) -> Found:
    """The best layout, proven by branch and bound."""
    return find_layout(case, Effort(changes=20_000, rounds=1, nodes=2_000))


def case_of(seed: int) -> Instance:
    return town(36, 20 + seed, Place(required=0.6))


def relabelled(case: Instance, seed: int) -> Instance:
    """Nodes and links in another order, every other link from its other end."""
    rng = np.random.default_rng(seed)
    place = rng.permutation(len(case.nodes.top))  # old number -> new
    nodes = Nodes(*(column[np.argsort(place)] for column in case.nodes))
    order = rng.permutation(len(case.links.a))
    links = Links(*(column[order].copy() for column in case.links))
    ends = Ends(*(table[order].copy() for table in case.ends))
    a, b = place[links.a], place[links.b]
    turn = np.arange(len(order)) % 2 == 1
    for table in (links.may_carry, links.fall, links.cap, links.price, links.price_depth):
        table[turn] = table[turn][:, ::-1]
    ends.price[turn] = ends.price[turn][:, [1, 0, 2]]
    into_a, into_b = ends.into_a.copy(), ends.into_b.copy()
    ends.into_b[turn], ends.into_a[turn] = (
        into_a[turn][:, [1, 0, 2]],
        into_b[turn][:, [1, 0, 2]],
    )
    links = links._replace(a=np.where(turn, b, a), b=np.where(turn, a, b))
    return case._replace(
        nodes=nodes, links=links, ends=ends, ties=case.ties._replace(node=place[case.ties.node])
    )


def with_street(case: Instance, a: int, b: int, price: float) -> Instance:
    """One more street, without frontage."""
    links, ends = case.links, case.ends
    level = min(case.nodes.top[a], case.nodes.top[b])
    row = Links(
        np.array([a]), np.array([b]), np.array([100.0]), np.array([False]), np.zeros(1),
        np.ones((1, 2), bool), np.full((1, 2), 0.4), np.full((1, 2), level),
        np.full((1, 2), price), np.full((1, 2), 7_000.0),
    )  # fmt: skip
    none = np.full((1, 3), np.inf)
    return case._replace(
        links=Links(*(np.concatenate(pair) for pair in zip(links, row, strict=True))),
        ends=Ends(*(np.vstack((table, none)) for table in ends)),
    )


def split(case: Instance, link: int) -> Instance:
    """A street without frontage in two halves that meet at a node without a pit or a drop."""
    nodes, links = case.nodes, case.links
    new = len(nodes.top)
    node = Nodes(*(np.append(column, value) for column, value in zip(
        nodes, (200.0, 0.0, 0.0, 0.0, 0.0), strict=True)))  # fmt: skip
    halves = Links(*(column.copy() for column in links))
    for table in (halves.fall, halves.price):
        table[link] /= 2
    halves.length[link] /= 2
    second = Links(*(column[[link]].copy() for column in halves))
    far, near = halves.cap[link].copy(), 200.0
    b = int(halves.b[link])
    halves.b[link] = second.a[0] = new
    second.b[0] = b
    halves.cap[link], second.cap[0] = [near, far[1]], [far[0], near]
    none = np.full((1, 3), np.inf)
    return case._replace(
        nodes=node,
        links=Links(*(np.concatenate(pair) for pair in zip(halves, second, strict=True))),
        ends=Ends(*(np.vstack((table, none)) for table in case.ends)),
    )  # fmt: skip


@pytest.mark.parametrize("seed", SEEDS)
def test_other_numbers_and_directions_give_the_same_price(seed: int) -> None:
    case = case_of(seed)
    one, other = optimum(case), optimum(relabelled(case, seed))
    assert other.cost == pytest.approx(one.cost, rel=1e-5)
    assert other.bound == pytest.approx(one.bound, rel=1e-5)


@pytest.mark.parametrize("seed", SEEDS)
def test_another_datum_gives_the_same_layout(seed: int) -> None:
    case = case_of(seed)
    up = 10.0
    raised = Instance(
        case.nodes._replace(top=case.nodes.top + up, floor=case.nodes.floor + up),
        case.links._replace(cap=case.links.cap + up),
        case.ends._replace(into_b=case.ends.into_b + up, into_a=case.ends.into_a + up),
        TieIns(case.ties.node, case.ties.invert + up, case.ties.spare, case.ties.price),
        case.classes,
    )
    assert optimum(raised).cost == pytest.approx(optimum(case).cost, rel=1e-5)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_useless_street_changes_nothing(seed: int) -> None:
    case = case_of(seed)
    more = with_street(case, 3, 11, 1e9)
    assert optimum(more).cost == pytest.approx(optimum(case).cost, rel=1e-5)


@pytest.mark.parametrize("seed", SEEDS)
def test_another_street_never_makes_the_best_dearer(seed: int) -> None:
    case = case_of(seed)
    more = optimum(with_street(case, 3, 11, 50_000.0))
    assert more.cost <= optimum(case).cost * (1 + 1e-5)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_street_in_two_halves_costs_what_it_cost_whole(seed: int) -> None:
    case = case_of(seed)
    link = int(np.flatnonzero(~case.links.required)[seed])
    case.links.price[link] = 20_000.0  # so that it is worth using
    case.links.price_depth[link] = 0.0
    assert optimum(split(case, link)).cost == pytest.approx(optimum(case).cost, rel=1e-5)


@pytest.mark.parametrize("seed", SEEDS)
def test_prices_in_another_currency_scale(seed: int) -> None:
    case = case_of(seed)
    nodes, links, ends, ties = case[:4]
    scaled = Instance(
        nodes._replace(price=nodes.price * 7, price_depth=nodes.price_depth * 7),
        links._replace(price=links.price * 7, price_depth=links.price_depth * 7),
        ends._replace(price=ends.price * 7),
        ties._replace(price=ties.price * 7),
        case.classes,
    )
    assert optimum(scaled).cost == pytest.approx(7 * optimum(case).cost, rel=1e-5)
