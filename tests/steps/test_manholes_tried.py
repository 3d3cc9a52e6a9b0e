"""Every way to build a short sewer of two legs, tried one by one: with a manhole between or not."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import planner
from planner.kernels.programme import DOWN, UP_TO_LAUNCH
from planner.records import Bools
from planner.search.serving import Wish, lay_out_what_passes
from planner.steps.routing.binding import bind_rows
from planner.steps.routing.chords import lay_all
from planner.steps.routing.given import Bound, Given
from planner.steps.streets import build_graph
from tests.builders import build_site, line, point

STEP = 0.01  # [m] of the printed grid
DROP = 0.03  # [m] least fall straight through a manhole
MOST_DROP, FREE_DROP = 3.0, 0.60  # [m] with and without a drop structure
SPACING, STRAIGHT = 100.0, 0.1  # [m] of manholes, [deg] of a line without one
EXIT, LAUNCH = 0, 1


def project_of(folder: Path, rise: float, tie_in: float) -> Path:
    """A street of one lane, level and then rising, with a house too far for one drive of 90 m."""
    return build_site(
        folder, ground=lambda x, y: 100.0 + rise * np.maximum(x - 60.0, 0.0) + 0.0 * y,
        project={"display_units": "metric"}, tables={"equipment": {"pit_station_step_m": 4.0}},
        streets=[line((0, 0), (130, 0), street="Main", lanes=1, row_width_m=6.0)],
        properties=[point(112, 12, property_id="H")],
        tie_ins=[point(0, 0, tie_in_id="T", invert_elev_m=tie_in)],
    )  # fmt: skip


class Trial:
    """Two legs in a row, the upper first, at every level of the three pits."""

    def __init__(self, given: Given, legs: Bound, high: int, low: int) -> None:
        self.given, self.legs, self.high, self.low = given, legs, high, low
        pits = given.candidates
        self.head, self.middle = int(legs.up[high]), int(legs.up[low])
        root = int(given.tie_in_level[0])
        first = np.ceil((pits.ground[self.head] - 7.6) / STEP)
        self.z = np.arange(first, pits.ground[self.head] / STEP)[:, None]
        self.a = root + np.arange(round(DROP / STEP), round(MOST_DROP / STEP) + 1)[None, :]
        fall = (self.a - root) * STEP
        prices = given.prices
        self.ends = np.where(
            fall > FREE_DROP + 1e-9, prices.drop + prices.drop_depth * fall, 0.0
        ) + self.pit(int(legs.down[low]), EXIT, np.array(root))

    def cost(self, *, manhole: bool) -> float:
        """Least cost over all levels, and both ways to drive the upper leg.

        The pit between launches the lower leg: none may be launched at the tie-in.
        """
        find = self._with_manhole if manhole else self._without
        return min(find(upgrade=True), find(upgrade=False))

    def _with_manhole(self, *, upgrade: bool) -> float:
        """Upper and lower leg hang together by the level of the pit between alone."""
        middle = np.arange(int(self.a.min()), int(self.z.max()))
        arrive = (middle + round(DROP / STEP))[None, :]
        above = np.where(
            self.allows(self.high, self.z, arrive), self._upper(self.z, arrive, upgrade=upgrade),
            np.inf,
        ).min(axis=0)  # fmt: skip
        leave = middle[:, None]
        below = np.where(
            self.allows(self.low, leave, self.a), self._lower(leave, self.a), np.inf
        ).min(axis=1)
        return float((above + below + self.pit(self.middle, LAUNCH, middle)).min())

    def _without(self, *, upgrade: bool) -> float:
        """The pit between stands on the level nearest to the straight line."""
        length = self.legs.length[[self.high, self.low]]
        level = np.rint(self.z - length[0] / length.sum() * (self.z - self.a))
        fits = self.allows(self.high, self.z, level) & self.allows(self.low, level, self.a)
        cost = self._upper(self.z, level, upgrade=upgrade) + self._lower(level, self.a)
        cost = cost + self.pit(self.middle, LAUNCH, level, manhole=False)
        return float(np.where(fits, cost, np.inf).min())

    def _upper(self, z: np.ndarray, arrive: np.ndarray, *, upgrade: bool) -> np.ndarray:
        drive, role = (UP_TO_LAUNCH, EXIT) if upgrade else (DOWN, LAUNCH)
        return self.leg(self.high, drive, z, arrive) + self.pit(self.head, role, z)

    def _lower(self, leave: np.ndarray, a: np.ndarray) -> np.ndarray:
        return self.leg(self.low, DOWN, leave, a) + self.ends

    def allows(self, leg: int, z: np.ndarray, a: np.ndarray) -> Bools:
        legs = self.legs
        fits = (z - a >= legs.falls[leg, 0]) & (z - a <= legs.falls[leg, 1])
        own, rows = legs.row_of[leg], legs.rows
        for k in range(rows.row_start[own], rows.row_start[own + 1]):
            t = rows.row_t[k]
            fits = fits & ((1 - t) * z + t * a <= rows.row_h[k] + 1e-6)
        assert rows.band_start[own] == rows.band_start[own + 1]
        return np.asarray(fits)

    def leg(self, leg: int, drive: int, z: np.ndarray, a: np.ndarray) -> np.ndarray:
        """Length bored x (p + q x mean depth), and the house."""
        ground, legs, prices = self.given.candidates.ground, self.legs, self.given.prices
        up, down = int(legs.up[leg]), int(legs.down[leg])
        upper, lower = (LAUNCH, EXIT) if drive == DOWN else (EXIT, LAUNCH)
        bored = legs.length[leg] - prices.face[up, upper] - prices.face[down, lower]
        depth = (ground[up] - z * STEP + ground[down] - a * STEP) / 2
        per_m = prices.leg[0] + prices.leg_depth[0] * depth
        per_m = per_m + (prices.downgrade if drive == DOWN else 0.0)
        return np.asarray(bored * per_m + self.house(leg))

    def house(self, leg: int) -> float:
        """What a leg's connections cost: its price without bored length."""
        legs, prices = self.legs, self.given.prices
        up, down = int(legs.up[leg]), int(legs.down[leg])
        bored = legs.length[leg] - prices.face[up, LAUNCH] - prices.face[down, EXIT]
        return float(legs.price[leg, DOWN] - bored * (prices.leg[0] + prices.downgrade))

    def pit(self, pit: int, role: int, level: np.ndarray, *, manhole: bool = True) -> np.ndarray:
        prices, costs = self.given.prices, self.given.site.book.costs
        depth = self.given.candidates.ground[pit] - level * STEP
        floor = depth + prices.under[role]
        price = prices.pit[pit, role] + prices.pit_depth[pit, role] * floor
        for least, more in zip(prices.step_depth, prices.step_price, strict=True):
            price = price + np.where(floor >= least, more[role], 0.0)
        if not manhole:
            well = costs.number("manhole_fixed") + costs.number("manhole_per_m") * depth
            price = price - well
        return np.where(floor <= 7.6 + 1e-9, price, np.inf)


