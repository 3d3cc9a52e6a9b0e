"""Holds the tie-ins that are used against their records: level, angle, room and high water."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from planner.kernels.turns import wrap
from planner.steps.findings.finding import ROUNDING, Finding, finding
from planner.steps.findings.manholes import drop_structure, fall_through, least_drop
from planner.steps.findings.works import Works

FROM_OUTLET = 90.0  # [deg] a new inlet stands at least this far from the outlet


def tie_in_findings(works: Works) -> Iterator[Finding]:
    """Spare capacity, high water, and how each leg arrives at a tie-in."""
    records = works.site.tie_ins.to_dict("records")
    for pit, row in enumerate(works.route.pit_tie_in.tolist()):
        inlets = works.inlets(pit)
        if row < 0 or not inlets:
            continue
        for leg in inlets:
            yield from _arrives(works, (pit, records[row]), leg)
        yield from _takes(works, (pit, records[row]), inlets)


def _takes(works: Works, at: tuple[int, dict[str, Any]], inlets: list[int]) -> Iterator[Finding]:
    """Spare capacity and high water."""
    pit, record = at
    name, legs = works.route.pit_id[pit], works.frames["legs"].iloc[inlets]
    arriving, lowest = float(legs["flow_l_per_s"].sum()), float(legs["invert_down_m"].min())
    spare, water = record["spare_l_per_s"], record["high_water_elev_m"]
    if arriving > spare + ROUNDING:
        yield finding(works.rules, "spare_l_per_s", name, arriving, spare)
    if lowest < water - ROUNDING:
        yield finding(works.rules, "high_water_elev_m", name, lowest, water, advice=True)


def _arrives(works: Works, at: tuple[int, dict[str, Any]], leg: int) -> Iterator[Finding]:
    """Invert and angle of a leg into its manhole."""
    pit, record = at
    rules, name = works.rules, works.route.pit_id[pit]
    arriving = {"with": works.route.leg_id[leg]}
    bearing = float(record["outlet_bearing_deg"])
    turn = 0.0 if np.isnan(bearing) else _turn(works, leg, bearing)
    if 180.0 - turn < FROM_OUTLET - ROUNDING:
        row = finding(rules, "tie_in_inlet_deg", name, 180.0 - turn, FROM_OUTLET)
        yield row | arriving
    elif turn > rules.number("max_turn_deg") + ROUNDING:
        yield finding(rules, "max_turn_deg", name, turn, rules.number("max_turn_deg")) | arriving
    drop = fall_through(works, leg, works.route.pit_level[pit])
    outlet = np.nan_to_num(float(record["outlet_diameter_mm"])) / 1000
    wider = max(0.0, outlet - float(works.route.leg_inside[leg]))
    least = least_drop(rules, turn) + wider
    if drop < least - ROUNDING:
        yield finding(rules, "min_manhole_drop_m", name, drop, least) | arriving
    yield from drop_structure(works, name, leg, drop)


def _turn(works: Works, leg: int, bearing: float) -> float:
    """Change of direction from a leg to the outlet, whose bearing is clockwise from north. [deg]"""
    return abs(float(wrap(np.array(90.0 - bearing - works.direction(leg)))))
