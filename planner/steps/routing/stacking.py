"""Sets of legs put end to end, and sorted."""

from __future__ import annotations

import numpy as np

from planner.kernels.midway import Rows, take_rows
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
    if (order[1:] > order[:-1]).all():
        return b
    none = np.full(len(order), -np.inf)
    rows = take_rows(Rows(*(getattr(b, name) for name in Rows._fields)), order, none, none)
    place = np.empty(len(order) + 1, np.int64)
    place[order], place[-1] = np.arange(len(order)), -1
    return Bound(
        **{name: getattr(b, name)[order] for name in PLAIN},
        **{name: place[getattr(b, name)[order]] for name in OTHERS}, **rows._asdict(),
    )  # fmt: skip
