"""The list of conflicts against plain sampling: every pair that is too near, no other, none twice.

Nothing of the planner's own geometry is used: services are points 1 cm apart along their axes, held
against bores, pits and pipes one by one.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pandas as pd
import pytest
from shapely.geometry import LineString, box

from planner.model import Floats, Site
from planner.steps.clearances import Connections, Legs, Pits, find_conflicts, prepare_services
from tests.steps.clearance_site import connections_of, legs_of, one_pit, service, site_of

SEEDS = (1, 2, 3)
STEP, SLACK = 0.01, 0.003  # [m] between points; what sampling may miss
HALF = 0.1  # [m] radius of every service
KINDS = ("water", "gas", "telecom", "reclaimed", "storm")
REQUIRED = {  # the contract's table: kind -> quality A, quality B to D [m]
    "gas": (0.45, 0.90), "water": (0.30, 0.60), "telecom": (0.30, 0.60), "reclaimed": (0.30, 0.60),
    "storm": (0.30, 0.60),
}  # fmt: skip
TOLERANCE = (0.013, 0.025)  # [m] grade, line: which of them may hang on a matter of angle
BOX, FLOOR = (60.0, 30.0, 63.0, 33.0), 96.0
BESIDE, ABOVE = 3.048, 0.4572  # [m] water separation in plan and in level
SMALL = ("clearance_m", "connection_clearance_m", "pit_clearance_m")

Key = tuple[str, str, str]


def place(seed: int) -> tuple[Site, Legs, Pits, Connections]:
    """Thirty services, seven legs, fifteen connections and a pit, anyhow."""
    rng = np.random.default_rng(seed)
    rows = []
    for k in range(30):
        ends = [(*rng.uniform(0, 120, 2), rng.uniform(95.5, 98.5)) for _ in range(2)]
        given: dict[str, Any] = {
            "kind": KINDS[k % 5], "quality": "AB"[k % 2], "utility_id": f"U{k}",
            "status": "abandoned" if k % 7 == 6 else "live",
        }  # fmt: skip
        rows.append(service(LineString(ends), **given))
    ends = [((0, 18 * k, 97.0), (90, 18 * k + 7, 97.4)) for k in range(7)]
    houses = [
        (f"H{k}", (*rng.uniform(0, 100, 2), 97.1), (*rng.uniform(0, 100, 2), 98.2))
        for k in range(15)
    ]
    legs = legs_of([(f"L{k}", *pair) for k, pair in enumerate(ends)], rated=False)
    return site_of(rows), legs, one_pit(box(*BOX), FLOOR), connections_of(houses, rated=False)


@cache
def listed(seed: int) -> pd.DataFrame:
    site, *built = place(seed)
    frame = find_conflicts(site, prepare_services(site), *built).frame
    return frame[["subject", "utility_id", "rule", "severity"]]


def dots(row: Any) -> Floats:
    """Points along a service's axis, whose top is given."""
    start, end = np.array(row.geometry.coords)
    share = np.linspace(0, 1, int(np.hypot(*(end - start)[:2]) / STEP) + 2)[:, None]
    points: Floats = start + share * (end - start) - [0, 0, HALF]
    return points


def to_axis(points: Floats, start: Floats, end: Floats) -> Floats:
    """Distance of points from a straight axis, in as many dimensions as it has. [m]"""
    way = end - start
    share = np.clip((points - start) @ way / (way @ way), 0, 1)[:, None]
    away: Floats = np.linalg.norm(points - start - share * way, axis=1)
    return away


def to_pit(points: Floats) -> Floats:
    """Distance of points from the pit, which reaches from its floor up without end. [m]"""
    low = np.array([BOX[0], BOX[1], FLOOR])
    high = np.array([BOX[2], BOX[3], np.inf])
    away: Floats = np.linalg.norm(np.maximum(np.maximum(low - points, points - high), 0), axis=1)
    return away


@cache
def measured(seed: int) -> dict[Key, tuple[float, float, float]]:
    """Clearance of every pair and the least and most that may be required of it. [m]"""
    site, legs, _, houses = place(seed)
    found = {}
    for row in site.utilities.itertuples():
        points, name = dots(row), str(row.utility_id)
        needed = REQUIRED[row.kind][0 if row.quality == "A" else 1]
        least, most = needed + TOLERANCE[0], needed + TOLERANCE[1]
        for k, leg in enumerate(legs.leg_id):
            gap = to_axis(points, legs.down[k], legs.up[k]).min() - 0.15 - HALF
            found[str(leg), name, "clearance_m"] = (gap, least, most)
        for k, house in enumerate(houses.connection_id):
            gap = to_axis(points, houses.sewer[k], houses.property[k]).min() - 0.075 - HALF
            found[str(house), name, "connection_clearance_m"] = (gap, 0.15, 0.15)
        if row.status == "live":
            found["P1", name, "pit_clearance_m"] = (to_pit(points).min() - HALF, 0.6, 0.6)
    return found


