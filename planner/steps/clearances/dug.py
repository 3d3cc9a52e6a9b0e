"""Clearances of pits, which only live services ask for."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely

from planner.kernels.pit_clearance import pit_clearances
from planner.kernels.strike import AT_PIT
from planner.model import Figures, Floats
from planner.records import Bools, Ints
from planner.steps.clearances.judging import judge, unproven_reach
from planner.steps.clearances.lie import closest
from planner.steps.clearances.search import near_in_plan
from planner.steps.clearances.services import Services
from planner.steps.clearances.subjects import PIT, Pits


def pit_rows(services: Services, pits: Pits, rules: Figures, own: Bools) -> pd.DataFrame:
    """Rows of `pit_clearance_m`; only live services count."""
    required = rules.number("pit_clearance_m")
    reach = (required + unproven_reach(services, rules))[services.row]
    rings, owner = rings_of(pits)
    live = services.live[services.row]
    ring, piece = near_in_plan(services, live, reach, _discs(rings, len(owner)))
    clearance, along, beside, below = pit_clearances(services.solids, rings, ring, piece)
    pit, row = owner[ring], services.row[piece]
    rows = pd.DataFrame({
        "bore": pit, "row": row, "piece": piece, "clearance_m": clearance, "share": along,
        "beside": beside, "above": below,
    })  # fmt: skip
    kept = (clearance <= reach[piece]) & ~own[pits.tie_in[pit], row]
    rows = _with_pit_lie(closest(rows[kept]), services, pits)
    rows["required_m"], rows["rule"], rows["measure"] = required, "pit_clearance_m", "3d"
    return judge(rows, rules)


def rings_of(pits: Pits) -> tuple[tuple[Floats, Ints, Floats], Ints]:
    """Outlines of all parts of all footprints with their floors, and the pit of each."""
    parts, owner = shapely.get_parts(pits.footprint, return_index=True)
    outlines = shapely.get_exterior_ring(parts)
    points, ring = shapely.get_coordinates(outlines, return_index=True)
    begin = np.searchsorted(ring, np.arange(len(parts) + 1)).astype(np.int64)
    return (points, begin, pits.floor[owner].astype(float)), owner.astype(np.int64)


def _discs(rings: tuple[Floats, Ints, Floats], count: int) -> Floats:
    """Discs around rings, as bores without length: (rings, 7)."""
    points, begin, _ = rings
    discs = np.zeros((count, 7))
    for k in range(count):
        own = points[begin[k] : begin[k + 1]]
        middle = (own.min(axis=0) + own.max(axis=0)) / 2
        discs[k, (0, 1)] = discs[k, (3, 4)] = middle
        discs[k, 6] = np.hypot(*(own - middle).T).max()
    return discs


def _with_pit_lie(rows: pd.DataFrame, services: Services, pits: Pits) -> pd.DataFrame:
    piece = rows["piece"].to_numpy(np.int64)
    row = rows["row"].to_numpy(np.int64)
    spot = services.start[piece]
    spot = spot + rows["share"].to_numpy()[:, None] * (services.end[piece] - spot)
    beside, below = rows["beside"].to_numpy(), rows["above"].to_numpy()
    size = np.hypot(beside, below)
    level = np.where(size > 0, below / np.where(size > 0, size, 1.0), 0.0)
    sigma = np.hypot(
        np.sqrt(1 - level**2) * services.sigma_plan[row], level * services.sigma_level[row]
    )
    zero = np.zeros(len(rows))
    return rows.assign(
        subject=pits.pit_id[rows["bore"].to_numpy(np.int64)], element=PIT, crossing=False,
        lie=AT_PIT, station_m=np.nan, offset_m=np.nan, x=spot[:, 0], y=spot[:, 1],
        service_x=spot[:, 0], service_y=spot[:, 1], service_axis_m=spot[:, 2],
        gap=rows["clearance_m"], both=zero, half_width=zero, half_height=zero, round=zero,
        sigma_normal=sigma, sigma_plan=services.sigma_plan[row],
        sigma_level=services.sigma_level[row],
    )  # fmt: skip
