"""Sets of legs put end to end, and sorted."""

from __future__ import annotations

import numpy as np

from planner.records import Ints
from planner.steps.routing.given import Bound

PLAIN = (
    "up", "down", "length", "ways", "strict", "chain", "pipe", "falls", "price", "price_depth",
    "between", "rounding",
)  # fmt: skip
"""Columns with one entry a leg that say nothing of other legs."""
OTHERS = ("parts", "steeper")
"""Columns that name other legs by number, -1 for none."""


def join_bounds(parts: list[Bound]) -> Bound:
    """Legs of all sets in one; what is said of legs by number holds in the set so made.

    The numbers in `OTHERS` of a set must already be those of the whole.
    """

    def stack(name: str) -> np.ndarray:
        return np.concatenate([getattr(part, name) for part in parts])

    def starts(name: str, ends: str) -> Ints:
        base = np.cumsum([0] + [len(getattr(part, ends)) for part in parts])
        pieces = [getattr(part, name)[:-1] + base[i] for i, part in enumerate(parts)]
        return np.concatenate([*pieces, base[-1:]]).astype(np.int64)

    bands = np.cumsum([0] + [len(part.band_low) - 1 for part in parts])
    band_start = np.concatenate(
        [part.band_start[:-1] + bands[i] for i, part in enumerate(parts)] + [bands[-1:]]
    )
    plain = {name: stack(name) for name in (*PLAIN, *OTHERS, "row_t", "row_h", "band_t", "band_h")}
    return Bound(
        **plain, row_start=starts("row_start", "row_t"), band_start=band_start.astype(np.int64),
        band_low=starts("band_low", "band_t"), band_high=starts("band_high", "band_t"),
    )  # fmt: skip


def sort_by_lower_pit(b: Bound) -> Bound:
    """The same legs sorted by lower pit, then upper pit, then pipe, doubles last."""
    order = np.lexsort((b.steeper, b.between, b.parts[:, 1], b.pipe, b.up, b.down))
    rows, row_start = _take(b.row_start, order)
    bands, band_start = _take(b.band_start, order)
    low, high, end = b.band_low[:-1][bands], b.band_high[:-1][bands], b.band_low[1:][bands]
    count = end - low
    new = np.concatenate([[0], np.cumsum(count)]).astype(np.int64)
    entries = np.repeat(low - new[:-1], count) + np.arange(new[-1])
    place = np.empty(len(order) + 1, np.int64)
    place[order], place[-1] = np.arange(len(order)), -1
    return Bound(
        **{name: getattr(b, name)[order] for name in PLAIN},
        **{name: place[getattr(b, name)[order]] for name in OTHERS},
        row_start=row_start, row_t=b.row_t[rows], row_h=b.row_h[rows], band_start=band_start,
        band_low=new, band_high=np.append(new[:-1] + (high - low), new[-1]),
        band_t=b.band_t[entries], band_h=b.band_h[entries],
    )  # fmt: skip


def _take(start: Ints, order: Ints) -> tuple[Ints, Ints]:
    """Entries of variable-length lists in a new order of their owners, and the new starts."""
    count = np.diff(start)[order]
    new = np.concatenate([[0], np.cumsum(count)]).astype(np.int64)
    return np.repeat(start[:-1][order] - new[:-1], count) + np.arange(new[-1]), new
