"""An instance as a mixed-integer programme, solved by HiGHS.

Every leg, drive and way to pass bands is a column that is 0 or 1, with its two levels beside it
that are 0 where it is not built: so its shape, multiplied by the column, holds without large
constants. The plan is read from the columns and priced by `judge`, not by the solver.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import highspy
import numpy as np

from tests.judge.instance_file import ROLES, Arrays, Plan, Run, judge, lower_pits, pit_cost
from tests.judge.leg_shapes import Shape, leg_shapes

Terms = list[tuple[int, float]]
INF = highspy.kHighsInf


class Arc(NamedTuple):
    """A leg in one drive and one shape: its columns."""

    leg: int
    drive: int
    built: int
    z: int
    a: int


class Verdict(NamedTuple):
    """What a solver found."""

    cost: float  # priced from the plan, infinite where there is none
    bound: float  # of the solver
    proven: bool
    seconds: float
    plan: Plan | None
    size: tuple[int, int]  # columns and rows


@dataclass
class Model:
    """Columns and rows as lists."""

    cost: list[float] = field(default_factory=list)
    upper: list[float] = field(default_factory=list)
    whole: list[bool] = field(default_factory=list)
    rows: list[tuple[Terms, float, float]] = field(default_factory=list)

    def column(self, cost: float = 0.0, upper: float = INF, *, whole: bool = False) -> int:
        """Add a column from 0 up."""
        self.cost.append(cost)
        self.upper.append(upper)
        self.whole.append(whole)
        return len(self.cost) - 1

    def row(self, terms: Terms, low: float = -INF, high: float = INF) -> None:
        """Add a row."""
        self.rows.append((terms, low, high))

    def span(self, level: int, built: int, low: float, high: float) -> None:
        """A level between two bounds where it is built, 0 elsewhere."""
        self.row([(level, 1.0), (built, -high)], high=0.0)
        if low > 0:
            self.row([(level, 1.0), (built, -low)], low=0.0)


def solve_milp(
    arrays: Arrays, seconds: float = 600.0, threads: int = 2, *, as_stated: bool = False
) -> Verdict:
    """The cheapest plan by HiGHS, in a fresh object.

    With ``as_stated`` rows and bands are taken as the file has them, bands by a choice and a large
    constant; without, each leg's shape is first made exact in whole numbers, which is stronger.
    """
    model = Model()
    arcs = _add_stated_arcs(model, arrays) if as_stated else _add_arcs(model, arrays)
    _add_pits(model, arrays, arcs)
    # another judge of the same process may have asked for another number of threads
    highspy.Highs.resetGlobalScheduler(True)
    solver = _pass_model(model)
    for option, value in (
        ("output_flag", False), ("time_limit", seconds), ("threads", threads), ("presolve", "on"),
        ("mip_rel_gap", 0.0), ("mip_abs_gap", 1e-7), ("mip_feasibility_tolerance", 1e-7),
        ("primal_feasibility_tolerance", 1e-8),
    ):  # fmt: skip
        solver.setOptionValue(option, value)
    solver.run()
    status, took = solver.getModelStatus(), solver.getRunTime()
    size = (len(model.cost), len(model.rows))
    none = {highspy.HighsModelStatus.kInfeasible, highspy.HighsModelStatus.kUnboundedOrInfeasible}
    if status in none:
        return Verdict(math.inf, math.inf, proven=True, seconds=took, plan=None, size=size)
    proven = status == highspy.HighsModelStatus.kOptimal
    bound = solver.getInfo().mip_dual_bound
    values = np.array(solver.getSolution().col_value)
    if not len(values) or not math.isfinite(solver.getInfo().objective_function_value):
        return Verdict(math.inf, bound, proven, took, None, size)
    plan = _read_plan(arrays, arcs, values)
    cost, breaks = judge(arrays, plan)
    if breaks:
        raise AssertionError(breaks)
    return Verdict(cost, bound, proven, took, plan, size)


def _add_arcs(model: Model, arrays: Arrays) -> list[Arc]:
    arcs = []
    ground, low = arrays["pits_ground"], arrays["pits_low"]
    for leg, (up, down) in enumerate(zip(arrays["legs_up"], lower_pits(arrays), strict=True)):
        if not np.isfinite(arrays["legs_price"][leg]).any():
            continue
        for shape in leg_shapes(arrays, leg, int(down)):
            for drive in range(len(ROLES)):
                price = float(arrays["legs_price"][leg, drive])
                if not math.isfinite(price):
                    continue
                rates = arrays["legs_price_depth"][leg, drive].tolist()
                fixed = price + sum(rates * (ground[[up, down]] - low[[up, down]]))
                arc = Arc(leg, drive, model.column(fixed, 1.0, whole=True),
                          model.column(-rates[0]), model.column(-rates[1]))  # fmt: skip
                _bind(model, arc, shape)
                arcs.append(arc)
    return arcs


def _add_stated_arcs(model: Model, arrays: Arrays) -> list[Arc]:
    arcs = []
    ground, low = arrays["pits_ground"], arrays["pits_low"]
    for leg, (up, down) in enumerate(zip(arrays["legs_up"], lower_pits(arrays), strict=True)):
        for drive in np.flatnonzero(np.isfinite(arrays["legs_price"][leg])).tolist():
            rates = arrays["legs_price_depth"][leg, drive].tolist()
            fixed = sum(rates * (ground[[up, down]] - low[[up, down]]))
            fixed += float(arrays["legs_price"][leg, drive])
            arc = Arc(leg, drive, model.column(fixed, 1.0, whole=True),
                      model.column(-rates[0]), model.column(-rates[1]))  # fmt: skip
            _bind_as_stated(model, arrays, arc, (int(up), int(down)))
            arcs.append(arc)
    return arcs


def _bind_as_stated(model: Model, arrays: Arrays, arc: Arc, ends: tuple[int, int]) -> None:
    """Rows, falls and bands of a leg, its levels counted from the lowest of its pits."""
    up, down = ends
    leg, low = arc.leg, arrays["pits_low"]
    most = (
        int(arrays["pits_high"][up] - low[up]),
        int(arrays["pits_arrive_high"][down] - low[down]),
    )
    model.span(arc.z, arc.built, 0, most[0])
    model.span(arc.a, arc.built, 0, most[1])
    least, greatest = arrays["legs_least_fall"][leg], arrays["legs_most_fall"][leg]
    base = int(low[up] - low[down])
    model.row([(arc.z, 1.0), (arc.a, -1.0), (arc.built, float(base - least))], low=0.0)
    model.row([(arc.z, 1.0), (arc.a, -1.0), (arc.built, float(base - greatest))], high=0.0)

    def height(t: float, h: float) -> float:
        return h - (1 - t) * float(low[up]) - t * float(low[down])

    own = int(arrays["legs_rows"][leg])
    for k in range(*arrays["legs_row_start"][own : own + 2].tolist()):
        t, h = float(arrays["legs_row_t"][k]), float(arrays["legs_row_h"][k])
        model.row([(arc.z, 1 - t), (arc.a, t), (arc.built, max(-1e6, -height(t, h)))], high=0.0)
    for band in range(*arrays["legs_band_start"][own : own + 2].tolist()):
        below = model.column(upper=1.0, whole=True)
        low_row, high_row = arrays["legs_band_low"][band], arrays["legs_band_high"][band]
        for k in range(low_row, arrays["legs_band_low"][band + 1]):
            t, h = float(arrays["legs_band_t"][k]), float(arrays["legs_band_h"][k])
            at = height(t, max(h, float(low[up]) - 1e4))
            over = max(0.0, (1 - t) * most[0] + t * most[1] - at)  # by how much it can be above
            if k < high_row:
                terms = [(arc.z, 1 - t), (arc.a, t), (arc.built, -at), (below, over)]
                model.row(terms, high=over)
            else:
                terms = [(arc.z, 1 - t), (arc.a, t), (arc.built, -at), (below, max(0.0, at))]
                model.row(terms, low=0.0)


def _bind(model: Model, arc: Arc, shape: Shape) -> None:
    """A leg's levels within its shape."""
    model.span(arc.z, arc.built, *shape.z)
    model.span(arc.a, arc.built, *shape.a)
    for p, q, r in shape.sides:
        model.row([(arc.z, p), (arc.a, q), (arc.built, -r)], high=0.0)


