"""How a bore and a service lie to each other where they are nearest."""

from __future__ import annotations

import numpy as np
import pandas as pd

from planner.kernels.clearance import pair_axes
from planner.kernels.strike import BESIDE, CROSSING, ENDING
from planner.model import Floats
from planner.records import Bools, Ints
from planner.steps.clearances.services import Services
from planner.steps.clearances.subjects import SAME, Bores

PARALLEL_DEG = 15.0  # [deg] in plan; below it a bore and a service run alongside


def closest(rows: pd.DataFrame) -> pd.DataFrame:
    """One row for each bore and service: the least clearance, then the lowest station."""
    ties = rows.assign(micron=rows["clearance_m"].round(6))
    ties = ties.sort_values(["bore", "row", "micron", "share", "piece"], kind="stable")
    kept = ties.drop_duplicates(["bore", "row"]).drop(columns="micron")
    return kept.reset_index(drop=True)


def with_lie(rows: pd.DataFrame, services: Services, bores: Bores) -> pd.DataFrame:
    """Rows with how bore and service lie to each other, station and points."""
    bore, piece = rows["bore"].to_numpy(np.int64), rows["piece"].to_numpy(np.int64)
    axis = bores.axis[bore]
    gap, share, along = pair_axes(bores.axis, services.solids, bore, piece)
    way = services.end[piece] - services.start[piece]
    spot = services.start[piece] + along[:, None] * way
    drive = axis[:, 3:6] - axis[:, :3]
    apart = axis[:, :3] + share[:, None] * drive - spot
    meeting = _meeting(drive, way)
    middle = (share > 0) & (share < 1)
    middle &= (along > 0) | ~services.open_start[piece]
    middle &= (along < 1) | ~services.open_end[piece]
    lie = np.where(~meeting | services.point[rows["row"]], BESIDE,
                   np.where(middle, CROSSING, ENDING))  # fmt: skip
    normal = _normal(apart, np.cross(drive, way), gap)
    at = axis[:, :3] + rows["share"].to_numpy()[:, None] * drive
    length = np.hypot(drive[:, 0], drive[:, 1])
    return rows.assign(
        subject=bores.subject[bore], element=bores.element, crossing=meeting, lie=lie,
        station_m=bores.offset[bore] + rows["share"] * length,
        x=at[:, 0], y=at[:, 1],
        service_x=spot[:, 0], service_y=spot[:, 1], service_axis_m=spot[:, 2],
        offset_m=offsets(axis, spot),
        **_lie_figures(services, piece, (axis[:, 6], gap, apart, normal, way)),
    )  # fmt: skip


def offsets(axis: Floats, spot: Floats) -> Floats:
    """Distance in plan of points from bores' axes, left of the flow positive. [m]

    Parameters
    ----------
    axis : (points, 7)
        The bore of each point, from its downstream end. [m]
    spot : (points, 3)
        The points. [m]
    """
    drive, away = axis[:, 3:5] - axis[:, :2], spot[:, :2] - axis[:, :2]
    length = np.hypot(drive[:, 0], drive[:, 1])
    across = away[:, 0] * drive[:, 1] - away[:, 1] * drive[:, 0]
    beside = np.hypot(away[:, 0], away[:, 1])  # of a bore without length in plan
    return np.where(length > SAME, across / np.maximum(length, SAME), beside)


def _meeting(drive: Floats, way: Floats) -> Bools:
    """Whether a bore and a service meet at an angle in plan, rather than run alongside."""
    long = np.hypot(*drive[:, :2].T) * np.hypot(*way[:, :2].T)
    turn = np.abs(drive[:, 0] * way[:, 1] - drive[:, 1] * way[:, 0])
    return np.asarray((long > SAME) & (turn >= np.sin(np.radians(PARALLEL_DEG)) * long))


def _normal(apart: Floats, cross: Floats, gap: Floats) -> Floats:
    """Direction of the shortest way between two axes; their common normal where they meet."""
    touching = gap < 1e-6
    way = np.where(touching[:, None], cross, apart)
    size = np.linalg.norm(way, axis=1)
    upward = np.array([0.0, 0.0, 1.0])
    return np.where(size[:, None] > 0, way / np.where(size > 0, size, 1.0)[:, None], upward)


def _lie_figures(services: Services, piece: Ints, drawn: tuple[Floats, ...]) -> dict[str, Floats]:
    """Columns that `near_probabilities` takes."""
    radius, gap, apart, normal, way = drawn
    row, pipe = services.row[piece], services.radius[piece]
    box = pipe == 0
    wide, high = services.half_width[piece], services.half_height[piece]
    length = np.maximum(np.hypot(way[:, 0], way[:, 1]), SAME)
    across = np.abs(way[:, 0] * normal[:, 1] - way[:, 1] * normal[:, 0]) / length
    extent = radius + np.where(box, across * wide + np.abs(normal[:, 2]) * high, pipe)
    beside = np.hypot(normal[:, 0], normal[:, 1])
    return {
        "gap": gap - extent, "both": 2 * extent,
        "beside": np.hypot(apart[:, 0], apart[:, 1]), "above": np.abs(apart[:, 2]),
        "half_width": np.where(box, wide, 0.0), "half_height": np.where(box, high, 0.0),
        "round": radius + pipe,
        "sigma_normal": np.hypot(
            beside * services.sigma_plan[row], normal[:, 2] * services.sigma_level[row]
        ),
        "sigma_plan": services.sigma_plan[row], "sigma_level": services.sigma_level[row],
    }  # fmt: skip
