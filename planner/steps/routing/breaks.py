"""Where no legs can pass, and which floors lie below every possible sewer."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import numpy as np
import shapely

from planner.kernels.optimum import Instance, find_reached
from planner.kernels.pairs import BOTTOM, ORDINARY, TOP
from planner.kernels.programme import Filled
from planner.model import Floats
from planner.records import Ints, Layout
from planner.steps.routing.given import GUARD, SHORTER, Given
from planner.steps.routing.pricing import build_problem
from planner.steps.routing.turning import branches_of

REACH_BACK = 3.0  # [m] a leg between candidates may pass this much nearer to a house


@dataclass(frozen=True)
class Break:
    """A chain that no string of legs passes, and the station it cannot get below. [m]"""

    chain: int
    station: float
    alone: bool  # it arrives, but not together with the strings that meet it there


def find_breaks(given: Given) -> tuple[Break, ...]:
    """Where no legs can pass, whatever houses they serve; none where all streets can be joined.

    Of strings that each arrive at a junction but cannot meet there, the one that serves fewest is
    named.
    """
    instance = build_problem(given, np.zeros(len(given.site.properties), bool)).strict
    filled = find_reached(instance)
    branch = branches_of(given)
    breaks = []
    meeting: dict[int, list[int]] = defaultdict(list)
    for number, pits in enumerate(given.candidates.chains):
        above = pits.kind != BOTTOM
        reached = filled.reached[pits.pits] > 0
        if not (reached & (pits.kind == TOP)).any():
            if given.layout.chains[number].up < 0:
                head = given.layout.chains[number].head_from
                breaks.append(Break(number, _last_head(given, instance, number, head), alone=False))
            continue
        if _arrives(instance, filled, pits.pits[~above], branch[number]):
            meeting[given.layout.chains[number].down].append(number)
        else:
            station = float(pits.station[above & reached].min())
            station = min(station, _last_head(given, instance, number, station))
            breaks.append(Break(number, station, alone=False))
    for node, numbers in meeting.items():
        pits = given.candidates.chains[numbers[0]]
        own = pits.pits[pits.kind == BOTTOM]
        all_arrive = len(numbers) == sum(chain.down == node for chain in given.layout.chains)
        if all_arrive and not (filled.reached[own] > 0).any():
            fewest = min(numbers, key=lambda n: (len(upstream_properties(given.layout, n)), n))
            breaks.append(Break(fewest, 0.0, alone=True))
    return tuple(breaks)


def _last_head(given: Given, instance: Instance, number: int, limit: float) -> float:
    """Station from which no head pit below a limit is near enough to a property. [m]

    A head may stop as far short of the last property as the chain's own limit says.
    """
    chain, pits = given.layout.chains[number], given.candidates.chains[number]
    leaves = np.isin(pits.pits, instance.legs.up) & (pits.kind == ORDINARY)
    below = pits.station[leaves & (pits.station < limit)]
    if chain.up >= 0 or not len(chain.properties):
        return limit
    short_of = float(chain.property_stations.max()) - chain.head_from
    return float(below.max()) + short_of + GUARD if len(below) else 0.0


def _arrives(instance: Instance, filled: Filled, pits: Ints, branch: int) -> bool:
    for pit in pits:
        groups = instance.groups
        first, last = groups.in_start[pit], groups.in_start[pit + 1]
        if (filled.arrived[first:last] & (groups.in_branch[first:last] == branch)).any():
            return True
    return False


def upstream_properties(layout: Layout, number: int) -> Ints:
    """Properties of a chain and of all chains that drain into it."""
    chains = layout.chains
    found = [chains[number].properties]
    if chains[number].up >= 0:
        for other, chain in enumerate(chains):
            if chain.down == chains[number].up:
                found.append(upstream_properties(layout, other))
    return np.concatenate(found)


def floor_limits(given: Given, property_xy: Floats) -> tuple[Floats, dict[int, str]]:
    """How far each property's drain lies above the lowest sewer that could be, and why below.

    The lowest sewer falls at its least slope straight to the tie-in, without a drop or crossing:
    a property below it cannot be served by any plan in these streets.

    Parameters
    ----------
    given
        What the route is chosen from.
    property_xy : (properties, 2)
        Where connections start. [m]

    Returns
    -------
    margin : (properties,)
        Infinite for a property on no chain. [m]
    reasons
        The words for those below 0.
    """
    margin = np.full(len(property_xy), np.inf)
    reasons = {}
    root = given.lowest_root
    for number, chain in enumerate(given.layout.chains):
        houses, pipe = given.obstructions.houses[number], given.pipes_of(number)[0]
        pits = given.candidates.chains[number].pits
        nearest = shapely.distance(
            shapely.points(houses.xy), shapely.multipoints(given.candidates.xy[pits])
        )
        slope = SHORTER * given.least_slope(number)
        low = root + SHORTER * (given.layout.lowest[chain.down] - root)
        low = low + slope * chain.property_stations + pipe.inside / 2
        arrives = houses.invert - houses.slope * np.maximum(0.0, nearest - REACH_BACK)
        for row, value in zip(chain.properties, arrives - low, strict=True):
            margin[row] = value
            if value < 0:
                reasons[int(row)] = (
                    f"floor too low: the lowest sewer that reaches the tie-in passes "
                    f"{-value:.2f} m above where it would drain; a sewer that much deeper at the "
                    f"tie-in, or a pump"
                )
    return margin, reasons
