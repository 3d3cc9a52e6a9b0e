"""Why no sewer serves something: what cannot hold together, and what relaxing each would take."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.kernels.optimum import find_optimum
from planner.records import Bools, Conflict, Ints, Relaxation
from planner.steps.routing.given import Given
from planner.steps.routing.items import (
    COVER,
    DEPTH,
    DROP,
    PROPERTY,
    SERVICE,
    SLOPE,
    TIE_IN,
    Item,
    name_item,
    relax,
    without_services,
)
from planner.steps.routing.pricing import build_problem

REACH = 12.0  # [m] services farther than this from a chain's centreline do not bind its legs
ALL = {COVER: 10.0, SLOPE: 1.0, DEPTH: 6.0, DROP: 10.0, TIE_IN: 15.0, PROPERTY: 15.0,
       SERVICE: 15.0}  # fmt: skip
# so much is as if the item were not there [m], of a slope [m/m]
FINEST = {SLOPE: 0.0001}  # [m/m]
FINE = 0.02  # [m] relaxations are found to this
HALVINGS = 10


@dataclass(frozen=True, eq=False)
class _Way:
    """The chains from a place down to its tie-in, alone."""

    given: Given
    served: Bools


def explain(given: Given, chain: int, properties: Ints) -> Conflict | None:
    """A set of rules and things that cannot hold together, none of which can be missed.

    The sewer of a chain is looked at alone, from its upper end down to the tie-in. What stays as
    it is: the streets, the right of way, the places where pits can stand and the lengths of legs.

    Parameters
    ----------
    given
        What the route was chosen from.
    chain
        The chain.
    properties
        Properties that are asked for, rows of `Site.properties`.

    Returns
    -------
    The set, its members in a fixed order; `None` where the sewer can be built. No members where it
    cannot be built whatever is left out of those that are looked at.
    """
    way = _way_down(given, chain, properties)
    items = _items_of(way, properties)
    if _holds(way, items):
        return None
    if not _holds(way, []):
        return Conflict((), (), ())
    members = tuple(sorted(_irreducible(items, lambda some: _holds(way, some))))
    return Conflict(
        members, tuple(name_item(given.site, item) for item in members),
        tuple(_relaxation(way, item) for item in members),
    )  # fmt: skip


def hold_together(given: Given, chain: int, properties: Ints, items: Sequence[Item]) -> bool:
    """Whether the sewer of a chain can be built if it need only heed some items."""
    return _holds(_way_down(given, chain, properties), items)


def _way_down(given: Given, chain: int, properties: Ints) -> _Way:
    """A chain as if it began at its upper end, and all below it."""
    chains = given.layout.chains
    numbers = [chain]
    while True:
        below = [i for i, one in enumerate(chains) if one.up == chains[numbers[-1]].down]
        if not below:
            break
        numbers.append(below[0])
    cut = replace(chains[chain], up=-1, head_from=0.0, head_to=chains[chain].length)
    kept = (cut, *(chains[i] for i in numbers[1:]))
    some = replace(
        given,
        layout=replace(given.layout, chains=kept),
        candidates=replace(
            given.candidates, chains=tuple(given.candidates.chains[i] for i in numbers)
        ),
        obstructions=replace(
            given.obstructions, houses=tuple(given.obstructions.houses[i] for i in numbers)
        ),
        piping=replace(given.piping, of_chain=tuple(given.piping.of_chain[i] for i in numbers)),
        slopes=tuple(given.slopes[i] for i in numbers),
    )
    served = np.zeros(len(given.site.properties), bool)
    served[properties] = True
    return _Way(some, served)


def _items_of(way: _Way, properties: Ints) -> list[Item]:
    """Everything that may be left out: rules, the tie-in, properties and services near."""
    rules = [Item(kind) for kind in (COVER, DEPTH, DROP, SLOPE)]
    roots = sorted(way.given.layout.roots.values())
    down = way.given.layout.chains[-1].down
    own = [row for node, row in way.given.layout.roots.items() if node == down] or roots
    found = [*rules, *(Item(TIE_IN, row) for row in own)]
    found += [Item(PROPERTY, int(row)) for row in properties]
    return found + [Item(SERVICE, int(row)) for row in _services_near(way.given)]


def _services_near(given: Given) -> Ints:
    runs = given.obstructions.runs
    near = np.zeros(len(runs.service), bool)
    low = np.minimum(runs.ends[:, :2], runs.ends[:, 2:])
    high = np.maximum(runs.ends[:, :2], runs.ends[:, 2:])
    for chain in given.layout.chains:
        for a, b in zip(chain.xy[:-1], chain.xy[1:], strict=True):
            near |= ((low <= np.maximum(a, b) + REACH) & (high >= np.minimum(a, b) - REACH)).all(
                axis=1
            )
    return np.unique(runs.service[near])


def _holds(way: _Way, items: Sequence[Item]) -> bool:
    """Whether the sewer can be built with only some of the items."""
    given, served = way.given, way.served.copy()
    asked = set(items)
    for kind in (COVER, DEPTH, DROP, SLOPE):
        if Item(kind) not in asked:
            given = relax(given, Item(kind), ALL[kind])
    for tie_in in given.layout.roots.values():
        if Item(TIE_IN, tie_in) not in asked:
            given = relax(given, Item(TIE_IN, tie_in), ALL[TIE_IN])
    for row in np.flatnonzero(served).tolist():
        served[row] = Item(PROPERTY, row) in asked
    near = _services_near(given)
    gone = [int(row) for row in near if Item(SERVICE, int(row)) not in asked]
    given = without_services(given, np.array(gone, np.int64))
    return _can_be_built(given, served)


def _can_be_built(given: Given, served: Bools) -> bool:
    return find_optimum(build_problem(given, served).strict) is not None


def _irreducible(items: list[Item], holds: Callable[[Sequence[Item]], bool]) -> list[Item]:
    """Members of which all are needed for the set to fail, found by halving.

    Junker's scheme: of a half that may be needed, only as much is looked for as still fails with
    the other half in place.
    """

    def search(base: list[Item], new: list[Item], rest: list[Item]) -> list[Item]:
        if new and not holds(base + new):
            return []
        if len(rest) == 1:
            return rest
        first, second = rest[: len(rest) // 2], rest[len(rest) // 2 :]
        of_second = search(base + new, first, second)
        of_first = search(base + new, of_second, first)
        return of_first + of_second

    return search([], [], items)


def _relaxation(way: _Way, item: Item) -> Relaxation:
    """The least by which one item alone must give way, found by halving."""
    most = ALL[item.kind]

    def enough(by: float) -> bool:
        given = relax(way.given, item, by)
        return _can_be_built(given, way.served)

    if not enough(most):
        return Relaxation(item.kind, item.row, name_item(way.given.site, item), None)
    low, high = 0.0, _first_enough(enough, FINEST.get(item.kind, FINE), most)
    for _ in range(HALVINGS):
        if high - low <= FINEST.get(item.kind, FINE):
            break
        middle = (low + high) / 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return Relaxation(item.kind, item.row, name_item(way.given.site, item), high)


def _first_enough(enough: Callable[[float], bool], start: float, most: float) -> float:
    """A value that is enough and at most twice too much."""
    by = 16 * start
    while by < most:
        if enough(by):
            return by
        by *= 2
    return most