def _add_pits(model: Model, arrays: Arrays, arcs: list[Arc]) -> None:
    """What leaves and arrives at every pit, by group and role."""
    out: dict[tuple[int, int], list[Arc]] = defaultdict(list)
    into: dict[tuple[int, int], list[Arc]] = defaultdict(list)
    for arc in arcs:
        upper, lower = ROLES[arc.drive]
        out[int(arrays["legs_out_group"][arc.leg]), upper].append(arc)
        into[int(arrays["legs_in_group"][arc.leg]), lower].append(arc)
    roots = set(arrays["roots"].tolist())
    for pit in range(len(arrays["pits_low"])):
        _add_pit(model, arrays, (pit, pit in roots), (out, into))


def _add_pit(
    model: Model, arrays: Arrays, which: tuple[int, bool],
    arcs: tuple[dict[tuple[int, int], list[Arc]], dict[tuple[int, int], list[Arc]]],
) -> None:  # fmt: skip
    pit, is_root = which
    out, into = arcs
    count = int(arrays["pits_high"][pit] - arrays["pits_low"][pit])
    groups = range(*arrays["groups_out_start"][pit : pit + 2].tolist())
    built: Terms = []
    levels: Terms = []
    passing = _Passing(defaultdict(list), defaultdict(list), defaultdict(list))
    for role in range(2):
        own: Terms = []
        heights: Terms = []
        for group in groups:
            leaving = out.get((group, role), [])
            if (not leaving and not is_root) or count < 0:
                continue
            x, z = model.column(upper=1.0), model.column(upper=count)
            if not is_root:
                model.row([(x, -1.0)] + [(arc.built, 1.0) for arc in leaving], 0.0, 0.0)
                model.row([(z, -1.0)] + [(arc.z, 1.0) for arc in leaving], 0.0, 0.0)
            _pass_through(model, arrays, (pit, group, role), (x, z, count), passing)
            own.append((x, 1.0))
            heights.append((z, 1.0))
        if own:
            _price_pit(model, arrays, (pit, role), (own, heights))
        built += own
        levels += heights
    if built:
        model.row(built, 1.0 if is_root else 0.0, 1.0)
        _make_whole(model, levels, count)
    elif is_root:
        model.row([], 1.0, 1.0)
    _join_arrivals(model, arrays, pit, into, passing)


