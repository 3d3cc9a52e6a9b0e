"""Says in which streets the sewers of two plans lie otherwise, or flow the other way."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from planner.model import EarlierPlan, Floats
from planner.steps.comparison.pairing import Changed, Pairing, in_order

CORRIDOR = 8.0  # [m] a leg this near to another lies in the same street
ALONG = 0.7  # least cosine between legs that run alike
LEAST = 10.0  # [m] shorter stretches are the corners at pits
SAME_LENGTH = 1.0  # [m] less is not told
NAMELESS = "street without a name"

Rows = NDArray[np.intp]


def streets_changed(pairing: Pairing) -> Changed:
    """Streets with a sewer in one plan only, with more or less of it, and turned round."""
    before, after = _lengths(pairing.first), _lengths(pairing.other)
    both = sorted(set(before) & set(after))
    return [
        ("Streets that get a sewer",
         in_order(f"{s}: {_m(after[s])}" for s in after if s not in before)),
        ("Streets that lose their sewer",
         in_order(f"{s}: {_m(before[s])}" for s in before if s not in after)),
        ("Streets with more or less sewer", in_order(
            f"{s}: {_m(before[s])} → {_m(after[s])}"
            for s in both if abs(after[s] - before[s]) >= SAME_LENGTH)),
        ("Streets that flow the other way", _turned(pairing)),
    ]  # fmt: skip


def _m(length: float) -> str:
    return f"{length:.1f} m"


def street_of(legs: gpd.GeoDataFrame) -> list[str]:
    """Street of each leg."""
    return [street or NAMELESS for street in legs["street"]]


def _lengths(plan: EarlierPlan) -> dict[str, float]:
    """Length of sewer by street. [m]"""
    found = plan.legs.assign(street=street_of(plan.legs)).groupby("street")["length_m"].sum()
    return {str(street): float(length) for street, length in found.items()}


def _turned(pairing: Pairing) -> list[str]:
    """Streets where a leg lies along one of before and flows against it, and how far."""
    if not pairing.placed:
        return []
    was, now = (p.legs.geometry.to_numpy() for p in (pairing.first, pairing.other))
    j, i, cosine = legs_along(was, now)
    against = cosine < 0
    beside = shapely.buffer(was[i[against]], CORRIDOR, cap_style="flat")
    shared = shapely.intersection(now[j[against]], beside)
    streets = np.array(street_of(pairing.other.legs), dtype=object)[j[against]]
    far = {
        street: float(shapely.length(shapely.union_all(shared[streets == street])))
        for street in set(streets.tolist())
    }
    return in_order(f"{s}: {_m(length)}" for s, length in far.items() if length >= LEAST)


def legs_along(those: np.ndarray, these: np.ndarray) -> tuple[Rows, Rows, Floats]:
    """Pairs of legs that lie along each other: rows of these, rows of those, cosine between them.

    Parameters
    ----------
    those, these : (legs,)
        Lines of two points. [m]
    """
    here, there = shapely.STRtree(those).query(these, predicate="dwithin", distance=CORRIDOR)
    cosine = (_directions(these)[here] * _directions(those)[there]).sum(axis=1)
    along = np.abs(cosine) > ALONG
    return here[along], there[along], cosine[along]


def _directions(lines: np.ndarray) -> Floats:
    """Unit vectors along lines of two points, (lines, 2); zero where a line has no length."""
    ends = shapely.get_coordinates(lines).reshape(-1, 2, 2)
    step = ends[:, 1] - ends[:, 0]
    far = np.hypot(step[:, 0], step[:, 1])[:, None]
    return np.asarray(np.divide(step, far, out=np.zeros_like(step), where=far > 0))
