"""What can be done about each conflict, and what it costs, the cheapest first."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple, Protocol

import geopandas as gpd
import numpy as np

from planner.model import Figures, Plan, Site
from planner.steps.clearances import prepare_services, unproven_reach

TEST_HOLE, EXPOSE, SUPPORT, PRESSURE, MOVE, AGREE, ELSEWHERE = (
    "dig a test hole", "expose and protect it", "support it in the pit",
    "take a pressure-rated pipe", "have it moved", "agree a protection",
    "another line or level of the connection",
)  # fmt: skip
REGRADE, STREET, PLACE = (
    "other levels of the same pits", "other pits and lanes in this street",
    "another place for the pit",
)  # fmt: skip
SOLVED = (REGRADE, STREET, PLACE)
WAYS = {
    ("clearance_m", "leg"): (REGRADE, STREET, EXPOSE, MOVE),
    ("water_vertical_m", "leg"): (REGRADE, STREET, AGREE, MOVE),
    ("water_horizontal_m", "leg"): (STREET, PRESSURE, AGREE, MOVE),
    ("pit_clearance_m", "pit"): (PLACE, SUPPORT, MOVE),
    ("connection_clearance_m", "connection"): (ELSEWHERE, EXPOSE, MOVE),
    ("water_vertical_m", "connection"): (ELSEWHERE, AGREE, MOVE),
    ("water_horizontal_m", "connection"): (ELSEWHERE, AGREE, MOVE),
}
"""By rule and kind of subject."""
RANK = {"clash": 0, "tight": 1, "unproven": 2}
NOTHING = "nothing found that keeps every rule"
NOT_ASKED = "not worked out"


class Conflict(NamedTuple):
    """A row of the register, as far as ways out hang on it."""

    rule: str
    element: str  # leg, pit or connection
    subject: str
    services: tuple[int, ...]  # rows of the service
    clearance: float  # [m]
    required: float  # that settles it: what is required, and what makes it sure [m]
    severity: str
    length: float  # of the leg [m]


class Answer(NamedTuple):
    """What a way out costs more; None where there is none. Words say what is done."""

    price: float | None
    words: str = ""


class Again(Protocol):
    """Solves again with a conflict out of the way."""

    most: int  # conflicts that it is asked about; the hardest are

    def answer(self, way: str, conflict: Conflict) -> Answer | None:
        """What a way of `SOLVED` costs more than the plan; None where that is not worked out."""


def price_options(site: Site, plan: Plan, again: Again | None = None) -> gpd.GeoDataFrame:
    """Conflicts with their options in words and the price of the cheapest.

    Parameters
    ----------
    site
        The site.
    plan
        The plan.
    again
        Solves again; without it what would have to be solved is named without a price.

    Returns
    -------
    Its layer of conflicts with ``options`` and ``cost`` filled in.
    """
    asked = list(_conflicts(site, plan))
    order = sorted(
        range(len(asked)), key=lambda k: (RANK[asked[k].severity], asked[k].clearance, k)
    )
    hard = [k for k in order if set(WAYS[asked[k].rule, asked[k].element]) & set(SOLVED)]
    wanted = set(hard[: again.most] if again is not None else ())
    seen: dict[tuple[object, ...], Answer | None] = {}
    texts, costs = [""] * len(asked), np.full(len(asked), np.nan)
    for k in order:
        lines = list(_lines(site, asked[k], again if k in wanted else None, seen))
        texts[k] = "; ".join(_words(site, line) for line in sorted(lines, key=_by_price))
        prices = [line[1] for line in lines if line[1] is not None]
        costs[k] = round(min(prices), 2) if prices else np.nan
    return plan.conflicts.assign(options=texts, cost=costs)


def _conflicts(site: Site, plan: Plan) -> Iterator[Conflict]:
    length = dict(zip(plan.legs["leg_id"].astype(str), plan.legs["length_m"], strict=True))
    names = site.utilities["utility_id"].astype(str).to_numpy()
    reach = unproven_reach(prepare_services(site), site.book.rules)
    for row in plan.conflicts.to_dict("records"):
        services = tuple(np.flatnonzero(names == str(row["utility_id"])).tolist())
        unsure = float(reach[list(services)].max()) if row["severity"] == "unproven" else 0.0
        yield Conflict(
            str(row["rule"]), str(row["affects"]).partition(":")[0], str(row["subject"]), services,
            float(row["clearance_m"]), float(row["required_m"]) + unsure, str(row["severity"]),
            float(length.get(str(row["subject"]), 0.0)),
        )  # fmt: skip


Line = tuple[str, float | None, str, bool]  # way, price, words instead of one, more than the plan


def _lines(
    site: Site,
    conflict: Conflict,
    again: Again | None,
    seen: dict[tuple[object, ...], Answer | None],
) -> Iterator[Line]:
    """Ways out of a conflict with their prices."""
    if conflict.severity == "unproven":
        yield TEST_HOLE, site.book.costs.number("test_hole"), "", False
    for way in WAYS[conflict.rule, conflict.element]:
        if way not in SOLVED:
            yield way, _price(site.book.costs, way, conflict), "", way == PRESSURE
            continue
        found = None
        if again is not None:
            key = (way, conflict.subject, conflict.services, conflict.required, conflict.rule)
            if key not in seen:
                seen[key] = again.answer(way, conflict)
            found = seen[key]
        if found is None:
            yield way, None, NOT_ASKED, True
        elif found.price is None:
            yield way, None, found.words or NOTHING, True
        else:
            yield found.words or way, found.price, "", True


def _price(costs: Figures, way: str, conflict: Conflict) -> float | None:
    """Price of a way out that needs no solving; None where it has none."""
    if way == PRESSURE:
        return costs.number("pressure_pipe_per_m") * conflict.length
    named = {
        EXPOSE: ("test_hole", "service_support"), SUPPORT: ("service_support",),
        MOVE: ("service_relocation",),
    }.get(way)  # fmt: skip
    return None if named is None else sum(costs.number(name) for name in named)


def _by_price(line: Line) -> tuple[bool, float]:
    return line[1] is None, line[1] or 0.0


def _words(site: Site, line: Line) -> str:
    way, price, instead, more = line
    if price is None:
        return f"{way} ({instead})" if instead else way
    return f"{way}: {price:{'+' if more else ''},.0f} {site.book.costs.text('currency')}"