def _make_whole(model: Model, levels: Terms, count: int) -> None:
    whole = model.column(upper=count, whole=True)
    model.row([(whole, -1.0), *levels], 0.0, 0.0)


class _Passing(NamedTuple):
    """Columns of ways through a pit, by group that arrives and role; levels by string."""

    built: dict[tuple[int, int], Terms]
    arrive: dict[tuple[int, int], Terms]
    string: dict[int, Terms]


def _pass_through(
    model: Model, arrays: Arrays, which: tuple[int, int, int], leave: tuple[int, int, int],
    passing: _Passing,
) -> None:  # fmt: skip
    """Each string arrives by one group that may turn into this one, or the pit is a head."""
    pit, group, role = which
    x, z, count = leave
    head_built: Terms = []
    head_level: Terms = []
    if math.isfinite(arrays["pits_price_head"][pit]):
        head = model.column(float(arrays["pits_price_head"][pit]), 1.0, whole=True)
        level = model.column()
        model.span(level, head, 0, count)
        head_built, head_level = [(head, 1.0)], [(level, 1.0)]
    for branch in range(max(1, int(arrays["pits_branches"][pit]))):
        built, level_sum = list(head_built), list(head_level)
        for pair in range(*arrays["groups_turn_start"][group : group + 2].tolist()):
            into = int(arrays["groups_turn_in"][pair])
            if pit_has(arrays, pit, branch) and arrays["groups_in_branch"][into] == branch:
                for y, w, a in _add_drops(
                    model, arrays, pit, int(arrays["groups_turn_drop"][pair])
                ):
                    built.append((y, 1.0))
                    level_sum.append((w, 1.0))
                    passing.built[into, role].append((y, 1.0))
                    passing.arrive[into, role].append((a, 1.0))
                    passing.string[branch].append((a, 1.0))
        model.row([(x, -1.0), *built], 0.0, 0.0)
        model.row([(z, -1.0), *level_sum], 0.0, 0.0)


def pit_has(arrays: Arrays, pit: int, branch: int) -> bool:
    """Whether a string of this number arrives at a pit."""
    return branch < int(arrays["pits_branches"][pit])


def _add_drops(model: Model, arrays: Arrays, pit: int, drop: int) -> list[tuple[int, int, int]]:
    """Ways to fall through a manhole, without and with a drop structure: built, levels out, in."""
    free, most = int(arrays["drops_free"]), int(arrays["drops_most"])
    rate = float(arrays["drops_price_level"])
    high = arrays["pits_high"][pit] - arrays["pits_low"][pit]
    arrive = arrays["pits_arrive_high"][pit] - arrays["pits_low"][pit]
    found = []
    for least, greatest, fixed, per_level in (
        (drop, min(free, most), 0.0, 0.0),
        (max(drop, free + 1), most, float(arrays["drops_price"]), rate),
    ):
        if greatest < least:
            continue
        y = model.column(fixed, 1.0, whole=True)
        w, a = model.column(-per_level), model.column(per_level)
        model.span(w, y, 0, high)
        model.span(a, y, 0, arrive)
        model.row([(a, 1.0), (w, -1.0), (y, -least)], low=0.0)
        model.row([(a, 1.0), (w, -1.0), (y, -greatest)], high=0.0)
        found.append((y, w, a))
    return found


