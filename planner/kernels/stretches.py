"""Tables of many pits, of which those of one stretch after another are there.

The tables of a town are more than need be kept until its optimum is traced. Where they are, the
pits are cut into stretches. Once a stretch is filled only the tables that a later one looks at
stay, and when the optimum is traced each stretch is filled again.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from planner.kernels.bounds import Budget
from planner.kernels.compiled import leaf
from planner.kernels.desk import Desk
from planner.kernels.programme import Drops, Filled, Groups, Legs, Pits
from planner.kernels.tables import fill_within, sizes_of

Ints = NDArray[np.int64]

MOST_ENTRIES = 1 << 25  # of tables that are all kept: 256 MB
HALVINGS = 12  # of all that are thought of as stretches


class Tables:
    """Tables of some pits, filled from the heads down.

    Parameters
    ----------
    parts
        The instance.
    order
        The pits, ascending.
    filled
        Tables to be written over.
    budget
        What a plan may cost at most.
    desk
        Room to work in.
    """

    def __init__(
        self, parts: tuple[Pits, Groups, Legs, Drops], order: Ints, filled: Filled,
        budget: Budget, desk: Desk,
    ) -> None:  # fmt: skip
        self._parts, self._order, self._budget, self._desk = parts, order, budget, desk
        pits, groups, legs, _ = parts
        sizes = sizes_of(order, pits, groups)
        last = _last_uses(legs, order) if sizes.sum() > MOST_ENTRIES else None
        self._start, need = ([0], 0) if last is None else _cut(sizes, last)
        self.filled, self._kept, self._there = filled, 0, 0
        if need > len(filled.tables):
            self.filled = filled._replace(tables=np.empty(need))
        for stretch in range(len(self._start)):
            self._fill(stretch)
            if last is not None and stretch + 1 < len(self._start):
                self._kept = _keep(
                    *self._span(stretch), order, last, groups, self.filled, self._kept
                )

    def holding(self, pit: int) -> Filled:
        """The tables of a pit and of all that a leg to it comes from.

        Parameters
        ----------
        pit
            The pit; no higher one may be asked for after it.
        """
        place = int(np.searchsorted(self._order, pit))
        stretch = int(np.searchsorted(self._start, place, side="right")) - 1
        if stretch != self._there:
            self._fill(stretch)
        return self.filled

    def _span(self, stretch: int) -> tuple[int, int]:
        """Place in the order of a stretch's first pit, and of the first one behind it."""
        ends = [*self._start[1:], len(self._order)]
        return self._start[stretch], ends[stretch]

    def _fill(self, stretch: int) -> None:
        first, end = self._span(stretch)
        self.filled = fill_within(
            self._order[first:end], *self._parts, self.filled, self._budget, self._desk, self._kept
        )
        self._there = stretch


def _last_uses(legs: Legs, order: Ints) -> Ints:
    """Place in the order of the last pit that a leg leads to from each of some pits."""
    last = np.full(len(legs.start) - 1, -1)
    last[legs.up] = np.repeat(np.arange(len(last)), np.diff(legs.start))  # they ascend
    return np.searchsorted(order, last[order], side="right") - 1


def _cut(sizes: Ints, last: Ints) -> tuple[list[int], int]:
    """Where stretches begin so that least has to be there at once, and how much that is.

    It is the largest stretch, and what is kept of all.
    """
    count, ends = len(sizes), np.cumsum(sizes)
    done = np.cumsum(np.bincount(np.minimum(last, count - 1) + 1, sizes, count + 1))
    crossing: Ints = (
        ends - sizes - done[:-1].astype(np.int64)
    )  # what is looked at again from each place on
    best, least = [0], int(ends[-1])
    for k in range(1, HALVINGS):
        start = _best_places(ends - sizes, crossing, max(int(ends[-1]) >> k, 1))
        stretch = np.repeat(np.arange(len(start)), np.diff([*start, count]))
        following = np.array([*start[1:], count])[stretch]
        need = int(np.bincount(stretch, sizes).max() + sizes[last >= following].sum())
        if need < least:
            best, least = start, need
    return best, least


def _best_places(begin: Ints, crossing: Ints, length: int) -> list[int]:
    """Where to cut about every so many entries: near there, where least is looked at again."""
    near = length // 4
    start = [0]
    for at in range(length, int(begin[-1]) + 1, length):
        low, high = np.searchsorted(begin, [at - near, at + near])
        low = max(int(low), start[-1] + 1)
        if low < high:
            start.append(low + int(np.argmin(crossing[low:high])))
    return start


@leaf
def _keep(
    first: int, end: int, order: Ints, last: Ints, groups: Groups, filled: Filled, kept: int
) -> int:
    """Move what pits of a stretch a later one looks at to the tables that are kept.

    Returns how many entries are kept then.
    """
    offset, tables = filled.offset, filled.tables
    for place in range(first, end):
        if last[place] < end:
            continue
        pit = order[place]
        for out in range(groups.out_start[pit], groups.out_start[pit + 1]):
            begin = offset[out]
            offset[out] = kept
            for k in range(2 * filled.span[out, 1]):
                tables[kept] = tables[begin + k]
                kept += 1
    return kept