def try_all(given: Given) -> dict[bool, float]:
    """Least cost of two legs, with a manhole between and without."""
    served = np.ones(1, bool)
    legs = bind_rows(given, served, lay_all(given, served))
    tops = {int(p) for chain in given.candidates.chains for p in chain.pits[chain.kind == 2]}
    root = int(np.flatnonzero(given.candidates.tie_in >= 0)[0])
    best = {True: np.inf, False: np.inf}
    for low in np.flatnonzero(legs.down == root).tolist():
        for high in np.flatnonzero(legs.down == legs.up[low]).tolist():
            if int(legs.up[high]) not in tops:
                continue
            trial = Trial(given, legs, high, low)
            best[True] = min(best[True], trial.cost(manhole=True))
            if may_do_without(given, legs, high, low):
                best[False] = min(best[False], trial.cost(manhole=False))
    return best


def may_do_without(given: Given, legs: Bound, high: int, low: int) -> bool:
    way = [given.candidates.xy[legs.up[k]] - given.candidates.xy[legs.down[k]] for k in (high, low)]
    turn = abs(np.degrees(np.arctan2(way[0][1], way[0][0]) - np.arctan2(way[1][1], way[1][0])))
    together = legs.length[high] + legs.length[low]
    return bool(turn <= STRAIGHT and together <= SPACING)


@pytest.mark.parametrize(
    ("rise", "tie_in", "stays"),
    [(0.01, 97.0, False), (0.03, 96.0, False), (0.08, 97.0, True), (0.12, 96.0, True)],
)
def test_a_manhole_is_left_out_just_where_that_is_cheapest(
    tmp_path: Path, rise: float, tie_in: float, *, stays: bool
) -> None:
    """Brute force. Up a steep hill a change of slope saves more depth than a manhole costs."""
    site = planner.read_site(project_of(tmp_path, rise, tie_in))
    given = lay_out_what_passes(site, build_graph(site, 45.0), Wish()).given
    best = try_all(given)
    plan = planner.make_plan(site)
    proven = plan.summary["optimality"]
    least = min(best.values())
    assert (best[True] < best[False]) == stays
    assert bool(plan.pits.set_index("pit_id").loc["P1", "manhole"]) == stays
    assert proven["lower_bound"] <= least + 0.01
    assert least - 0.01 <= proven["cost"] <= least + one_level(given)


def one_level(given: Given) -> float:
    """What 130 m of sewer and three pits cost more a level of the grid deeper."""
    prices = given.prices
    rate = 130 * prices.leg_depth.max() + 3 * prices.pit_depth.max()
    return float(rate * STEP)