def _price_pit(
    model: Model, arrays: Arrays, which: tuple[int, int], leave: tuple[Terms, Terms]
) -> None:
    """One column for each run of levels at which the same steps of depth are due."""
    pit, role = which
    low, high = int(arrays["pits_low"][pit]), int(arrays["pits_high"][pit])
    rate = float(arrays["pits_price_depth"][pit, role])
    built, levels = leave
    if not math.isfinite(arrays["pits_price"][pit, role]):
        model.row(built, 0.0, 0.0)
        return
    fixed = [pit_cost(arrays, pit, role, low + k) + rate * k for k in range(high - low + 1)]
    cuts = [0] + [k for k in range(1, len(fixed)) if abs(fixed[k] - fixed[k - 1]) > 1e-7]
    parts: Terms = []
    heights: Terms = []
    for first, after in zip(cuts, [*cuts[1:], len(fixed)], strict=True):
        x, z = model.column(fixed[first], 1.0, whole=True), model.column(-rate)
        model.span(z, x, first, after - 1)
        parts.append((x, -1.0))
        heights.append((z, -1.0))
    model.row(built + parts, 0.0, 0.0)
    model.row(levels + heights, 0.0, 0.0)


def _join_arrivals(
    model: Model, arrays: Arrays, pit: int,
    into: dict[tuple[int, int], list[Arc]], passing: _Passing,
) -> None:  # fmt: skip
    """Legs that arrive are those that the ways through the pit ask for."""
    for group in range(*arrays["groups_in_start"][pit : pit + 2].tolist()):
        for role in range(2):
            arcs = into.get((group, role), [])
            for terms, own in (
                (passing.built[group, role], [(arc.built, -1.0) for arc in arcs]),
                (passing.arrive[group, role], [(arc.a, -1.0) for arc in arcs]),
            ):
                if terms or own:
                    model.row(terms + own, 0.0, 0.0)
    for levels in passing.string.values():
        _make_whole(model, levels, int(arrays["pits_arrive_high"][pit] - arrays["pits_low"][pit]))


def _pass_model(model: Model) -> Any:
    lp = highspy.HighsLp()
    lp.num_col_, lp.num_row_ = len(model.cost), len(model.rows)
    lp.col_cost_ = np.array(model.cost)
    lp.col_lower_ = np.zeros(len(model.cost))
    lp.col_upper_ = np.array(model.upper)
    lp.row_lower_ = np.array([low for _, low, _ in model.rows])
    lp.row_upper_ = np.array([high for _, _, high in model.rows])
    lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    lp.a_matrix_.start_ = np.cumsum([0] + [len(terms) for terms, _, _ in model.rows])
    lp.a_matrix_.index_ = np.array([i for terms, _, _ in model.rows for i, _ in terms], np.int32)
    lp.a_matrix_.value_ = np.array([float(v) for terms, _, _ in model.rows for _, v in terms])
    kinds = {True: highspy.HighsVarType.kInteger, False: highspy.HighsVarType.kContinuous}
    lp.integrality_ = [kinds[whole] for whole in model.whole]
    solver: Any = highspy.Highs()  # type: ignore[no-untyped-call]  # published without types
    solver.setOptionValue("output_flag", False)
    solver.passModel(lp)
    return solver


def _read_plan(arrays: Arrays, arcs: list[Arc], values: np.ndarray) -> Plan:
    runs = []
    low, lower = arrays["pits_low"], lower_pits(arrays)
    for arc in arcs:
        if values[arc.built] > 0.5:
            up, down = arrays["legs_up"][arc.leg], lower[arc.leg]
            z, a = round(values[arc.z]), round(values[arc.a])
            runs.append(Run(arc.leg, arc.drive, int(low[up]) + z, int(low[down]) + a))
    return Plan(tuple(runs), roles_of_roots(arrays, tuple(runs)))


def roles_of_roots(arrays: Arrays, runs: tuple[Run, ...]) -> dict[int, int]:
    """Role of each root by the legs into it; the cheaper one of a root that nothing reaches."""
    down, found = lower_pits(arrays), {}
    for root in arrays["roots"].tolist():
        roles = [ROLES[run.drive][1] for run in runs if down[run.leg] == root]
        level = int(arrays["pits_low"][root])
        cheaper = min((0, 1), key=lambda role: pit_cost(arrays, root, role, level))
        found[root] = roles[0] if roles else cheaper
    return found
