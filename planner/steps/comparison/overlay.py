"""Lays the sewers of two plans over each other: where both have one, and where only one has."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import shapely

from planner.model import Stretch
from planner.steps.comparison.pairing import Pairing
from planner.steps.comparison.streets import CORRIDOR, legs_along

SHORTEST = 1.0  # [m] shorter stretches are left where legs of the two meet at an angle


def stretches_of(pairing: Pairing) -> tuple[Stretch, ...]:
    """Stretches of two plans in one frame; none of plans that lie apart.

    What both have stands there once, where the first plan has it.
    """
    if not pairing.placed:
        return ()
    first, other = (plan.legs.geometry.to_numpy() for plan in (pairing.first, pairing.other))
    alike, against = _beside(other, first), _beside(first, other)
    found: list[Stretch] = []
    for line, (same, turned) in zip(first, alike, strict=True):
        both = shapely.intersection(line, same)
        found += _cut(line, both, "both")
        found += _cut(line, shapely.intersection(shapely.difference(line, same), turned), "turned")
        found += _cut(line, shapely.difference(line, shapely.union(same, turned)), "first")
    for line, (same, turned) in zip(other, against, strict=True):
        found += _cut(line, shapely.difference(line, shapely.union(same, turned)), "other")
    return tuple(found)


def _beside(those: np.ndarray, these: np.ndarray) -> list[tuple[Any, Any]]:
    """For each of these legs the ground beside those that flow alike, and beside those against."""
    here, there, cosine = legs_along(those, these)
    strips = shapely.buffer(those, CORRIDOR, cap_style="flat")
    return [
        (shapely.union_all(strips[there[(here == k) & (cosine > 0)]]),
         shapely.union_all(strips[there[(here == k) & (cosine < 0)]]))
        for k in range(len(these))
    ]  # fmt: skip


def _cut(line: Any, parts: Any, where: str) -> Iterator[Stretch]:
    """Parts of a straight leg, each from its upper to its lower end."""
    for part in shapely.get_parts(parts):
        if part.length < SHORTEST:
            continue
        ends = shapely.points(shapely.get_coordinates(part)[[0, -1]])
        low, high = sorted(shapely.line_locate_point(line, ends).tolist())
        (x0, y0), (x1, y1) = shapely.get_coordinates(
            shapely.line_interpolate_point(line, [low, high])
        ).tolist()
        yield Stretch(where, ((x0, y0), (x1, y1)), high - low)
