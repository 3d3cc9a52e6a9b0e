"""An instance as one file of plain arrays, and what a plan of it breaks and costs.

Written from `docs/method/instance.md` alone; nothing of the planner is imported here.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Arrays = dict[str, NDArray[Any]]

FORMAT = "pits-legs-inverts 2"
PARTS = ("pits", "groups", "legs", "drops")
GUARD = 1e-9  # [levels]
EXIT, LAUNCH = 0, 1
ROLES = ((EXIT, LAUNCH), (LAUNCH, LAUNCH), (LAUNCH, EXIT), (EXIT, EXIT))  # by drive: upper, lower
COUNTED = {
    "pits": "low high arrive_high branches".split(),
    "groups": "out_start in_start in_branch turn_start turn_in turn_drop".split(),
    "legs": (
        "start up out_group in_group least_fall most_fall rows row_start band_start "
        "band_low band_high"
    ).split(),
    "drops": "free most".split(),
}  # integers; the rest are floats


class Run(NamedTuple):
    """One leg of a plan."""

    leg: int
    drive: int
    z: int  # level at which it leaves its upper pit
    a: int  # level at which it arrives at its lower pit


@dataclass(frozen=True)
class Plan:
    """Legs of a plan, and the role of each root; all else follows."""

    runs: tuple[Run, ...]
    root_role: dict[int, int] = field(default_factory=dict)


def flatten(instance: Any) -> Arrays:
    """Records of arrays as one table of arrays, by the names in the file."""
    arrays: Arrays = {"roots": np.asarray(instance.roots, np.int64)}
    for part in PARTS:
        for name, value in getattr(instance, part)._asdict().items():
            kind = np.int64 if name in COUNTED[part] else np.float64
            arrays[f"{part}_{name}"] = np.asarray(value, kind)
    return arrays


def write_instance(path: Path, arrays: Arrays) -> None:
    """Write an instance."""
    np.savez_compressed(path, format=np.array(FORMAT), **arrays)


def read_instance(path: Path) -> Arrays:
    """Read an instance."""
    with np.load(path, allow_pickle=False) as file:
        if str(file["format"]) != FORMAT:
            raise ValueError(f"{path} holds {file['format']}, not {FORMAT}")
        return {name: file[name] for name in file.files if name != "format"}


def lower_pits(arrays: Arrays) -> NDArray[np.int64]:
    """Lower pit of every leg."""
    start = arrays["legs_start"]
    return np.repeat(np.arange(len(start) - 1), np.diff(start))


def pit_cost(arrays: Arrays, pit: int, role: int, level: int) -> float:
    """Price of a pit that is left at a level."""
    depth = arrays["pits_ground"][pit] - level + arrays["pits_under"][role]
    price = arrays["pits_price"][pit, role] + arrays["pits_price_depth"][pit, role] * depth
    for at, more in zip(arrays["pits_step_depth"], arrays["pits_step_price"], strict=True):
        if depth >= at:
            price += more[role]
    return float(price)


def leg_cost(arrays: Arrays, run: Run, down: int) -> float:
    """Price of a leg."""
    ground = arrays["pits_ground"]
    depths = ground[[arrays["legs_up"][run.leg], down]] - (run.z, run.a)
    rates = arrays["legs_price_depth"][run.leg, run.drive]
    return float(arrays["legs_price"][run.leg, run.drive] + (rates * depths).sum())


def drop_cost(arrays: Arrays, fall: int) -> float:
    """Price of a fall through a manhole."""
    if fall <= arrays["drops_free"]:
        return 0.0
    return float(arrays["drops_price"] + arrays["drops_price_level"] * fall)


def leg_breaks(arrays: Arrays, run: Run) -> list[str]:
    """What a leg breaks between its two ends."""
    leg, found = run.leg, []
    if not arrays["legs_least_fall"][leg] <= run.z - run.a <= arrays["legs_most_fall"][leg]:
        found.append(f"leg {leg} falls by {run.z - run.a}")
    own = int(arrays["legs_rows"][leg])
    first, last = arrays["legs_row_start"][own : own + 2]
    if not _hold(arrays["legs_row_t"][first:last], arrays["legs_row_h"][first:last], run, 1):
        found.append(f"leg {leg} is above a row")
    t, h = arrays["legs_band_t"], arrays["legs_band_h"]
    for band in range(*arrays["legs_band_start"][own : own + 2].tolist()):
        low, high = arrays["legs_band_low"][band], arrays["legs_band_high"][band]
        end = arrays["legs_band_low"][band + 1]
        if not (
            _hold(t[low:high], h[low:high], run, 1) or _hold(t[high:end], h[high:end], run, -1)
        ):
            found.append(f"leg {leg} is within band {band}")
    return found


def _hold(t: NDArray[Any], h: NDArray[Any], run: Run, sign: int) -> bool:
    return bool((sign * ((1 - t) * run.z + t * run.a) <= sign * h + GUARD).all())


def judge(arrays: Arrays, plan: Plan) -> tuple[float, list[str]]:
    """Cost of a plan, added up again, and everything that it breaks.

    A pit that is reached from no root, a leg that leaves nowhere, a string that is missing: each
    is told apart, since a circle or a doubled pit can look cheap.
    """
    down = lower_pits(arrays)
    into: dict[int, list[Run]] = defaultdict(list)
    for run in plan.runs:
        into[int(down[run.leg])].append(run)
    total, found, seen = 0.0, [], 0
    heads = [(int(root), int(arrays["groups_out_start"][root]), plan.root_role[int(root)],
              int(arrays["pits_low"][root])) for root in arrays["roots"]]  # fmt: skip
    stack, visited = heads, set()
    while stack:
        pit, out, role, level = stack.pop()
        if pit in visited:
            return math.inf, [f"pit {pit} is reached twice"]
        visited.add(pit)
        total += pit_cost(arrays, pit, role, level)
        found += _pit_breaks(arrays, (pit, out, role, level), into[pit])
        if not into[pit]:
            total += float(arrays["pits_price_head"][pit])
        for run in into[pit]:
            seen += 1
            up = int(arrays["legs_up"][run.leg])
            total += leg_cost(arrays, run, pit) + drop_cost(arrays, run.a - level)
            found += leg_breaks(arrays, run)
            if not arrays["pits_low"][up] <= run.z <= arrays["pits_high"][up]:
                found.append(f"pit {up} is left at level {run.z}")
            upper = ROLES[run.drive][0]
            stack.append((up, int(arrays["legs_out_group"][run.leg]), upper, run.z))
    if seen != len(plan.runs):
        found.append(f"{len(plan.runs) - seen} legs lead to no root")
    return total, found


def _pit_breaks(arrays: Arrays, state: tuple[int, int, int, int], into: list[Run]) -> list[str]:
    """What is wrong with how the legs into a pit meet the one that leaves it."""
    pit, out, role, level = state
    found = []
    pairs = range(*arrays["groups_turn_start"][out : out + 2].tolist())
    drop = {int(arrays["groups_turn_in"][p]): int(arrays["groups_turn_drop"][p]) for p in pairs}
    for run in into:
        group = int(arrays["legs_in_group"][run.leg])
        if ROLES[run.drive][1] != role:
            found.append(f"pit {pit} has two roles")
        if group not in drop:
            found.append(f"leg {run.leg} may not turn into group {out} of pit {pit}")
        elif not drop[group] <= run.a - level <= arrays["drops_most"]:
            found.append(f"leg {run.leg} drops by {run.a - level}")
        if run.a > arrays["pits_arrive_high"][pit]:
            found.append(f"leg {run.leg} arrives at level {run.a}")
    groups = [int(arrays["legs_in_group"][run.leg]) for run in into]
    strings = sorted(int(arrays["groups_in_branch"][group]) for group in groups)
    if into and strings != list(range(int(arrays["pits_branches"][pit]))):
        found.append(f"strings {strings} arrive at pit {pit}")
    return found
