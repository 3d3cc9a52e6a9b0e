"""The pipes of a manhole that a leg drains into, which it cannot keep clear of."""

from __future__ import annotations

import numpy as np

from planner.model import Site
from planner.records import Bools
from planner.steps.clearances.services import Services
from planner.steps.clearances.subjects import MANHOLE_MARGIN, Legs

DRAIN_KINDS = ("sewer", "storm")


def find_own_pipes(site: Site, services: Services) -> Bools:
    """Which sewers and storm drains end in the manhole of a tie-in: (tie-ins + 1, rows)."""
    drain = np.isin(services.kind.astype(str), DRAIN_KINDS) & ~services.point
    own = np.zeros((len(site.tie_ins) + 1, len(services.kind)), bool)  # the last: no tie-in
    for k, (spot, diameter) in enumerate(
        zip(site.tie_ins.geometry, site.tie_ins["manhole_diameter_m"], strict=True)
    ):
        for ends, is_open in (
            (services.start, services.open_start), (services.end, services.open_end),
        ):  # fmt: skip
            away = np.hypot(ends[:, 0] - spot.x, ends[:, 1] - spot.y)
            inside = is_open & (away <= diameter / 2 + MANHOLE_MARGIN)
            own[k, services.row[inside]] = True
    return own & drain


def name_own_pipes(
    site: Site, services: Services, legs: Legs, own: Bools
) -> tuple[tuple[str, str, str], ...]:
    """Leg, service and tie-in of each pipe of a manhole that a leg drains into."""
    tie_ins = site.tie_ins["tie_in_id"].astype(str).tolist()
    return tuple(
        (str(legs.leg_id[leg]), str(services.utility_id[row]), tie_ins[tie_in])
        for leg, tie_in in enumerate(legs.tie_in)
        if tie_in >= 0
        for row in np.flatnonzero(own[tie_in])
    )
