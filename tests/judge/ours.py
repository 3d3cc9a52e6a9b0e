"""The programme under judgement: the file's arrays into it, and its plan out of it."""

from __future__ import annotations

import math
from typing import Any

from planner.kernels.optimum import Instance, find_optimum, price_optimum
from planner.kernels.programme import Drops, Groups, Legs, Pits
from tests.judge.instance_file import Arrays, Plan, Run, judge


def as_instance(arrays: Arrays) -> Instance:
    """The programme's records of an instance."""

    def take(part: str, record: Any) -> Any:
        return record(**{name: arrays[f"{part}_{name}"] for name in record._fields})

    drops = Drops(
        int(arrays["drops_free"]), int(arrays["drops_most"]), float(arrays["drops_price"]),
        float(arrays["drops_price_level"]),
    )  # fmt: skip
    pits, groups, legs = take("pits", Pits), take("groups", Groups), take("legs", Legs)
    return Instance(pits, groups, legs, drops, arrays["roots"])


def solve_ours(arrays: Arrays) -> tuple[float, list[str]]:
    """Cost by the programme's tables, and what its plan breaks or costs otherwise."""
    instance = as_instance(arrays)
    found = find_optimum(instance)
    if found is None:
        return math.inf, []
    columns = (found.leg, found.drive, found.up_level, found.down_level)
    runs = tuple(Run(*row) for row in zip(*(c.tolist() for c in columns), strict=True))
    roots = {int(root): found.role[int(root)] for root in arrays["roots"]}
    cost, breaks = judge(arrays, Plan(runs, roots))
    for name, other in (("by the judge", cost), ("by itself", price_optimum(instance, found))):
        if not math.isclose(other, found.cost, rel_tol=1e-9, abs_tol=1e-6):
            breaks.append(f"{found.cost} by the tables, {other} added up again {name}")
    return found.cost, breaks
