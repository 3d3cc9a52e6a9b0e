"""Instances of one leg whose answer is worked out by hand."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from tests.judge.instance_file import Arrays

Rows = Sequence[tuple[float, float]]
GROUND = 30.0


class Edge(NamedTuple):
    """An instance and its cost."""

    arrays: Arrays
    cost: float


def one_leg(
    rows: Rows = (), bands: Sequence[tuple[Rows, Rows]] = (), level: int = 8,
    z: tuple[int, int] = (10, 20), arrive: int = 4, falls: tuple[int, int] = (0, 100),
) -> Arrays:  # fmt: skip
    """Pit 0 is the head, pit 1 the root; the leg costs 10 and 1 for each level of depth.

    Both pits cost 0.5 for each level of depth. The leg may arrive up to ``arrive`` levels over the
    root's; up to 4 are free.
    """
    parts = [part for band in bands for part in band]
    starts = np.cumsum([0] + [len(part) for part in parts])
    whole = {
        "roots": [1], "pits_low": [z[0], level], "pits_high": [z[1], level],
        "pits_arrive_high": [z[1], level + arrive], "pits_branches": [0, 1],
        "groups_out_start": [0, 1, 2], "groups_in_start": [0, 0, 1], "groups_in_branch": [0],
        "groups_turn_start": [0, 0, 1], "groups_turn_in": [0], "groups_turn_drop": [0],
        "legs_start": [0, 0, 1], "legs_up": [0], "legs_out_group": [0], "legs_in_group": [0],
        "legs_least_fall": [falls[0]], "legs_most_fall": [falls[1]],
        "legs_rows": [0], "legs_row_start": [0, len(rows)], "legs_band_start": [0, len(bands)],
        "legs_band_low": starts[::2], "legs_band_high": [*starts[1::2], starts[-1]],
        "drops_free": 4, "drops_most": 9,
    }  # fmt: skip
    real = {
        "pits_ground": [GROUND, GROUND], "pits_price": np.zeros((2, 2)),
        "pits_price_depth": np.full((2, 2), 0.5), "pits_price_head": [0.0, np.inf],
        "pits_step_depth": [], "pits_step_price": np.zeros((0, 2)), "pits_under": [0.0, 0.0],
        "legs_price": np.full((1, 4), 10.0), "legs_price_depth": np.full((1, 4, 2), 1.0),
        "legs_row_t": [t for t, _ in rows], "legs_row_h": [h for _, h in rows],
        "legs_band_t": [t for part in parts for t, _ in part],
        "legs_band_h": [h for part in parts for _, h in part],
        "drops_price": 5.0, "drops_price_level": 1.0,
    }  # fmt: skip
    arrays = {name: np.asarray(value, np.int64) for name, value in whole.items()}
    return arrays | {name: np.asarray(value, np.float64) for name, value in real.items()}


def cost_at(z: int, a: int) -> float:
    """Cost of the leg at two levels: its own, and both pits."""
    return 10.0 + (GROUND - z) + (GROUND - a) + 0.5 * (GROUND - z) + 0.5 * (GROUND - 8)


FAR = ((0.0, 100.0), (1.0, 100.0))
EDGES = {
    # shallow is cheap: the highest levels that are left
    "no rows at all": Edge(one_leg(), cost_at(20, 12)),
    "a row at the lower pit alone": Edge(one_leg(rows=[(1.0, 9.0)]), cost_at(20, 9)),
    "a row at the upper pit alone": Edge(one_leg(rows=[(0.0, 15.0)]), cost_at(15, 12)),
    # the service lies over the root: a must be 11 or more, and it is
    "a band at the lower pit, passed above": Edge(
        one_leg(FAR, [([(1.0, 5.0)], [(1.0, 11.0)])]), cost_at(20, 12)
    ),
    # a may only be 9 or less, so the leg passes below: z + a <= 22, and a level of z saves more
    "a band at the lower pit, passed below": Edge(
        one_leg(FAR, [([(0.5, 11.0)], [(0.5, 12.5), (1.0, 11.0)])], arrive=1), cost_at(14, 8)
    ),
    # z must be 11 or less, or 18 or more: 18 and more is cheaper
    "a band at the upper pit": Edge(
        one_leg(FAR, [([(0.0, 11.0)], [(0.0, 18.0)])]), cost_at(20, 12)
    ),
    # the same, and a fall of 4 at most: z <= 16, so 11 and a = 11 at most
    "a band at the upper pit and a small fall": Edge(
        one_leg(FAR, [([(0.0, 11.0)], [(0.0, 18.0)])], falls=(0, 4)), cost_at(11, 11)
    ),
    "a band that holds below at the lower pit": Edge(
        one_leg(FAR, [([(1.0, 12.0)], [(1.0, 40.0)])]), cost_at(20, 12)
    ),
    "a band of which nothing passes below": Edge(
        one_leg(FAR, [([(0.0, -np.inf)], [(0.0, 13.0), (1.0, 12.0)])]), cost_at(20, 12)
    ),
    "no ground": Edge(one_leg(rows=[(0.0, -np.inf)]), np.inf),
    "two bands end to end": Edge(
        one_leg(FAR, [([(0.0, 12.0)], [(0.0, 16.0)]), ([(0.0, 16.0)], [(0.0, 21.0)])]),
        cost_at(16, 12),
    ),
}
