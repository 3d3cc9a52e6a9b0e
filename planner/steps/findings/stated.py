"""Holds the figures that a drawn design states against those that follow from it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd

from planner.steps.findings.finding import Finding, finding
from planner.steps.findings.works import Works

SOURCE = "what follows from the design's geometry, inverts and sizes"
NEAR: dict[str, dict[str, tuple[float, float]]] = {  # by how much, and by what share, it may differ
    "pits": {
        "ground_elev_m": (0.01, 0.0), "invert_elev_m": (0.001, 0.0), "floor_elev_m": (0.01, 0.0),
        "depth_m": (0.02, 0.0), "launches": (0.0, 0.0), "receives": (0.0, 0.0),
        "drop_m": (0.005, 0.0), "cost": (1.0, 0.01),
    },
    "legs": {
        "length_m": (0.01, 0.0), "bored_length_m": (0.02, 0.0), "fall_m": (0.001, 0.0),
        "slope_pct": (0.005, 0.002), "bore_axis_up_m": (0.005, 0.0),
        "bore_axis_down_m": (0.005, 0.0), "min_cover_m": (0.01, 0.0),
        "flow_l_per_s": (0.01, 0.01), "capacity_l_per_s": (0.1, 0.01),
        "velocity_m_per_s": (0.01, 0.01), "velocity_full_m_per_s": (0.01, 0.01),
        "depth_ratio": (0.005, 0.01), "station_down_m": (0.05, 0.0),
        "station_up_m": (0.05, 0.0), "cost": (1.0, 0.01),
    },
}  # fmt: skip
WORDS = {"legs": ("pipe_entry_pit",), "pits": ()}
PRICES = {"cost"}  # differ from book to book: advice
LOADS = {"flow_l_per_s", "velocity_m_per_s", "depth_ratio"}  # hang on which houses join which leg
UNITS = {
    "_m": "m", "_pct": "%", "_l_per_s": "L/s", "_m_per_s": "m/s", "_mm": "mm",
}  # fmt: skip
NAMES = {"pits": "pit_id", "legs": "leg_id"}


def stated_findings(works: Works) -> Iterator[Finding]:
    """Stated figures that are not what follows from the design."""
    for layer, columns in NEAR.items():
        given = works.stated.get(layer)
        if given is None or not len(given):
            continue
        frame = works.frames[layer]
        for column, near in columns.items():
            if column in given.columns:
                yield from _numbers(works, (layer, column), (given, frame), near)
        for column in WORDS[layer]:
            if column in given.columns:
                yield from _words(works, (layer, column), (given, frame))


def _numbers(
    works: Works, what: tuple[str, str], pair: tuple[pd.DataFrame, Any], near: tuple[float, float]
) -> Iterator[Finding]:
    (layer, column), (given, frame) = what, pair
    stated = pd.to_numeric(given[column], errors="coerce").to_numpy(float, na_value=np.nan)
    ours = frame[column].to_numpy(float)
    off = np.abs(stated - ours) > near[0] + near[1] * np.abs(ours) + 1e-9
    for i in np.flatnonzero(off):
        yield _row(works, (layer, column), str(frame[NAMES[layer]].iloc[i]), (stated[i], ours[i]))


def _words(
    works: Works, what: tuple[str, str], pair: tuple[pd.DataFrame, Any]
) -> Iterator[Finding]:
    (layer, column), (given, frame) = what, pair
    for name, stated, ours in zip(
        frame[NAMES[layer]], given[column].tolist(), frame[column].astype(str), strict=True
    ):
        if isinstance(stated, str) and stated.strip() not in {"", ours}:
            row = _row(works, what, str(name), (0.0, 0.0))
            yield row | {"value": stated.strip(), "limit": ours}


def _row(works: Works, what: tuple[str, str], name: str, figures: tuple[float, float]) -> Finding:
    column = what[1]
    advice = column in PRICES or (column in LOADS and "connections" not in works.stated)
    row = finding(works.rules, f"stated_{column}", name, *figures, advice=advice)
    unit = next((UNITS[end] for end in sorted(UNITS, key=len, reverse=True)
                 if column.endswith(end)), "")  # fmt: skip
    return row | {"unit": unit, "source": SOURCE}
