"""Sets of legs put end to end, and sorted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from planner.kernels.midway import Rows
from planner.kernels.programme import DRIVES
from planner.records import Ints
from planner.steps.routing.given import Bound, Doubles

COLUMNS = (
    "up", "down", "length", "ways", "strict", "chain", "pipe", "falls", "row_of", "price",
    "price_depth",
)  # fmt: skip
"""Those with one entry a leg."""


def no_doubles() -> Doubles:
    """For legs of one drive alone."""
    none = np.zeros(0, np.int64)
    return Doubles(np.zeros((0, 2), np.int64), none, np.zeros((0, DRIVES)), none, np.zeros(0), none)


def no_rows(sets: int = 1) -> Rows:
    """Sets of rows that bind nothing."""
    starts, one, none = np.zeros(sets + 1, np.int64), np.zeros(1, np.int64), np.zeros(0)
    return Rows(starts, none, none, starts, one, one, none, none)


def join_rows_of(parts: list[Rows]) -> Rows:
    """Sets of rows end to end."""
    if len(parts) < 2:
        return parts[0] if parts else no_rows(0)

    def stack(name: str) -> np.ndarray:
        return np.concatenate([getattr(part, name) for part in parts])

    def starts(name: str, counts: list[int]) -> Ints:
        base = np.cumsum([0, *counts])
        pieces = [getattr(part, name)[:-1] + base[i] for i, part in enumerate(parts)]
        return np.concatenate([*pieces, base[-1:]]).astype(np.int64)

    rows, entries = ([len(getattr(part, name)) for part in parts] for name in ("row_t", "band_t"))
    bands = [len(part.band_low) - 1 for part in parts]
    return Rows(
        starts("row_start", rows), stack("row_t"), stack("row_h"), starts("band_start", bands),
        starts("band_low", entries), starts("band_high", entries), stack("band_t"),
        stack("band_h"),
    )  # fmt: skip


def tighten(rows: Rows, by: float) -> Rows:
    """Sets of rows, what must lie below lower by so much, and what must lie above higher."""
    middle = rows.band_high[:-1]
    below, above = middle - rows.band_low[:-1], rows.band_low[1:] - middle
    sides = np.repeat(np.tile([-by, by], len(below)), np.column_stack([below, above]).ravel())
    return rows._replace(row_h=rows.row_h - by, band_h=rows.band_h + sides)


def order_of(bound: Bound) -> Ints:
    """Legs by lower pit, then upper pit, then size; legs that are alike in these as they stand."""
    pits, sizes = int(bound.down.max(initial=0)) + 1, int(bound.pipe.max(initial=0)) + 1
    key = (bound.down * pits + bound.up) * sizes + bound.pipe
    return np.argsort(key, kind="stable")


def join_columns(parts: list[Bound]) -> dict[str, np.ndarray]:
    """The columns of several sets of legs end to end; their sets of rows must be of one store."""
    if len(parts) == 1:
        return {name: getattr(parts[0], name) for name in COLUMNS}
    return {name: np.concatenate([getattr(part, name) for part in parts]) for name in COLUMNS}


def stack_singles(parts: list[Bound]) -> Bound:
    """Legs of one drive without rows, of all sets in one, sorted."""
    whole = Bound(**join_columns(parts), rows=no_rows(), doubles=no_doubles())
    order = order_of(whole)
    if (order[1:] > order[:-1]).all():
        return whole
    return replace(whole, **{name: getattr(whole, name).take(order, axis=0) for name in COLUMNS})
