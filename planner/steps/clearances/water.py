"""Water separation of legs and connections, station by station."""

from __future__ import annotations

import numpy as np
import pandas as pd

from planner.kernels.clearance import pair_clearances
from planner.kernels.separation import separations
from planner.model import Figures, Floats
from planner.records import Bools
from planner.steps.clearances.judging import probabilities
from planner.steps.clearances.lie import closest, offsets, with_lie
from planner.steps.clearances.search import near_in_plan
from planner.steps.clearances.services import Services
from planner.steps.clearances.subjects import SAME, Bores


def water_rows(services: Services, bores: Bores, rules: Figures) -> pd.DataFrame:
    """Rows of `water_vertical_m` and `water_horizontal_m`."""
    limits = (rules.number("water_horizontal_m"), rules.number("water_vertical_m"))
    pairs = _water_pairs(services, bores, limits[0])
    begin = np.flatnonzero(~pairs.duplicated(["bore", "row"]).to_numpy())
    bounds = np.append(begin, len(pairs)).astype(np.int64)
    piece = pairs["piece"].to_numpy(np.int64, copy=True)
    main = np.ascontiguousarray(services.solids[piece][:, :8])
    bore = pairs["bore"].to_numpy(np.int64, copy=True)
    figures = separations(bores.pipe, (main, bounds), bore[begin], limits)
    clearance, share = pair_clearances(bores.axis, services.solids, bore, piece)
    rows = closest(pairs.assign(clearance_m=clearance, share=share))
    rows = with_lie(rows, services, bores).assign(apart=lambda r: r["clearance_m"])
    rows["strike_probability"] = probabilities(rows, np.zeros(len(rows)))
    rows["below_probability"] = np.nan
    return _beside_station(_water_findings(rows, figures, limits, bores), services, bores)


def _water_pairs(services: Services, bores: Bores, limit: float) -> pd.DataFrame:
    """Pieces of water mains that may be within the limit of each pipe in plan."""
    reach = np.full(len(services.row), limit)
    water = services.water[services.row]
    subject, piece = near_in_plan(services, water, reach, bores.pipe)
    pairs = pd.DataFrame({"bore": subject, "piece": piece})
    pairs["row"] = services.row[pairs["piece"].to_numpy(np.int64, copy=True)]
    whole: pd.DataFrame = pairs[~bores.shortened[pairs["bore"].to_numpy(np.int64, copy=True)]]
    return whole.sort_values(["bore", "row", "piece"]).reset_index(drop=True)


def _water_findings(
    rows: pd.DataFrame, figures: Floats, limits: tuple[float, float], bores: Bores
) -> pd.DataFrame:
    """What fails of each pair.

    Levels too near: `water_vertical_m`; but where the main stays beside the pipe at the same
    level, neither above nor below it, `water_horizontal_m`. A main far enough below a pipe that
    is not pressure-rated: `water_horizontal_m`. A connection clashes with a main only where they
    touch.
    """
    vertical, at_vertical, beside, at_beside, under, at_under = figures.T
    failing = vertical < limits[1] - SAME
    level = failing & (vertical < 0) & (beside >= 0)
    rated = bores.pressure_rated[rows["bore"].to_numpy(np.int64)]
    unrated = ~level & ~rated & np.isfinite(under)
    parts = [
        _water_part(rows, failing & ~level, (vertical, at_vertical), bores, "water_vertical_m"),
        _water_part(rows, level, (beside, at_beside), bores, "water_horizontal_m"),
        _water_part(rows, unrated, (under, at_under), bores, "water_horizontal_m"),
    ]
    joined = pd.concat(parts, ignore_index=True)
    needed = np.where(joined["rule"] == "water_vertical_m", limits[1], limits[0])
    touches = (joined["apart"] < 0) | (bores.rule == "clearance_m")
    clash = (joined["rule"] == "water_vertical_m") & (joined["clearance_m"] < 0) & touches
    severity = np.where(clash, "clash", "tight")
    return joined.assign(required_m=needed, severity=severity)


def _water_part(
    rows: pd.DataFrame, use: Bools, found: tuple[Floats, Floats], bores: Bores, rule: str
) -> pd.DataFrame:
    rows = rows[use]
    axis = bores.axis[rows["bore"].to_numpy(np.int64)]
    share = found[1][use]
    drive = axis[:, 3:6] - axis[:, :3]
    return rows.assign(
        clearance_m=found[0][use], rule=rule,
        measure=rule.removeprefix("water_").removesuffix("_m"),
        station_m=share * np.hypot(drive[:, 0], drive[:, 1]),
        x=axis[:, 0] + share * drive[:, 0], y=axis[:, 1] + share * drive[:, 1],
    )  # fmt: skip


def _beside_station(rows: pd.DataFrame, services: Services, bores: Bores) -> pd.DataFrame:
    """Rows with the point of the main that is nearest in plan to the station that decides."""
    spot, piece = np.empty((len(rows), 3)), rows["piece"].to_numpy(np.int64, copy=True)
    at = rows[["x", "y"]].to_numpy(float)
    for k, row in enumerate(rows["row"]):
        near = services.pieces_of(row)
        start = services.start[near]
        way = services.end[near] - start
        square = np.maximum((way[:, :2] ** 2).sum(axis=1), SAME**2)
        share = np.clip(((at[k] - start[:, :2]) * way[:, :2]).sum(axis=1) / square, 0.0, 1.0)
        points = start + share[:, None] * way
        least = int(np.argmin(np.hypot(*(points[:, :2] - at[k]).T)))
        spot[k], piece[k] = points[least], near[least]
    return rows.assign(
        piece=piece, service_x=spot[:, 0], service_y=spot[:, 1], service_axis_m=spot[:, 2],
        offset_m=offsets(bores.axis[rows["bore"].to_numpy(np.int64)], spot),
    )  # fmt: skip
