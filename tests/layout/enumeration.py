"""The cheapest layout by trying every one of them, with nothing shared but the arrays."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import product

import numpy as np

from planner.kernels.layout_instance import Instance

Choice = dict[int, tuple[int, int]]  # node -> link that leaves it, 0 if it flows to b else 1
INFEASIBLE = math.inf


def cheapest(instance: Instance) -> float:
    """Least price of all layouts, infinite where there is none."""
    best = INFEASIBLE
    for choice in trees(instance):
        least = _carried(instance, choice)
        if least >= best:
            continue
        for ways in served(instance, choice):
            best = min(best, price(instance, choice, ways))
    return best


def trees(instance: Instance) -> Iterator[Choice]:
    """Every way to give nodes an outgoing link so that each ends at a tie-in."""
    links = instance.links
    ties = set(instance.ties.node.tolist())
    options: list[list[tuple[int, int] | None]] = []
    for v in range(len(instance.nodes.top)):
        leaves: list[tuple[int, int] | None] = [None]
        for e in range(len(links.a)):
            for column, up, down in ((0, links.a[e], links.b[e]), (1, links.b[e], links.a[e])):
                if up == v != down and v not in ties and links.may_carry[e, column]:
                    leaves.append((e, column))
        options.append(leaves)
    for leaving in product(*options):
        choice = {v: arc for v, arc in enumerate(leaving) if arc is not None}
        if len({e for e, _ in choice.values()}) == len(choice) and _ends(instance, choice, ties):
            yield choice


def down(instance: Instance, choice: Choice, v: int) -> int:
    e, column = choice[v]
    return int(instance.links.b[e] if column == 0 else instance.links.a[e])


def _ends(instance: Instance, choice: Choice, ties: set[int]) -> bool:
    """Whether going down from every node reaches a tie-in."""
    for first in choice:
        v, steps = first, 0
        while v not in ties:
            if v not in choice or steps > len(choice):
                return False
            v, steps = down(instance, choice, v), steps + 1
    return True


def _carried(instance: Instance, choice: Choice) -> float:
    """Price of what is carried, were it all at the least depth."""
    total = sum(instance.links.price[e, column] for e, column in choice.values())
    return float(total + sum(instance.nodes.price[v] for v in choice))


def served(instance: Instance, choice: Choice) -> Iterator[dict[int, int]]:
    """Every way to serve the required links that are not carried."""
    ends, links = instance.ends, instance.links
    carried = {e for e, _ in choice.values()}
    active = set(choice) | set(instance.ties.node.tolist())
    left = [e for e in np.flatnonzero(links.required).tolist() if e not in carried]
    options = [
        [w for w in range(3)
         if math.isfinite(ends.price[e, w])
         and (math.isinf(ends.into_b[e, w]) or links.b[e] in active)
         and (math.isinf(ends.into_a[e, w]) or links.a[e] in active)]
        for e in left
    ]  # fmt: skip
    for ways in product(*options):
        yield dict(zip(left, ways, strict=True))


def price(instance: Instance, choice: Choice, ways: dict[int, int]) -> float:
    """Price of one layout, infinite where it lies too deep."""
    nodes, links, ends, ties = instance[:4]
    arrivals: dict[int, list[float]] = {}
    total = 0.0
    for e, w in ways.items():
        total += ends.price[e, w]
        for node, level in ((links.b[e], ends.into_b[e, w]), (links.a[e], ends.into_a[e, w])):
            if math.isfinite(level):
                arrivals.setdefault(int(node), []).append(min(level, nodes.top[node]))
    root = {int(v): row for row, v in enumerate(ties.node)}

    def steps(v: int) -> int:
        return 0 if v in root else 1 + steps(down(instance, choice, v))

    for v in sorted(set(choice), key=steps, reverse=True):
        z = min([nodes.top[v], *(level - nodes.drop[v] for level in arrivals.get(v, []))])
        if z < nodes.floor[v] - 1e-9:
            return INFEASIBLE
        e, column = choice[v]
        lower = down(instance, choice, v)
        arrives = min(z - links.fall[e, column], links.cap[e, column], nodes.top[lower])
        arrivals.setdefault(lower, []).append(arrives)
        total += nodes.price[v] + nodes.price_depth[v] * (nodes.top[v] - z)
        mean = ((nodes.top[v] - z) + (nodes.top[lower] - arrives)) / 2
        total += links.price[e, column] + links.price_depth[e, column] * mean
    for v, row in root.items():
        if v in arrivals:
            total += ties.price[row]
            if min(arrivals[v]) - nodes.drop[v] < ties.invert[row] - 1e-9:
                return INFEASIBLE
    return float(total)
