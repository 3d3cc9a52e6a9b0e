"""People, and the flows that they and the ground send through pipes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from planner.kernels.peaks import design_peak, people_equivalents, sum_down
from planner.model import Floats, RuleBook, Site
from planner.records import Route

LITRES = 1000.0  # per cubic metre
DAY = 86_400.0  # [s]
M_MM = 1e-6  # [m3/s per m and mm] of one L/s per km and mm
ROUNDING = 1e-9  # relative


@dataclass(frozen=True, eq=False)
class FlowLoads:
    """What drains through pipes; each (pipes,)."""

    people: Floats  # at the end of the design life, given flows counted as people
    average: Floats  # [m3/s]
    infiltration: Floats  # [m3/s]
    peak: Floats  # [m3/s] design peak
    present_peak: Floats  # [m3/s] with the people of now


def unit_flow(book: RuleBook) -> float:
    """Average flow of one person, in m3/s."""
    return book.rules.number("flow_per_person_l_per_day") / LITRES / DAY


def people_of(site: Site) -> Floats:
    """People at each property now; a given flow counts as the people who would make it."""
    flow = site.properties["flow_l_per_s"].to_numpy(float) / LITRES
    people = site.properties["people"].to_numpy(float)
    return people_equivalents(people, flow, unit_flow(site.book))


def load_pipes(
    book: RuleBook, people: ArrayLike, length_size: ArrayLike, parent: ArrayLike
) -> FlowLoads:
    """Design flows of the pipes of a tree.

    Parameters
    ----------
    book
        Rules.
    people : (pipes,)
        People who join each pipe itself now, given flows counted as people; those who join on a
        leg count as if they joined at its upper end.
    length_size : (pipes,)
        Length times nominal size of each pipe, for infiltration. [m mm]
    parent : (pipes,)
        Number of the pipe that each flows into, -1 where it leaves the tree.

    Raises
    ------
    ValueError
        Where pipes flow in a circle.
    """
    rules = book.rules
    now = sum_down(people, parent)
    future = now * rules.number("future_people_factor")
    rate = rules.number("infiltration_l_per_s_per_km_per_mm") * M_MM
    leak = sum_down(length_size, parent) * rate
    most, one = rules.number("max_peak_factor"), unit_flow(book)
    return FlowLoads(
        people=future,
        average=future * one,
        infiltration=leak,
        peak=design_peak(future, future * one, leak, most),
        present_peak=design_peak(now, now * one, leak, most),
    )


def load_legs(site: Site, route: Route) -> FlowLoads:
    """Design flows of the legs of a route; who joins a leg counts as joining at its upper end."""
    own = np.zeros(len(route.leg_length))
    served = route.property_leg >= 0
    np.add.at(own, route.property_leg[served], people_of(site)[served])
    leaving = {int(pit): leg for leg, pit in enumerate(route.leg_up)}
    parent = [leaving.get(int(pit), -1) for pit in route.leg_down]
    return load_pipes(site.book, own, route.leg_length * route.leg_nominal, parent)


def peak_of(book: RuleBook, people: float, length_size: float) -> float:
    """Design peak of people and of infiltration over a length times nominal size, in m3/s."""
    return float(load_pipes(book, [people], [length_size], [-1]).peak[0])


def people_within(book: RuleBook, peak: float) -> float:
    """Most people whose design peak, infiltration left aside, is no greater than one in m3/s."""
    low, high = 0.0, 1.0
    while peak_of(book, high, 0.0) <= peak:
        low, high = high, 2.0 * high
    while high - low > ROUNDING * high:
        middle = (low + high) / 2
        low, high = (middle, high) if peak_of(book, middle, 0.0) <= peak else (low, middle)
    return low


def find_impossible_loads(site: Site) -> list[dict[str, Any]]:
    """Breach for every property whose stated people or flow is negative; see the ledger."""
    names = dict(zip(site.properties["row"].tolist(), site.properties["property_id"], strict=True))
    units = {"people": "people", "flow_l_per_s": "L/s"}
    return [
        {"rule": entry.column, "subject": str(names.get(row, f"row {row}")), "value": value,
         "limit": 0.0, "unit": units[entry.column], "severity": "breach",
         "source": "properties layer",
         "remedy": f"state {entry.column} of 0 or more in {entry.file}, row {row}; "
         "until then the usual people are taken"}
        for entry in site.ledger
        if entry.layer == "properties" and entry.kind == "doubt" and entry.column in units
        for row, value in zip(entry.rows, entry.values, strict=False)
        if value < 0
    ]  # fmt: skip
