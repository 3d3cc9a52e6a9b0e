"""Sets of legs put end to end, sorted, and handed the rows that they share until then."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from planner.kernels.midway import Rows, take_rows
from planner.model import Floats
from planner.records import Ints
from planner.steps.routing.given import Bound

PLAIN = (
    "up", "down", "length", "ways", "strict", "chain", "pipe", "falls", "price", "price_depth",
    "between", "rounding",
)  # fmt: skip
"""Columns with one entry a leg that say nothing of other legs."""
OTHERS = ("parts", "steeper")
"""Columns that name other legs by number, -1 for none."""


@dataclass(frozen=True, eq=False)
class Sheet:
    """Legs by their columns; their rows are those of a store, which several legs may share."""

    columns: dict[str, np.ndarray]  # `PLAIN` and `OTHERS`
    row_of: Ints  # (legs,) which rows of the store
    place: Floats  # (legs,) where along the leg its invert has a floor besides
    lowest: Floats  # (legs,) that floor, infinitely low for none [m]

    def take(self, which: Ints, **changed: np.ndarray) -> Sheet:
        """Some of the legs, with some columns changed."""
        columns = {name: values[which] for name, values in self.columns.items()} | changed
        return Sheet(columns, self.row_of[which], self.place[which], self.lowest[which])


def sheet_of(bound: Bound) -> Sheet:
    """Legs as a sheet, whose store is the rows that they have."""
    none = np.full(len(bound.up), -np.inf)
    columns = {name: getattr(bound, name) for name in (*PLAIN, *OTHERS)}
    return Sheet(columns, np.arange(len(bound.up)), none, none)


def rows_of(bound: Bound) -> Rows:
    """The rows of legs."""
    return Rows(*(getattr(bound, name) for name in Rows._fields))


def join_rows_of(parts: list[Rows]) -> Rows:
    """Rows of several sets of legs, end to end."""

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
    return Rows(
        starts("row_start", "row_t"), stack("row_t"), stack("row_h"), band_start.astype(np.int64),
        starts("band_low", "band_t"), starts("band_high", "band_t"), stack("band_t"),
        stack("band_h"),
    )  # fmt: skip


def join_sheets(parts: list[Sheet]) -> Sheet:
    """Legs of all sheets of one store in one.

    The numbers in `OTHERS` of a sheet must already be those of the whole.
    """
    columns = {
        name: np.concatenate([part.columns[name] for part in parts]) for name in (*PLAIN, *OTHERS)
    }
    return Sheet(
        columns, *(np.concatenate([getattr(part, name) for part in parts])
                   for name in ("row_of", "place", "lowest")),
    )  # fmt: skip


def sort_by_lower_pit(store: Rows, sheet: Sheet) -> Bound:
    """Legs sorted by lower pit, then upper pit, then pipe, doubles last, each with its rows."""
    c = sheet.columns
    keys = c["steeper"], c["between"], c["parts"][:, 1], c["pipe"], c["up"], c["down"]
    order = np.lexsort(keys)
    rows = take_rows(store, sheet.row_of[order], sheet.place[order], sheet.lowest[order])
    place = np.empty(len(order) + 1, np.int64)
    place[order], place[-1] = np.arange(len(order)), -1
    return Bound(
        **{name: c[name][order] for name in PLAIN},
        **{name: place[c[name][order]] for name in OTHERS}, **rows._asdict(),
    )  # fmt: skip


def stack_bounds(parts: list[Bound]) -> Bound:
    """Legs of all sets in one, sorted; none of them names another."""
    sheets, count = [], 0
    for part in parts:
        sheet = sheet_of(part)
        sheets.append(replace(sheet, row_of=sheet.row_of + count))
        count += len(part.up)
    return sort_by_lower_pit(join_rows_of([rows_of(part) for part in parts]), join_sheets(sheets))
