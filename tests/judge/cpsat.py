"""An instance for CP-SAT: one level for each pit and each string, legs as choices over them.

The solver counts in whole numbers: levels are whole already, prices are taken in parts of a
millionth. The plan it finds is priced by `judge`.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from ortools.sat.python import cp_model

from tests.judge.instance_file import ROLES, Arrays, Plan, Run, judge, lower_pits, pit_cost
from tests.judge.leg_shapes import leg_shapes

SCALE = 1_000_000  # parts of a price


class Choice(NamedTuple):
    """A leg in one drive and one shape."""

    leg: int
    drive: int
    taken: Any


class Ruling(NamedTuple):
    """What the solver found."""

    cost: float  # priced from the plan, infinite where there is none
    bound: float
    proven: bool
    seconds: float
    plan: Plan | None


@dataclass
class Board:
    """The model as it grows."""

    arrays: Arrays
    model: cp_model.CpModel
    level: list[Any]  # (pits,) at which the sewer leaves, above the lowest
    arrive: dict[tuple[int, int], Any]  # (pit, string): likewise, at which it arrives
    terms: list[Any]

    def charge(self, price: float, taken: Any) -> None:
        """A price where something is taken."""
        self.terms.append(round(price * SCALE) * taken)

    def charge_levels(self, rate: float, level: Any, most: int, taken: Any) -> None:
        """A rate for each level where something is taken."""
        if rate == 0.0 or most <= 0:
            return
        part = self.model.new_int_var(0, most, "")
        if rate > 0:
            self.model.add(part >= level).only_enforce_if(taken)
        else:
            self.model.add(part <= level).only_enforce_if(taken)
            self.model.add(part <= most * taken)
        self.terms.append(round(rate * SCALE) * part)


def solve_cpsat(arrays: Arrays, seconds: float = 600.0, threads: int = 2) -> Ruling:
    """The cheapest plan by CP-SAT."""
    board = _set_up(arrays)
    choices = _add_legs(board)
    if choices is None or not _add_pits(board, choices):
        return Ruling(math.inf, math.inf, proven=True, seconds=0.0, plan=None)
    board.model.minimize(sum(board.terms))
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = seconds
    solver.parameters.num_workers = threads
    solver.parameters.relative_gap_limit = 0.0
    solver.parameters.linearization_level = 2
    status = solver.solve(board.model)
    took, proven = solver.wall_time, status in {cp_model.OPTIMAL, cp_model.INFEASIBLE}
    if status not in {cp_model.OPTIMAL, cp_model.FEASIBLE}:
        return Ruling(math.inf, math.inf if proven else -math.inf, proven, took, None)
    plan = _read_plan(board, choices, solver)
    cost, breaks = judge(arrays, plan)
    if breaks:
        raise AssertionError(breaks)
    return Ruling(cost, solver.best_objective_bound / SCALE, proven, took, plan)


def _set_up(arrays: Arrays) -> Board:
    model = cp_model.CpModel()
    count = arrays["pits_high"] - arrays["pits_low"]
    level = [model.new_int_var(0, max(0, n), f"level {v}") for v, n in enumerate(count.tolist())]
    arrive = {}
    high = (arrays["pits_arrive_high"] - arrays["pits_low"]).tolist()
    for pit, strings in enumerate(arrays["pits_branches"].tolist()):
        for string in range(strings):
            arrive[pit, string] = model.new_int_var(0, max(0, high[pit]), f"arrive {pit} {string}")
    return Board(arrays, model, level, arrive, [])


def _add_legs(board: Board) -> list[Choice]:
    """Every leg, drive and shape that can be, with what it asks of its two levels."""
    arrays, model, choices = board.arrays, board.model, []
    for leg, (up, down) in enumerate(zip(arrays["legs_up"], lower_pits(arrays), strict=True)):
        if not np.isfinite(arrays["legs_price"][leg]).any():
            continue
        z = board.level[int(up)]
        string = int(arrays["groups_in_branch"][arrays["legs_in_group"][leg]])
        a = board.arrive[int(down), string]
        for shape in leg_shapes(arrays, leg, int(down)):
            for drive in np.flatnonzero(np.isfinite(arrays["legs_price"][leg])).tolist():
                taken = model.new_bool_var(f"leg {leg} {drive}")
                model.add_linear_constraint(z, *shape.z).only_enforce_if(taken)
                model.add_linear_constraint(a, *shape.a).only_enforce_if(taken)
                for p, q, r in shape.sides:
                    model.add(p * z + q * a <= r).only_enforce_if(taken)
                _price_leg(board, Choice(leg, drive, taken), (int(up), int(down)), (z, a))
                choices.append(Choice(leg, drive, taken))
    return choices


def _price_leg(
    board: Board, choice: Choice, ends: tuple[int, int], levels: tuple[Any, Any]
) -> None:
    arrays = board.arrays
    up, down = ends
    rates = arrays["legs_price_depth"][choice.leg, choice.drive].tolist()
    low = arrays["pits_low"]
    depths = arrays["pits_ground"][[up, down]] - low[[up, down]]
    price = float(arrays["legs_price"][choice.leg, choice.drive]) + float(sum(rates * depths))
    board.charge(price, choice.taken)
    most = (
        int(arrays["pits_high"][up] - low[up]),
        int(arrays["pits_arrive_high"][down] - low[down]),
    )
    for level, greatest, rate in zip(levels, most, rates, strict=True):
        board.charge_levels(-rate, level, greatest, choice.taken)


def _add_pits(board: Board, choices: list[Choice]) -> bool:
    """How legs meet at every pit; false where a root can have none."""
    arrays = board.arrays
    out: dict[tuple[int, int], list[Any]] = defaultdict(list)
    into: dict[tuple[int, int], list[Any]] = defaultdict(list)
    for choice in choices:
        upper, lower = ROLES[choice.drive]
        out[int(arrays["legs_out_group"][choice.leg]), upper].append(choice.taken)
        into[int(arrays["legs_in_group"][choice.leg]), lower].append(choice.taken)
    roots = set(arrays["roots"].tolist())
    for pit in range(len(board.level)):
        used = _add_pit(board, pit, (out, into), is_root=pit in roots)
        if pit in roots and not used:
            return False
    return True


def _add_pit(
    board: Board, pit: int, arcs: tuple[dict[tuple[int, int], list[Any]], ...], *, is_root: bool
) -> bool:
    arrays, model = board.arrays, board.model
    out, into = arcs
    left = []
    meeting: dict[tuple[int, int], list[Any]] = defaultdict(list)
    dead = arrays["pits_high"][pit] < arrays["pits_low"][pit]
    for group in range(*arrays["groups_out_start"][pit : pit + 2].tolist()):
        for role in range(2):
            taken = out.get((group, role), [])
            if dead or not math.isfinite(arrays["pits_price"][pit, role]):
                model.add(sum(taken) == 0)
                continue
            if not taken and not is_root:
                continue
            used = model.new_bool_var(f"pit {pit} group {group} role {role}")
            if not is_root:
                model.add(sum(taken) == used)
            _meet(board, (pit, group, role), used, meeting)
            _price_pit(board, (pit, role), used)
            left.append(used)
    model.add(sum(left) == 1) if is_root else model.add_at_most_one(left)
    for group in range(*arrays["groups_in_start"][pit : pit + 2].tolist()):
        for role in range(2):
            model.add(sum(into.get((group, role), [])) == sum(meeting[group, role]))
    return bool(left)


def _meet(
    board: Board, which: tuple[int, int, int], used: Any,
    meeting: dict[tuple[int, int], list[Any]],
) -> None:  # fmt: skip
    """All strings arrive at a pit that is used, or none does where it may be a head."""
    arrays, model = board.arrays, board.model
    pit, group, role = which
    head = model.new_bool_var("")
    model.add_implication(head, used)
    if math.isfinite(arrays["pits_price_head"][pit]):
        board.charge(float(arrays["pits_price_head"][pit]), head)
    else:
        model.add(head == 0)
    strings = int(arrays["pits_branches"][pit])
    if strings == 0:
        model.add_implication(used, head)
    for string in range(strings):
        ways = []
        for pair in range(*arrays["groups_turn_start"][group : group + 2].tolist()):
            from_group = int(arrays["groups_turn_in"][pair])
            if arrays["groups_in_branch"][from_group] == string:
                taken = model.new_bool_var("")
                _fall(board, (pit, string), int(arrays["groups_turn_drop"][pair]), taken)
                ways.append(taken)
                meeting[from_group, role].append(taken)
        model.add(sum(ways) + head == used)


def _fall(board: Board, which: tuple[int, int], drop: int, taken: Any) -> None:
    """A string falls through the manhole freely or by a drop structure."""
    arrays, model = board.arrays, board.model
    fall = board.arrive[which] - board.level[which[0]]
    free, most = int(arrays["drops_free"]), int(arrays["drops_most"])
    structure = model.new_bool_var("")
    model.add_implication(structure, taken)
    model.add(fall >= drop).only_enforce_if(taken)
    model.add(fall <= min(free, most)).only_enforce_if([taken, structure.negated()])
    model.add(fall >= free + 1).only_enforce_if(structure)
    model.add(fall <= most).only_enforce_if(structure)
    board.charge(float(arrays["drops_price"]), structure)
    board.charge_levels(float(arrays["drops_price_level"]), fall, most, structure)


def _price_pit(board: Board, which: tuple[int, int], used: Any) -> None:
    """A fixed price, a rate, and a step for each depth that is reached."""
    arrays, model = board.arrays, board.model
    pit, role = which
    low, high = int(arrays["pits_low"][pit]), int(arrays["pits_high"][pit])
    rate = float(arrays["pits_price_depth"][pit, role])
    level = board.level[pit]
    shallow = pit_cost(arrays, pit, role, high) + rate * (high - low)
    board.charge(shallow, used)
    board.charge_levels(-rate, level, high - low, used)
    costs = [pit_cost(arrays, pit, role, low + k) + rate * k for k in range(high - low + 1)]
    for k in range(high - low):
        more = costs[k] - costs[k + 1]
        if abs(more) > 1e-7:  # due at this level and all below it
            due = model.new_bool_var("")
            model.add_implication(due, used)
            model.add(level <= k).only_enforce_if(due)
            model.add(level >= k + 1).only_enforce_if([used, due.negated()])
            board.charge(more, due)


def _read_plan(board: Board, choices: list[Choice], solver: cp_model.CpSolver) -> Plan:
    arrays, runs = board.arrays, []
    low, lower = arrays["pits_low"], lower_pits(arrays)
    for choice in choices:
        if solver.value(choice.taken):
            up, down = int(arrays["legs_up"][choice.leg]), int(lower[choice.leg])
            string = int(arrays["groups_in_branch"][arrays["legs_in_group"][choice.leg]])
            z = int(low[up]) + solver.value(board.level[up])
            a = int(low[down]) + solver.value(board.arrive[down, string])
            runs.append(Run(choice.leg, choice.drive, z, a))
    return Plan(tuple(runs), _roles_of_roots(arrays, runs))


def _roles_of_roots(arrays: Arrays, runs: list[Run]) -> dict[int, int]:
    down, found = lower_pits(arrays), {}
    for root in arrays["roots"].tolist():
        level = int(arrays["pits_low"][root])
        found[root] = min((0, 1), key=lambda role: pit_cost(arrays, root, role, level))
    for run in runs:
        if int(down[run.leg]) in found:
            found[int(down[run.leg])] = ROLES[run.drive][1]
    return found
