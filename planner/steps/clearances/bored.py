"""Clearances of legs and connections in 3D."""

from __future__ import annotations

import numpy as np
import pandas as pd

from planner.model import Figures, Floats
from planner.records import Bools
from planner.steps.clearances.judging import judge, unproven_reach
from planner.steps.clearances.lie import closest, with_lie
from planner.steps.clearances.search import index_services, nearest_services
from planner.steps.clearances.services import Services
from planner.steps.clearances.subjects import Bores


def bore_rows(services: Services, bores: Bores, rules: Figures, own: Bools) -> pd.DataFrame:
    """Rows of `clearance_m` or `connection_clearance_m`."""
    required, across, alongside = _required(services, bores, rules)
    reach = required + max(across, alongside) + unproven_reach(services, rules)
    near = nearest_services(index_services(services, reach[services.row]), bores.axis)
    row = services.row[near.piece]
    kept = bores.shortened[near.subject] == own[bores.tie_in[near.subject], row]
    pairs = pd.DataFrame({
        "bore": near.subject, "row": row, "piece": near.piece,
        "clearance_m": near.clearance, "share": near.share,
    })  # fmt: skip
    rows = with_lie(closest(pairs[kept]), services, bores)
    tolerance = np.where(rows["crossing"], across, alongside)
    rows["required_m"] = required[rows["row"].to_numpy(np.int64)] + tolerance
    rows["rule"], rows["measure"] = bores.rule, "3d"
    return judge(rows, rules)


def _required(services: Services, bores: Bores, rules: Figures) -> tuple[Floats, float, float]:
    """Clearance required from each service, and what is added where it crosses or runs along."""
    if bores.rule != "clearance_m":
        return np.full(len(services.kind), rules.number(bores.rule)), 0.0, 0.0
    across, alongside = (rules.number(f"{name}_tolerance_mm") for name in ("grade", "line"))
    return services.required, across / 1000, alongside / 1000
