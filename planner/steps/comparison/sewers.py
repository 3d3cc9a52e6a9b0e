"""Says which pits and legs of two plans were added, left out, moved or built otherwise."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np

from planner.steps.comparison.pairing import (
    SAME_PLACE,
    Changed,
    Pairing,
    called,
    in_order,
    natural,
)

SAME_LEVEL = 0.005  # [m] half of the finest grid that levels are printed on, rounded up


def pits_changed(pairing: Pairing) -> Changed:
    """Pits that one plan has and the other has not, moved ones, deeper and shallower ones."""
    if not pairing.placed:
        return []
    first, other = pairing.first.pits, pairing.other.pits
    gone, new = _unpaired([(i, j) for i, j, _ in pairing.pits], len(first), len(other))
    moved, stayed = [], []
    for i, j, apart in pairing.pits:
        now, was = other.iloc[j], first.iloc[i]
        parts = _pit_otherwise(was, now)
        name = called(was["pit_id"], now["pit_id"])
        if apart > SAME_PLACE:
            moved.append(f"{name}: {', '.join([f'by {apart:.1f} m', *parts])}")
        elif parts:
            stayed.append(f"{name}: {', '.join(parts)}")
    return [
        ("Pits added", _places(other, new)), ("Pits left out", _places(first, gone)),
        ("Pits moved", moved), ("Pits that stay, otherwise", stayed),
    ]  # fmt: skip


def _pit_otherwise(was: Any, now: Any) -> list[str]:
    deeper = now["depth_m"] - was["depth_m"]
    parts = []
    if abs(deeper) > SAME_LEVEL:
        parts.append(f"{abs(deeper):.2f} m {'deeper' if deeper > 0 else 'shallower'}")
    lanes = [one["lanes_closed"] for one in (was, now)]
    if np.isfinite(lanes).all() and lanes[0] != lanes[1]:
        parts.append(f"closes {lanes[1]:g} lanes, not {lanes[0]:g}")
    return parts


def _places(frame: gpd.GeoDataFrame, rows: list[int]) -> list[str]:
    name, *_ = frame.columns
    return in_order(
        f"{one[name]}: {one['street']}" if one["street"] else str(one[name])
        for _, one in frame.iloc[rows].iterrows()
    )


def _unpaired(pairs: list[tuple[int, int]], first: int, other: int) -> tuple[list[int], list[int]]:
    """Rows of two layers that are in no pair."""
    used = {i for i, _ in pairs}, {j for _, j in pairs}
    return [i for i in range(first) if i not in used[0]], [
        j for j in range(other) if j not in used[1]
    ]


def legs_changed(pairing: Pairing) -> Changed:
    """Legs that one plan has and the other has not, and those built otherwise."""
    if not pairing.placed:
        return []
    first, other = pairing.first.legs, pairing.other.legs
    gone, new = _unpaired([*pairing.legs, *pairing.turned], len(first), len(other))
    changed = []
    for i, j in sorted((*pairing.legs, *pairing.turned), key=lambda one: _name(other, one[1])):
        was, now = first.iloc[i], other.iloc[j]
        if (i, j) in pairing.turned:
            parts = ["flows the other way"]
        else:
            parts = _leg_otherwise(pairing, was, now)
        if parts:
            changed.append(f"{called(was['leg_id'], now['leg_id'])}: {', '.join(parts)}")
    return [
        ("Legs added", _stretches(other, new)), ("Legs left out", _stretches(first, gone)),
        ("Legs that stay, otherwise", changed),
    ]  # fmt: skip


def _name(legs: gpd.GeoDataFrame, row: int) -> list[tuple[bool, int, str]]:
    return natural(legs["leg_id"].iloc[row])


def _stretches(legs: gpd.GeoDataFrame, rows: list[int]) -> list[str]:
    """Legs with their street and length."""
    return in_order(
        f"{one['leg_id']}: {', '.join(filter(None, (one['street'], _length(one['length_m']))))}"
        for _, one in legs.iloc[rows].iterrows()
    )


def _length(length: float) -> str:
    return f"{length:.1f} m" if np.isfinite(length) else ""


def _leg_otherwise(pairing: Pairing, was: Any, now: Any) -> list[str]:
    """What of a leg between the same pits is otherwise."""
    parts = []
    for end in ("up", "down") if pairing.one_datum else ():
        step = now[f"invert_{end}_m"] - was[f"invert_{end}_m"]
        if abs(step) > SAME_LEVEL:
            parts.append(f"invert {end} {abs(step):.2f} m {'higher' if step > 0 else 'lower'}")
    if (
        now["diameter_mm"] != was["diameter_mm"]
        and np.isfinite([now["diameter_mm"], was["diameter_mm"]]).all()
    ):
        parts.append(f"{was['diameter_mm']:g} mm → {now['diameter_mm']:g} mm")
    if now["method"] != was["method"]:
        parts.append(f"{was['method'] or 'no method'} → {now['method'] or 'no method'}")
    up = [_launches_above(one) for one in (was, now)]
    if None not in up and up[0] != up[1]:
        parts.append(f"driven {'down' if up[1] else 'up'}grade")
    return parts


def _launches_above(leg: Any) -> bool | None:
    """Whether a leg is driven from its upper pit; None where that is not known."""
    if leg["launch_pit"] not in {leg["up_pit"], leg["down_pit"]}:
        return None
    return bool(leg["launch_pit"] == leg["up_pit"])
