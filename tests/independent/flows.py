"""Flows summed from the properties up, and Manning's formula solved by bisection."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import brentq

from tests.independent.reading import number, text
from tests.independent.records import RECORD, Case, Finding

RELATIVE = 2e-3  # printed figures are rounded
DAY = 86_400.0  # [s]


@dataclass(frozen=True)
class Load:
    """What drains through a leg."""

    people: float
    average: float  # [L/s]
    infiltration: float  # [L/s]


def peak_factor(people: float, most: float) -> float:
    """Peak over average flow, (18 + sqrt P) / (4 + sqrt P) with P in thousands."""
    root = float(np.sqrt(people / 1000))
    return min((18 + root) / (4 + root), most)


def full_flow(inside: float, slope: float, roughness: float) -> float:
    """Flow of a pipe just full by Manning. [m3/s]"""
    area = np.pi * inside**2 / 4
    return float(area * (inside / 4) ** (2 / 3) * slope**0.5 / roughness)


def part_flow(angle: float, inside: float, slope: float, roughness: float) -> tuple[float, float]:
    """Flow and velocity where the water's surface spans an angle at the centre. [m3/s, m/s]"""
    area = inside**2 / 8 * (angle - np.sin(angle))
    velocity = (area / (inside * angle / 2)) ** (2 / 3) * slope**0.5 / roughness
    return float(area * velocity), float(velocity)


def solve_depth(flow: float, inside: float, slope: float, roughness: float) -> tuple[float, float]:
    """Depth over diameter and velocity of a flow on the rising branch. [-, m/s]"""
    most = 5.278  # [rad] where the flow is greatest, at a depth of 0.938 of the diameter
    if flow <= 0:
        return 0.0, 0.0
    if flow > part_flow(most, inside, slope, roughness)[0]:
        return 1.0, flow / (np.pi * inside**2 / 4)
    angle = brentq(lambda a: part_flow(a, inside, slope, roughness)[0] - flow, 1e-6, most)
    return (1 - np.cos(angle / 2)) / 2, part_flow(angle, inside, slope, roughness)[1]


def loads(case: Case) -> dict[str, Load]:
    """People, flow and infiltration of every leg, from its own connections and all above."""
    people, average = _joining(case)
    legs = {leg.leg_id: leg for leg in case.legs.itertuples()}
    wet = {name: case.rules.number("infiltration_l_per_s_per_km_per_mm") for name in legs}
    result = {}
    for name in legs:
        above = _above(case, name)
        places = above | {legs[a].up_pit for a in above if _first(case, legs[a])}
        result[name] = Load(
            sum(people.get(p, 0.0) for p in places),
            sum(average.get(p, 0.0) for p in places),
            sum(wet[a] * legs[a].length_m / 1000 * legs[a].diameter_mm for a in above),
        )
    return result


def _joining(case: Case) -> tuple[dict[str, float], dict[str, float]]:
    per_person = case.rules.number("flow_per_person_l_per_day") / DAY
    owners = {text(row, "property_id"): row for _, row in case.properties.iterrows()}
    people: dict[str, float] = {}
    average: dict[str, float] = {}
    for row in case.connections[case.connections["served"].astype(bool)].itertuples():
        owner = owners.get(row.property_id, {})
        flow = number(owner, "flow_l_per_s")
        heads = number(owner, "people", 2.5) if np.isnan(flow) else flow / per_person
        people[row.joins] = people.get(row.joins, 0.0) + heads
        average[row.joins] = average.get(row.joins, 0.0) + heads * per_person
    return people, average


def _above(case: Case, leg_id: str) -> set[str]:
    """A leg and all legs that drain through it."""
    found = {leg_id}
    waiting = [leg_id]
    while waiting:
        up_pit = case.legs.loc[case.legs["leg_id"] == waiting.pop(), "up_pit"].iloc[0]
        fresh = set(case.legs.loc[case.legs["down_pit"] == up_pit, "leg_id"]) - found
        found |= fresh
        waiting += sorted(fresh)
    return found


def _first(case: Case, leg: Any) -> bool:
    """Whether a leg takes what joins its upper pit: of two outlets of a summit, the first."""
    names = case.legs.loc[case.legs["up_pit"] == leg.up_pit, "leg_id"]
    return bool(leg.leg_id == names.min())


def check_flows(case: Case) -> Iterator[Finding]:
    """Design peaks are the sum of what joins, times the peak factor, plus infiltration."""
    most = case.rules.number("max_peak_factor")
    for name, load in loads(case).items():
        written = float(case.legs.loc[case.legs["leg_id"] == name, "flow_l_per_s"].iloc[0])
        ours = peak_factor(load.people, most) * load.average + load.infiltration
        if not abs(written - ours) <= RELATIVE * ours + 0.002:
            yield Finding("flow_l_per_s", name, written, ours, RECORD)


def check_hydraulics(case: Case) -> Iterator[Finding]:
    """Capacity, velocities and depth of every leg, and their limits."""
    roughness = case.rules.number("manning_n")
    for leg in case.legs.itertuples():
        inside, slope = leg.inside_diameter_mm / 1000, leg.fall_m / leg.length_m
        full = full_flow(inside, slope, roughness)
        fastest = full / (np.pi * inside**2 / 4)
        ratio, velocity = solve_depth(leg.flow_l_per_s / 1000, inside, slope, roughness)
        yield from _same(leg, "capacity_l_per_s", full * 1000)
        yield from _same(leg, "velocity_full_m_per_s", fastest)
        yield from _same(leg, "velocity_m_per_s", velocity)
        yield from _same(leg, "depth_ratio", ratio)
        yield from _limits(case, leg, (fastest, velocity, ratio))


def _same(leg: Any, column: str, ours: float) -> Iterator[Finding]:
    written = getattr(leg, column)
    if not abs(written - ours) <= RELATIVE * abs(ours) + 0.001:
        yield Finding(column, leg.leg_id, written, ours, RECORD)


def _limits(case: Case, leg: Any, state: tuple[float, float, float]) -> Iterator[Finding]:
    fastest, velocity, ratio = state
    least = case.rules.number("min_velocity_m_per_s")
    most = case.rules.number("max_velocity_m_per_s")
    fullest = case.rules.max_depth_ratio(leg.diameter_mm)
    shear = case.rules.changes.get("self_cleansing") == "shear"
    if fastest < least - 1e-4 and not shear:
        yield Finding("min_velocity_m_per_s", leg.leg_id, fastest, least)
    if velocity > most + 1e-4:
        yield Finding("max_velocity_m_per_s", leg.leg_id, velocity, most)
    if ratio > fullest + 1e-4:
        yield Finding("max_depth_ratio", leg.leg_id, ratio, fullest)
