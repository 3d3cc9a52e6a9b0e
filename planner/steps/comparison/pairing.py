"""Says which pits and legs of two plans belong together: those that stand in the same place."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely

from planner.model import EarlierPlan

SAME_PLACE = 1.0  # [m] nearer than this a pit stands where it stood
MOVED = 5.0  # [m] and up to this it was moved
GRAIN = 6  # places of a metre to which distances are told apart
TIE_IN = "tie-in"

Changed = list[tuple[str, list[str]]]


@dataclass(frozen=True, eq=False)
class Pairing:
    """Two plans, and what of them belongs together, by row number; each row at most once."""

    first: EarlierPlan
    other: EarlierPlan
    one_datum: bool  # whether their levels are over one datum, as far as they say
    placed: bool = False  # whether the two lie in one frame
    pits: tuple[tuple[int, int, float], ...] = ()  # row, row, distance [m]
    legs: tuple[tuple[int, int], ...] = ()
    turned: tuple[tuple[int, int], ...] = ()  # legs that flow the other way


def pair(first: EarlierPlan, other: EarlierPlan) -> Pairing:
    """Pair the pits and legs of two plans.

    Parameters
    ----------
    first, other
        The plans. Without a common frame nothing is paired.
    """
    placed = first.legs.crs is None and other.legs.crs is None
    datums = {datum_of(plan) for plan in (first, other)} - {""}
    if not placed:
        return Pairing(first, other, len(datums) < 2)
    pits = pair_pits(first.pits, other.pits)
    names = [frame["pit_id"].tolist() for frame in (first.pits, other.pits)]
    was = {names[1][j]: names[0][i] for i, j, _ in pits}
    legs, turned = _pair_legs(first.legs, other.legs, was)
    return Pairing(
        first, other, len(datums) < 2, placed=True,
        pits=tuple(pits), legs=tuple(legs), turned=tuple(turned),
    )  # fmt: skip


def datum_of(plan: EarlierPlan) -> str:
    """Vertical datum of a plan; "" where it names none."""
    return str((plan.summary.get("shown_in") or {}).get("vertical_datum") or "")


def pair_pits(first: gpd.GeoDataFrame, other: gpd.GeoDataFrame) -> list[tuple[int, int, float]]:
    """Pairs of pits within reach of each other, the nearest first, tie-ins with tie-ins only.

    Of pairs that lie equally far apart, the one whose names come first in the alphabet goes first,
    whichever plan is called the first.
    """
    mine, theirs = first.geometry.to_numpy(), other.geometry.to_numpy()
    i, j = shapely.STRtree(theirs).query(mine, predicate="dwithin", distance=MOVED)
    apart = np.round(shapely.distance(mine[i], theirs[j]), GRAIN)
    of = [(frame["pit_id"].tolist(), frame["kind"] == TIE_IN) for frame in (first, other)]
    near = sorted(
        (float(d), sorted((of[0][0][a], of[1][0][b])), a, b)
        for a, b, d in zip(i.tolist(), j.tolist(), apart, strict=True)
        if of[0][1].iloc[a] == of[1][1].iloc[b]
    )
    pairs, used = [], (set[int](), set[int]())
    for distance, _, a, b in near:
        if a not in used[0] and b not in used[1]:
            pairs.append((a, b, distance))
            used[0].add(a)
            used[1].add(b)
    return sorted(pairs, key=lambda one: natural(of[0][0][one[0]]))


def _pair_legs(
    first: gpd.GeoDataFrame, other: gpd.GeoDataFrame, was: dict[str, str]
) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
    """Legs between the same pits: those that flow as before, and those that do not."""
    before: dict[tuple[str, str], int] = {}
    for i, ends in enumerate(zip(first["up_pit"], first["down_pit"], strict=True)):
        before.setdefault(ends, i)
    same, turned = [], []
    for j, (up, down) in enumerate(zip(other["up_pit"], other["down_pit"], strict=True)):
        ends = was.get(up, ""), was.get(down, "")
        if not all(ends):
            continue
        if ends in before:
            same.append((before.pop(ends), j))
        elif ends[::-1] in before:
            turned.append((before.pop(ends[::-1]), j))
    return same, turned


def natural(text: object) -> list[tuple[bool, int, str]]:
    """Key by which A2 comes before A10.

    Examples
    --------
    >>> sorted(["A10", "B1", "A2"], key=natural)
    ['A2', 'A10', 'B1']
    """
    parts = re.findall(r"[0-9]{1,18}|[^0-9]+", str(text))
    return [(p[0] not in "0123456789", int(p) if p[0] in "0123456789" else 0, p) for p in parts]


def called(before: object, now: object) -> str:
    """Name of a thing in both plans."""
    return f"{before}" if str(before) == str(now) else f"{before} (now {now})"


def in_order(lines: Iterable[str]) -> list[str]:
    """Lines in the order of their names and numbers."""
    return sorted(lines, key=natural)