@pytest.mark.parametrize("seed", SEEDS)
def test_every_pair_that_is_too_near_is_listed(seed: int) -> None:
    rows = {tuple(row) for row in listed(seed).query("severity != 'unproven'").to_numpy()[:, :3]}
    near = {key for key, (gap, least, _) in measured(seed).items() if gap < least - SLACK}
    assert len(near) > 20
    assert near <= rows


@pytest.mark.parametrize("seed", SEEDS)
def test_no_pair_is_listed_that_is_far_enough(seed: int) -> None:
    rows = listed(seed).query("severity != 'unproven' and rule in @SMALL").to_numpy()[:, :3]
    far = {key for key, (gap, _, most) in measured(seed).items() if gap > most + SLACK}
    assert not {tuple(row) for row in rows} & far


@pytest.mark.parametrize("seed", SEEDS)
def test_a_pair_is_a_clash_where_the_outsides_overlap(seed: int) -> None:
    gaps = {key: gap for key, (gap, _, _) in measured(seed).items()}
    rows = listed(seed).query("rule in @SMALL").to_numpy()
    told = [(gaps[tuple(row[:3])], row[3] == "clash") for row in rows]
    assert all(clash == (gap < 0) for gap, clash in told if abs(gap) > SLACK)


@pytest.mark.parametrize("seed", SEEDS)
def test_no_subject_service_and_rule_stand_twice(seed: int) -> None:
    assert not listed(seed).duplicated(["subject", "utility_id", "rule"]).any()


# --- water separation


def water_pairs(seed: int) -> dict[tuple[str, str], tuple[bool, bool]]:
    """Of every pipe and live main: whether the rule is surely broken, and whether surely kept.

    The pipes are not pressure-rated: a main below them is too near wherever it is beside.
    """
    site, legs, _, houses = place(seed)
    sunk = np.array([0, 0, 0.05])  # a pipe of 0.2 m on the floor of its bore of 0.3 m
    pipes = [(str(n), legs.down[k] - sunk, legs.up[k] - sunk, 0.1)
             for k, n in enumerate(legs.leg_id)]  # fmt: skip
    pipes += [(str(n), houses.sewer[k], houses.property[k], 0.075)
              for k, n in enumerate(houses.connection_id)]  # fmt: skip
    mains = site.utilities.query("kind in ('water', 'reclaimed') and status == 'live'")
    return {
        (name, str(row.utility_id)): separation(dots(row), (start, end), radius)
        for name, start, end, radius in pipes
        for row in mains.itertuples()
    }


def separation(points: Floats, pipe: tuple[Floats, Floats], radius: float) -> tuple[bool, bool]:
    """By stations 10 cm apart, each against the point of the main that is nearest in plan."""
    start, end = pipe
    count = int(np.linalg.norm(end - start) / 0.1) + 2
    stations = start + np.linspace(0, 1, count)[:, None] * (end - start)
    near = points[to_axis(points[:, :2], start[:2], end[:2]) < BESIDE + 1]
    if not len(near):
        return False, True
    away = np.linalg.norm(stations[:, None, :2] - near[None, :, :2], axis=2)
    nearest = away.argmin(axis=1)
    beside = away[np.arange(count), nearest] - radius - HALF
    rise = near[nearest, 2] - stations[:, 2]
    room = np.where(rise > 0, rise - radius - HALF, -np.inf)
    broken = (beside < BESIDE - 0.02) & (room < ABOVE - 0.02)
    kept = (beside > BESIDE + 0.05) | (room > ABOVE + 0.05)
    return bool(broken.any()), bool(kept.all())


@pytest.mark.parametrize("seed", SEEDS)
def test_every_pipe_that_is_too_near_a_main_is_listed_and_no_other(seed: int) -> None:
    rows = listed(seed).query("rule not in @SMALL")
    told = set(zip(rows["subject"], rows["utility_id"], strict=True))
    pairs = water_pairs(seed)
    broken = {key for key, (is_broken, _) in pairs.items() if is_broken}
    assert {name[0] for name, _ in broken} == {"L", "H"}
    assert broken <= told
    assert not told & {key for key, (_, is_kept) in pairs.items() if is_kept}
