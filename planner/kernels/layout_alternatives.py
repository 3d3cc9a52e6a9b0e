"""Finds the next best layouts that differ in substance from the best."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from planner.kernels.layout_choices import with_tie_ins, without_tie_in
from planner.kernels.layout_instance import CARRIED, ENDED, Instance
from planner.kernels.layout_plan import Effort, Found, find_layout
from planner.kernels.layout_walk import over_capacity, walk_layout

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

LEAST_SHARE = 0.2  # of the best layout's length that must flow elsewhere or another way
FIRST_SURCHARGE = 0.05  # of the mean price by length, on what the layouts before have in common
TRIALS = 5  # surcharges tried, each twice the last
QUICK_PER_LINK, LEAST_QUICK, MOST_QUICK = 3_000, 100_000, 5_000_000  # changes tried
MOST_TIE_INS = 4  # that are left out in turn


class Alternative(NamedTuple):
    """Another layout."""

    found: Found  # its bound is that of the best: on any layout
    share: float  # of the best one's length that flows elsewhere or another way
    other_tie_ins: bool  # whether it uses other tie-ins than the best


def flows(instance: Instance, use: Ints) -> Bools:
    """Whether something flows into b, and into a, of each link.

    Parameters
    ----------
    instance
        The instance.
    use : (links,)
        A layout of it.
    """
    into = np.zeros((len(use), 2), bool)
    for column, level in enumerate((instance.ends.into_b, instance.ends.into_a)):
        into[:, column] = use == CARRIED + column
        ended = np.flatnonzero(use >= ENDED)
        into[ended, column] = np.isfinite(level[ended, use[ended] - ENDED])
    return into


def difference(instance: Instance, one: Ints, other: Ints) -> float:
    """Length where two layouts differ, as a share of the first one's.

    A street counts where only one of the two has a sewer in it, or where they flow another way.

    Parameters
    ----------
    instance
        The instance.
    one, other : (links,)
        Layouts of it.
    """
    length = instance.links.length
    differ = (flows(instance, one) != flows(instance, other)).any(axis=1)
    whole = float(length[one >= 0].sum())
    return float(length[differ].sum()) / whole if whole > 0 else 0.0


def find_alternatives(
    instance: Instance,
    best: Found,
    count: int = 2,
    effort: Effort | None = None,
    seed: int = 1,
) -> list[Alternative]:
    """The cheapest layouts found that differ from the best and from each other, best first.

    Parameters
    ----------
    instance
        The instance.
    best
        Its best layout.
    count
        Most of them.
    effort
        How long to search for each; less than for the best one when not given.
    seed
        Another one tries other changes.
    """
    if effort is None:
        changes = min(max(QUICK_PER_LINK * len(best.use), LEAST_QUICK), MOST_QUICK)
        effort = Effort(changes, rounds=1, nodes=0)
    search = _Search(instance, best, effort, seed)
    candidates = sorted(search.by_tie_ins(), key=lambda found: found.cost)
    chosen: list[Found] = []
    for _ in range(count):
        by_street = search.by_streets([best, *chosen])
        pool = [*candidates, *([by_street] if by_street is not None else [])]
        fresh = [f for f in pool if all(search.differ(f, other) for other in [best, *chosen])]
        if not fresh:
            break
        chosen.append(min(fresh, key=lambda found: found.cost))
    chosen.sort(key=lambda found: found.cost)
    return [
        Alternative(
            found._replace(bound=best.bound, proven_by=best.proven_by),
            difference(instance, best.use, found.use),
            search.ties(found) != search.ties(best),
        )
        for found in chosen
    ]


class _Search:
    """The search for layouts that differ."""

    def __init__(self, instance: Instance, best: Found, effort: Effort, seed: int) -> None:
        self.best, self.effort, self.seed = best, effort, seed
        required = instance.links.required.copy()
        required[best.unserved.link] = False
        self.instance = instance._replace(links=instance.links._replace(required=required))

    def ties(self, found: Found) -> frozenset[int]:
        """Nodes of the tie-ins that are used."""
        node = self.instance.ties.node
        return frozenset(node[np.isfinite(found.walked.invert[node])].tolist())

    def differ(self, one: Found, other: Found) -> bool:
        """Whether two layouts differ in substance."""
        if self.ties(one) != self.ties(other):
            return True
        return difference(self.instance, other.use, one.use) >= LEAST_SHARE

    def by_tie_ins(self) -> Iterable[Found]:
        """Without each tie-in that is used, and with each alone that is not."""
        used = self.ties(self.best)
        rows = range(len(self.instance.ties.node))
        for row in list(rows)[:MOST_TIE_INS] if len(rows) > 1 else []:
            if int(self.instance.ties.node[row]) in used:
                changed = without_tie_in(self.instance, row)
            else:
                changed = with_tie_ins(self.instance, [row])
            found = self._find(changed)
            if found is not None:
                yield found

    def _find(self, changed: Instance) -> Found | None:
        """The best layout of a changed instance, judged by the true one; None if it falls short."""
        found = find_layout(changed, self.effort, self.seed)
        if len(found.unserved.link) or found.walked.faults:
            return None
        walked = walk_layout(self.instance, found.use)
        if walked.faults:  # it passes through a tie-in, which only the changed instance allows
            return found if changed.links.price is self.instance.links.price else None
        return found._replace(walked=walked, over=over_capacity(self.instance, walked))

    def by_streets(self, before: list[Found]) -> Found | None:
        """The cheapest layout found with a fifth of its length elsewhere or another way."""
        found = None
        surcharge = FIRST_SURCHARGE
        for _ in range(TRIALS):
            found = self._surcharged(before, surcharge)
            if found is not None and all(self.differ(found, other) for other in before):
                break
            found, surcharge = None, 2 * surcharge
        if found is None:
            return None
        return self._closer(before, found, surcharge)

    def _closer(self, before: list[Found], found: Found, surcharge: float) -> Found:
        """Try a smaller surcharge than the first that was large enough."""
        again = self._surcharged(before, 0.75 * surcharge)
        if again is None or not all(self.differ(again, other) for other in before):
            return found
        return min(found, again, key=lambda each: each.cost)

    def _surcharged(self, before: list[Found], share: float) -> Found | None:
        """Search with a surcharge on all that flows as in the layouts before."""
        links, ends = self.instance.links, self.instance.ends
        mean = self.best.cost / max(float(links.length[self.best.use >= 0].sum()), 1e-9)
        carry, end = links.price.copy(), ends.price.copy()
        extra = share * mean * links.length
        for other in before:
            _add_where_same(self.instance, other.use, extra, (carry, end))
        return self._find(
            self.instance._replace(links=links._replace(price=carry), ends=ends._replace(price=end))
        )


def _add_where_same(
    instance: Instance, use: Ints, extra: Floats, prices: tuple[Floats, Floats]
) -> None:
    """Add to the price of every use of a link that flows as a layout does."""
    carry, end = prices
    now = flows(instance, use)
    ways = [(carry[:, c], CARRIED + c) for c in range(2)]
    ways += [(end[:, w], ENDED + w) for w in range(3)]
    for price, code in ways:
        same = (flows(instance, np.full(len(use), code)) == now).all(axis=1) & (use >= 0)
        price[same] += extra[same]
