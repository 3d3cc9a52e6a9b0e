"""Lists every layout of a small place, street by street."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product

import numpy as np
from numpy.typing import NDArray

from planner.kernels.layout_instance import CARRIED, ENDED, SPLIT, TO_A, TO_B, Instance
from planner.kernels.layout_walk import walk_layout

Ints = NDArray[np.int64]
Way = tuple[int, int, int]  # link, column, lower node

MOST_STEPS = 200_000  # ways down that are tried


class _TooManyError(Exception):
    """There are more than were asked for."""


def list_layouts(instance: Instance, most: int, *, divided: bool = False) -> list[Ints] | None:
    """Every layout in which no sewer begins where nothing joins it.

    A street that nothing flows into is listed as a dead end, not as carried.

    Parameters
    ----------
    instance
        The instance; what gravity cannot serve must be left out of it.
    most
        Most layouts that are wanted.
    divided
        Whether streets may be divided at a crest.

    Returns
    -------
    Uses of the links, the cheapest first; None where there are more.
    """
    try:
        found = [use for use in _Lister(instance, 50 * most, divided=divided).every()]  # noqa: C416
    except _TooManyError:
        return None
    priced = []
    for number, use in enumerate(found):
        walked = walk_layout(instance, use)
        if not walked.faults:
            priced.append((walked.cost, number))
    if len(priced) > most:
        return None
    return [found[number] for _, number in sorted(priced)]


class _Lister:
    def __init__(self, instance: Instance, most: int, *, divided: bool) -> None:
        self.ways_to_end = (TO_B, TO_A, SPLIT) if divided else (TO_B, TO_A)
        self.instance, self.left, self.steps = instance, most, MOST_STEPS
        links = instance.links
        self.ends = np.column_stack([links.a, links.b]).tolist()
        self.roots = set(instance.ties.node.tolist())
        self.ways: dict[int, list[Way]] = {}
        for e, (a, b) in enumerate(self.ends):
            for column, up, down in ((TO_B, a, b), (TO_A, b, a)):
                if links.may_carry[e, column] and up != down and up not in self.roots:
                    self.ways.setdefault(up, []).append((e, column, down))
        self.nodes = self._outward()
        self.rank = {v: i for i, v in enumerate(self.nodes)}

    def _outward(self) -> list[int]:
        """Nodes that may be drained, those nearest to the tie-ins first."""
        found = sorted(self.roots)
        seen = set(found)
        for here in found:  # grows while it is walked
            for a, b in self.ends:
                other = b if a == here else a if b == here else here
                if other not in seen:
                    seen.add(other)
                    found.append(other)
        return [v for v in found if v in self.ways]

    def every(self) -> Iterator[Ints]:
        for out in self._choose(0, {}, set()):
            for use in self._serve(out):
                self.left -= 1
                if self.left < 0:
                    raise _TooManyError
                yield use

    def _choose(self, i: int, out: dict[int, Way], used: set[int]) -> Iterator[dict[int, Way]]:
        """Every way to give nodes a link that leaves them, without a circle."""
        self.steps -= 1
        if self.steps < 0:
            raise _TooManyError
        if i == len(self.nodes):
            if all(way[2] in out or way[2] in self.roots for way in out.values()):
                yield out
            return
        v = self.nodes[i]
        if all(way[2] != v for way in out.values()):  # else something must leave it
            yield from self._choose(i + 1, out, used)
        for way in self.ways[v]:
            if way[0] in used or self._is_lost(way[2], i, out) or self._returns(v, way[2], out):
                continue
            out[v] = way
            used.add(way[0])
            yield from self._choose(i + 1, out, used)
            used.remove(way[0])
            del out[v]

    def _is_lost(self, down: int, i: int, out: dict[int, Way]) -> bool:
        """Whether nothing leaves a lower node, which is already settled."""
        return down not in self.roots and down not in out and self.rank.get(down, -1) < i

    @staticmethod
    def _returns(v: int, here: int, out: dict[int, Way]) -> bool:
        while here in out:
            here = out[here][2]
            if here == v:
                return True
        return here == v

    def _serve(self, out: dict[int, Way]) -> Iterator[Ints]:
        """Every way to serve what is not carried by dead ends."""
        links, ends = self.instance.links, self.instance.ends
        carried = {way[0]: way[1] for way in out.values()}
        active = set(out) | self.roots
        left = [e for e in np.flatnonzero(links.required).tolist() if e not in carried]
        options = [
            [way for way in self.ways_to_end
             if self._lower(e, way) <= active and np.isfinite(ends.price[e, way])]
            for e in left
        ]  # fmt: skip
        for ways in product(*options):
            into = {way[2] for way in out.values()}
            into = into.union(*(self._lower(e, w) for e, w in zip(left, ways, strict=True)))
            if set(out) <= into:
                use = np.full(len(self.ends), -1, np.int64)
                use[list(carried)] = [CARRIED + column for column in carried.values()]
                use[left] = [ENDED + way for way in ways]
                yield use

    def _lower(self, e: int, way: int) -> set[int]:
        """Nodes that a dead end or a divided street flows into."""
        return set(self.ends[e]) if way == SPLIT else {self.ends[e][1 - way]}
