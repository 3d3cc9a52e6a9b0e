"""The cheapest plan of a tiny instance, by writing down every plan there is and pricing each."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from functools import cached_property

import numpy as np

from tests.judge.instance_file import ROLES, Arrays, Plan, Run, judge, leg_breaks, lower_pits


class Everything:
    """All plans of an instance."""

    def __init__(self, arrays: Arrays) -> None:
        self.arrays = arrays
        self.down = lower_pits(arrays)

    @cached_property
    def runs(self) -> dict[int, list[Run]]:
        """Every leg, drive and pair of levels that breaks nothing by itself, by lower pit."""
        found: dict[int, list[Run]] = {v: [] for v in range(len(self.arrays["pits_low"]))}
        for leg, (up, down) in enumerate(zip(self.arrays["legs_up"], self.down, strict=True)):
            for z, a in itertools.product(
                range(self.arrays["pits_low"][up], self.arrays["pits_high"][up] + 1),
                range(self.arrays["pits_low"][down], self.arrays["pits_arrive_high"][down] + 1),
            ):
                if leg_breaks(self.arrays, Run(leg, 0, z, a)):
                    continue
                drives = np.flatnonzero(np.isfinite(self.arrays["legs_price"][leg]))
                found[int(down)] += [Run(leg, int(drive), z, a) for drive in drives]
        return found

    def above(self, pit: int, out: int, role: int, level: int) -> Iterator[tuple[Run, ...]]:
        """Every set of legs at and above a pit that is left by a group, in a role, at a level."""
        if math.isfinite(self.arrays["pits_price_head"][pit]):
            yield ()
        strings = int(self.arrays["pits_branches"][pit])
        if strings:
            parts = [self._arrive(pit, string, (out, role, level)) for string in range(strings)]
            for some in itertools.product(*parts):
                yield tuple(itertools.chain.from_iterable(some))

    def _arrive(self, pit: int, string: int, leave: tuple[int, int, int]) -> list[tuple[Run, ...]]:
        out, role, level = leave
        pairs = slice(*self.arrays["groups_turn_start"][out : out + 2].tolist())
        turns = self.arrays["groups_turn_in"][pairs].tolist()
        drops = dict(zip(turns, self.arrays["groups_turn_drop"][pairs].tolist(), strict=True))
        found: list[tuple[Run, ...]] = []
        for run in self.runs[pit]:
            group = int(self.arrays["legs_in_group"][run.leg])
            upper, lower = ROLES[run.drive]
            if group not in drops or self.arrays["groups_in_branch"][group] != string:
                continue
            if lower != role or not drops[group] <= run.a - level <= self.arrays["drops_most"]:
                continue
            up = int(self.arrays["legs_up"][run.leg])
            group_up = int(self.arrays["legs_out_group"][run.leg])
            found += [(run, *more) for more in self.above(up, group_up, upper, run.z)]
        return found


def solve_brute(arrays: Arrays) -> float:
    """Least cost of all plans from one root; infinite where there is none."""
    (root,) = arrays["roots"].tolist()
    every, best = Everything(arrays), math.inf
    for role in range(2):
        out, level = int(arrays["groups_out_start"][root]), int(arrays["pits_low"][root])
        for runs in every.above(root, out, role, level):
            cost, breaks = judge(arrays, Plan(runs, {root: role}))
            if breaks:
                raise AssertionError(breaks)
            best = min(best, cost)
    return best
