"""What a street costs the search for a layout: sums by the metre, drawn from the price seam."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.model import Floats, RuleBook
from planner.records import Candidates, ChainPipe, Prices

SPACING = 0.75  # of the longest leg: how far apart pits usually stand
LAUNCH_SHARED = 4  # most legs that one launch pit serves
GENERIC = ((0.0, False), (1.0, False), (0.0, True), (1.0, True))  # lanes closed, in a junction


@dataclass(frozen=True)
class Tariff:
    """Prices of sewers by the metre of street, pits between the nodes included.

    A metre of sewer costs ``per_m + per_m_depth x depth``; a pit ``pit + pit_depth x depth``, with
    depths from the ground to the invert in metres.
    """

    per_m: float
    per_m_depth: float
    pit: float  # of a pit that stands alone, as at a head
    pit_depth: float
    junction: float  # more for a pit in a junction of streets
    spacing: float  # of pits [m]
    longest: float  # leg [m]


def generic_places() -> Candidates:
    """Places that stand for all others: in a verge or a lane, in a street or a junction."""
    n = len(GENERIC)
    nowhere = np.zeros((n, 2))
    return Candidates(
        xy=nowhere, ground=np.zeros(n), flow=nowhere, fine=np.zeros(n, bool),
        lanes=np.array([lanes for lanes, _ in GENERIC]), street=np.zeros(n, np.int64),
        tie_in=np.full(n, -1), junction=np.array([junction for _, junction in GENERIC]),
        chains=(),
    )  # fmt: skip


def usual_tariff(book: RuleBook, prices: Prices, pipe: int) -> Tariff:
    """Prices as they usually come out.

    Parameters
    ----------
    book
        Rules.
    prices
        Prices of `generic_places` and of pipes.
    pipe
        The pipe.
    """
    longest = book.rules.number("max_leg_length_m")
    face = float(prices.face[0].sum())
    under = prices.under
    pit = float((prices.pit[1] + prices.pit_depth[1] * under).mean())
    rate = float(prices.pit_depth[1].mean())
    leg, depth = float(prices.leg[pipe]), float(prices.leg_depth[pipe])
    spacing = SPACING * longest
    share = 1.0 - face / spacing
    return Tariff(
        leg * share, depth * share, pit, rate, float((prices.pit[3] - prices.pit[1]).mean()),
        spacing, longest,
    )  # fmt: skip


def least_price(
    book: RuleBook, prices: Prices, pipes: tuple[ChainPipe, ...], manhole: tuple[float, float]
) -> float:
    """Price of a metre of sewer that no pits and legs can undercut.

    A leg of length l costs at least ``p (l - f) + P``: by the metre least where it is longest.
    ``f`` is what the pits take off its bore, ``P`` its upper pit and its share of a launch pit. A
    manhole stands at least at every longest spacing of manholes.

    Parameters
    ----------
    book
        Rules.
    prices
        Prices of `generic_places` and of pipes.
    pipes
        The pipes.
    manhole
        Of the price of a pit: the fixed sum and the rate by depth that its manhole makes up.
    """
    rules = book.rules
    longest = rules.number("max_leg_length_m")
    depth = _least_depth(book, pipes)
    leg = float((prices.leg + prices.leg_depth * depth).min())
    exit_pit = float((prices.pit[:, 0] + prices.pit_depth[:, 0] * (depth + prices.under[0])).min())
    launch = float((prices.pit[:, 1] + prices.pit_depth[:, 1] * (depth + prices.under[1])).min())
    more = max(0.0, launch - exit_pit) / LAUNCH_SHARED
    well = manhole[0] + manhole[1] * depth
    one = max(0.0, min(exit_pit, launch) - well + more - leg * 2 * float(prices.face.max()))
    return leg + one / longest + well / max(rules.number("max_manhole_spacing_m"), longest)


def _least_depth(book: RuleBook, pipes: tuple[ChainPipe, ...]) -> float:
    """Depth of the invert of the pipe that lies shallowest. [m]"""
    return float(min(depths_of(book, pipes)))


def depths_of(book: RuleBook, pipes: tuple[ChainPipe, ...]) -> Floats:
    """Depth of each pipe's invert where its bore just has the cover it needs. [m]"""
    rules = book.rules
    return np.array([
        max(rules.number("min_cover_m"), rules.number("min_cover_bore_diameters") * p.bore)
        + max(p.bore, p.outside) - (p.outside - p.inside) / 2
        for p in pipes
    ])  # fmt: skip
