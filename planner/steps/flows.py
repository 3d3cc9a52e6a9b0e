"""Design flows of pipes, the smallest size that carries them, and the slopes it may have."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from planner.kernels.hydraulics import (
    FlowStates,
    depth_ratio,
    depth_ratios,
    states_at_depth,
)
from planner.kernels.peaks import design_peak, peak_factor, people_equivalents, sum_down
from planner.kernels.roughness import (
    depth_ratio_of_varying_n,
    depth_ratios_of_varying_n,
    slope_window_of_varying_n,
)
from planner.kernels.slopes import SlopeLimits, slope_window
from planner.model import Floats, RuleBook, Site
from planner.records import Bools, ChainPipe, ChainSlopes, Layout, Piping, Route
from planner.rules import PipeSize, pipe_sizes, stepped

__all__ = [
    "FlowLoads", "SlopeWindow", "choose_size",
    "find_impossible_loads", "largest_peak", "lay_pipes", "load_legs", "load_pipes",
    "peak_factor", "people_of", "pipe_in_bore", "run_states", "shed_load", "slopes_along",
    "slopes_of", "sum_down", "unit_flow", "usable_sizes",
]  # fmt: skip

LITRES = 1000.0  # per cubic metre
DAY = 86_400.0  # [s]
M_MM = 1e-6  # [m3/s per m and mm] of one L/s per km and mm
BOUNDS = (
    "min_slope_pct",
    "min_velocity_m_per_s",
    "min_shear_pa",
    "max_depth_ratio",
    "max_slope_pct",
    "max_velocity_m_per_s",
)  # by the codes of `planner.kernels.slopes`
ROUNDING = 1e-9  # relative
SHORTER, LONGER = 0.8, 1.1  # what is bored, over the centreline's length: chords cut corners, and
# change lanes


@dataclass(frozen=True, eq=False)
class FlowLoads:
    """What drains through pipes; each (pipes,)."""

    people: Floats  # at the end of the design life, given flows counted as people
    average: Floats  # [m3/s]
    infiltration: Floats  # [m3/s]
    peak: Floats  # [m3/s] design peak
    present_peak: Floats  # [m3/s] with the people of now


@dataclass(frozen=True)
class SlopeWindow:
    """Legal slopes of one size at one flow; none where the least is above the greatest."""

    least: float  # [m/m]
    most: float  # [m/m]
    fixes_least: str  # name of the rule
    fixes_most: str

    @property
    def empty(self) -> bool:
        """Whether no slope is legal."""
        return self.least > self.most


def unit_flow(book: RuleBook) -> float:
    """Average flow of one person, in m3/s."""
    return book.rules.number("flow_per_person_l_per_day") / LITRES / DAY


def people_of(site: Site) -> Floats:
    """People at each property now; a given flow counts as the people who would make it."""
    flow = site.properties["flow_l_per_s"].to_numpy(float) / LITRES
    people = site.properties["people"].to_numpy(float)
    return people_equivalents(people, flow, unit_flow(site.book))


def load_pipes(
    book: RuleBook, people: ArrayLike, length_size: ArrayLike, parent: ArrayLike
) -> FlowLoads:
    """Design flows of the pipes of a tree.

    Parameters
    ----------
    book
        Rules.
    people : (pipes,)
        People who join each pipe itself now, given flows counted as people; those who join on a
        leg count as if they joined at its upper end.
    length_size : (pipes,)
        Length times nominal size of each pipe, for infiltration. [m mm]
    parent : (pipes,)
        Number of the pipe that each flows into, -1 where it leaves the tree.

    Raises
    ------
    ValueError
        Where pipes flow in a circle.
    """
    rules = book.rules
    now = sum_down(people, parent)
    future = now * rules.number("future_people_factor")
    rate = rules.number("infiltration_l_per_s_per_km_per_mm") * M_MM
    leak = sum_down(length_size, parent) * rate
    most, one = rules.number("max_peak_factor"), unit_flow(book)
    return FlowLoads(
        people=future,
        average=future * one,
        infiltration=leak,
        peak=design_peak(future, future * one, leak, most),
        present_peak=design_peak(now, now * one, leak, most),
    )


def load_legs(site: Site, route: Route) -> FlowLoads:
    """Design flows of the legs of a route; who joins a leg counts as joining at its upper end."""
    own = np.zeros(len(route.leg_length))
    served = route.property_leg >= 0
    np.add.at(own, route.property_leg[served], people_of(site)[served])
    leaving = {int(pit): leg for leg, pit in enumerate(route.leg_up)}
    parent = [leaving.get(int(pit), -1) for pit in route.leg_down]
    return load_pipes(site.book, own, route.leg_length * route.leg_nominal, parent)


def usable_sizes(book: RuleBook, method: str) -> tuple[PipeSize, ...]:
    """Sizes of the method's own series, from the smallest."""
    return tuple(size for size in pipe_sizes(book) if size.method == method)


def slopes_of(book: RuleBook, size: PipeSize, peak: float) -> SlopeWindow:
    """Legal slopes of a size at a peak, in m3/s, and the rules that fix them."""
    return _slopes_of(book, size.nominal_mm, size.inside_m, peak)


def _slopes_of(
    book: RuleBook, nominal: float, inside: float, peak: float, *, shear: bool = True
) -> SlopeWindow:
    """Legal slopes; without shear the least of them never falls as the peak grows."""
    window = slope_window_of_varying_n if _varies(book) else slope_window
    limits = _limits(book, nominal)
    limits = limits if shear else limits._replace(min_shear=0.0)
    least, most, by_least, by_most = window(peak, inside, limits)
    return SlopeWindow(least, most, BOUNDS[by_least], BOUNDS[by_most])


def _varies(book: RuleBook) -> bool:
    return book.rules.text("roughness") == "varying"


def _limits(book: RuleBook, nominal: float) -> SlopeLimits:
    rules = book.rules
    by_shear = rules.text("self_cleansing") == "shear"
    return SlopeLimits(
        n=rules.number("manning_n"),
        min_slope=stepped(rules, "min_slope_pct", nominal) / 100,
        max_slope=rules.number("max_slope_pct") / 100,
        min_full_velocity=0.0 if by_shear else rules.number("min_velocity_m_per_s"),
        max_velocity=rules.number("max_velocity_m_per_s"),
        min_shear=rules.number("min_shear_pa") if by_shear else 0.0,
        max_depth=stepped(rules, "max_depth_ratio", nominal),
    )


def choose_size(
    book: RuleBook, sizes: Iterable[PipeSize], peak: float, slope: float | None = None
) -> PipeSize | None:
    """The smallest size that carries a peak at the allowed depth.

    Parameters
    ----------
    book
        Rules.
    sizes
        Sizes, from the smallest.
    peak
        Design peak. [m3/s]
    slope
        Slope of the pipe; `None` for the least that the size may have without flow. [m/m]

    Returns
    -------
    The size; `None` where even the largest is too small.
    """
    for size in sizes:
        at = slopes_of(book, size, 0.0).least if slope is None else slope
        depth = _depth(book, peak, size.inside_m, at)
        if depth <= stepped(book.rules, "max_depth_ratio", size.nominal_mm) * (1 + ROUNDING):
            return size
    return None


def _depth(book: RuleBook, flow: float, inside: float, slope: float) -> float:
    one = depth_ratio_of_varying_n if _varies(book) else depth_ratio
    return float(one(flow, inside, slope, book.rules.number("manning_n")))


def lay_pipes(site: Site, layout: Layout) -> Piping:
    """Sizes that each chain may be laid in.

    The smallest is the first that carries, at some legal slope, what arrives at the chain's upper
    end; the largest the first that carries all of its peak at the least slope it may have without
    flow. A larger one would only serve to lie flatter, which is no reason to lay it: with little
    flow it does not clean itself (common practice, from memory of the Ten States text on slopes).

    Parameters
    ----------
    site
        The site.
    layout
        Chains, upstream first.
    """
    book, people = site.book, people_of(site)
    sizes = usable_sizes(book, book.equipment.text("method"))
    into = _inflows(layout)
    joined = _joined(layout, people)
    length_size = np.zeros(len(layout.chains))  # [m mm] most of a chain and all above
    ranges: list[tuple[int, int]] = []  # of the sizes of each chain
    too_much = []
    for i, chain in enumerate(layout.chains):
        inflow = float(sum(length_size[j] for j in into[i]))
        top = joined[i] - float(people[chain.properties].sum())
        first = _first_size(book, sizes, _peak(book, top, inflow))
        first = max([min(first, len(sizes) - 1), *(ranges[j][0] for j in into[i])])
        peak, last = 0.0, first
        for last in range(first, len(sizes)):
            leak = inflow + chain.length * sizes[last].nominal_mm
            peak = _peak(book, joined[i], leak)
            if choose_size(book, [sizes[last]], peak) is not None:
                break
        if _first_size(book, sizes, peak) == len(sizes):
            too_much.append((i, peak))
        last = max([last, *(ranges[j][1] for j in into[i])])
        ranges.append((first, last))
        length_size[i] = inflow + LONGER * chain.length * sizes[last].nominal_mm
    pipes = [pipe_in_bore(book, s) for first, last in ranges for s in sizes[first : last + 1]]
    ends = np.cumsum([0] + [last - first + 1 for first, last in ranges])
    numbers = tuple(tuple(range(a, b)) for a, b in pairwise(ends.tolist()))
    return Piping(tuple(pipes), numbers, tuple(too_much))


def slopes_along(
    site: Site, layout: Layout, piping: Piping, served: Bools
) -> tuple[ChainSlopes, ...]:
    """Legal slopes along every chain, by the people of the served properties.

    Parameters
    ----------
    site, layout
        The site and its chains, upstream first.
    piping
        Sizes of each chain.
    served : (properties,)
        Properties that drain to the sewer.
    """
    people = np.where(served, people_of(site), 0.0)
    joined, into = _joined(layout, people), _inflows(layout)
    least, most = np.zeros(len(layout.chains)), np.zeros(len(layout.chains))  # [m mm]
    found = []
    for i, chain in enumerate(layout.chains):
        own = piping.of_chain[i]
        small, large = piping.pipes[own[0]].nominal, piping.pipes[own[-1]].nominal
        inflow = sum(least[j] for j in into[i]), sum(most[j] for j in into[i])
        found.append(_chain_slopes(site, (layout, piping, i), (people, joined[i]), inflow))
        least[i] = inflow[0] + SHORTER * chain.length * small
        most[i] = inflow[1] + LONGER * chain.length * large
    return tuple(found)


def _chain_slopes(
    site: Site, at: tuple[Layout, Piping, int], loads: tuple[Floats, float],
    inflow: tuple[float, float],
) -> ChainSlopes:  # fmt: skip
    layout, piping, number = at
    chain, own = layout.chains[number], piping.of_chain[number]
    people, joined = loads
    rows = chain.properties[people[chain.properties] > 0]
    where = chain.property_stations[people[chain.properties] > 0]
    order = np.argsort(where, kind="stable")
    stations = where[order]
    below = np.concatenate([[0.0], np.cumsum(people[rows[order]])])
    flow_people = np.maximum(joined - below, 0.0)
    near = np.concatenate([[0.0], stations])  # lowest and highest place of the leg's lower pit
    far = np.concatenate([stations, [chain.length]])
    windows = np.empty((4, len(own), len(flow_people)))
    for k, pipe in enumerate(own):
        nominal = piping.pipes[pipe].nominal
        low = inflow[0] + SHORTER * np.maximum(chain.length - far, 0.0) * nominal
        high = inflow[1] + LONGER * np.maximum(chain.length - near, 0.0) * nominal
        windows[:, k] = _window_range(site.book, piping.pipes[pipe], flow_people, (low, high))
    return ChainSlopes(stations, *windows)


def _window_range(
    book: RuleBook, pipe: ChainPipe, people: Floats, leak: tuple[Floats, Floats]
) -> Floats:
    """Slopes legal at both leaks, and the least and greatest that could be: (4, people). [m/m]"""
    peaks = np.array([
        [_peak(book, float(count), float(more)) for count, more in zip(people, one, strict=True)]
        for one in leak
    ])  # fmt: skip
    windows = [_slopes_of(book, pipe.nominal, pipe.inside, peak) for peak in peaks.ravel().tolist()]
    low = np.array([window.least for window in windows]).reshape(2, -1)
    high = np.array([window.most for window in windows]).reshape(2, -1)
    rising = [_slopes_of(book, pipe.nominal, pipe.inside, q, shear=False).least for q in peaks[0]]
    floor = np.where(peaks[0] == peaks[1], low[0], rising)
    return np.stack([low.max(axis=0), high.min(axis=0), floor, high[0]])


def _inflows(layout: Layout) -> list[list[int]]:
    """Chains that flow into the upper end of each chain."""
    into: dict[int, list[int]] = defaultdict(list)
    for i, chain in enumerate(layout.chains):
        into[chain.down].append(i)
    return [into[chain.up] if chain.up >= 0 else [] for chain in layout.chains]


def _joined(layout: Layout, people: Floats) -> list[float]:
    """People of each chain and all above it."""
    joined: list[float] = []
    for chain, above in zip(layout.chains, _inflows(layout), strict=True):
        joined.append(float(people[chain.properties].sum()) + sum(joined[j] for j in above))
    return joined


def _peak(book: RuleBook, people: float, length_size: float) -> float:
    """Design peak of people and of infiltration over a length times nominal size, in m3/s."""
    return float(load_pipes(book, [people], [length_size], [-1]).peak[0])


def _first_size(book: RuleBook, sizes: tuple[PipeSize, ...], peak: float) -> int:
    """First size with a legal slope for a peak; as many as there are where none has."""
    for i, size in enumerate(sizes):
        if not slopes_of(book, size, peak).empty:
            return i
    return len(sizes)


def pipe_in_bore(book: RuleBook, size: PipeSize) -> ChainPipe:
    """A size as it is laid: its bore, and its slopes without flow."""
    oversize = book.equipment.entry("bore_oversize_mm", size.method) / 1000
    window = slopes_of(book, size, 0.0)
    return ChainPipe(
        nominal=size.nominal_mm, inside=size.inside_m, outside=size.outside_m,
        bore=size.outside_m + oversize, material=size.material, method=size.method,
        min_slope=window.least, max_slope=window.most,
    )  # fmt: skip


def run_states(book: RuleBook, flow: ArrayLike, inside: ArrayLike, slope: ArrayLike) -> FlowStates:
    """How flows run in pipes, in SI; an overloaded pipe counts as full, all else NaN there."""
    n = book.rules.number("manning_n")
    depths_of = depth_ratios_of_varying_n if _varies(book) else depth_ratios
    flow, inside, slope = (np.atleast_1d(np.asarray(one, float)) for one in (flow, inside, slope))
    depth = depths_of(flow, inside, slope, n)
    states = states_at_depth(flow, inside, slope, n, depth)
    over = np.isnan(depth)
    return states._replace(
        depth_ratio=np.where(over, 1.0, depth),
        velocity=np.where(over, flow / (math.pi / 4 * inside**2), states.velocity),
    )


def largest_peak(book: RuleBook, size: PipeSize) -> float:
    """Greatest peak for which a size has a legal slope, in m3/s."""
    low, high = 0.0, 1.0
    while not slopes_of(book, size, high).empty:
        low, high = high, 2.0 * high
    while high - low > ROUNDING * high:
        middle = (low + high) / 2
        low, high = (low, middle) if slopes_of(book, size, middle).empty else (middle, high)
    return low


def people_within(book: RuleBook, peak: float) -> float:
    """Most people whose design peak, infiltration left aside, is no greater than one in m3/s."""
    low, high = 0.0, 1.0
    while _peak(book, high, 0.0) <= peak:
        low, high = high, 2.0 * high
    while high - low > ROUNDING * high:
        middle = (low + high) / 2
        low, high = (middle, high) if _peak(book, middle, 0.0) <= peak else (low, middle)
    return low


def sizes_by_people(book: RuleBook, most: float) -> list[tuple[PipeSize, float]]:
    """Sizes of the usual method up to what so many people need, and from how many each is laid."""
    found: list[tuple[PipeSize, float]] = []
    least = 0.0
    for size in usable_sizes(book, book.equipment.text("method")):
        if least > most:
            break
        carries = people_within(book, largest_peak(book, size))
        if carries > least or not found:
            found.append((size, least))
            least = max(least, carries)
    return found


def shed_load(site: Site, layout: Layout, piping: Piping) -> dict[int, str]:
    """Properties to leave out where no pipe carries what flows in a chain, and why.

    The largest flows are left out first, as few as will do.

    Parameters
    ----------
    site
        The site.
    layout
        Chains, upstream first.
    piping
        Sizes of each chain, and which chains no size carries.
    """
    if not piping.too_much:
        return {}
    book, people = site.book, people_of(site)
    size = usable_sizes(book, book.equipment.text("method"))[-1]
    most, into = largest_peak(book, size), _inflows(layout)
    streets = site.streets["street"].astype(str).tolist()
    shed: dict[int, str] = {}
    for number, peak in piping.too_much:
        street = streets[layout.chains[number].rows[0]]
        what = (
            f"capacity: a peak of {peak * LITRES:.1f} L/s would flow in {street}, the largest "
            f"pipe, {size.nominal_mm:.0f} mm, "
            f"carries {most * LITRES:.1f} L/s; drain {(peak - most) * LITRES:.1f} L/s elsewhere"
        )
        rows = [row for row in _above(layout, into, number) if row not in shed]
        rows.sort(key=lambda row: (-people[row], row))
        leak = peak - _peak(book, _joined(layout, people)[number], 0.0)
        while rows and _peak(book, float(people[rows].sum()), 0.0) + leak > most:
            shed[rows.pop(0)] = what
    return shed


def _above(layout: Layout, into: list[list[int]], number: int) -> list[int]:
    """Properties of a chain and of all chains above it."""
    rows: list[int] = layout.chains[number].properties.tolist()
    return rows + [row for above in into[number] for row in _above(layout, into, above)]


def find_impossible_loads(site: Site) -> list[dict[str, Any]]:
    """Breach for every property whose stated people or flow is negative; see the ledger."""
    names = dict(zip(site.properties["row"].tolist(), site.properties["property_id"], strict=True))
    units = {"people": "people", "flow_l_per_s": "L/s"}
    return [
        {"rule": entry.column, "subject": str(names.get(row, f"row {row}")), "value": value,
         "limit": 0.0, "unit": units[entry.column], "severity": "breach",
         "source": "properties layer",
         "remedy": f"state {entry.column} of 0 or more in {entry.file}, row {row}; "
         "until then the usual people are taken"}
        for entry in site.ledger
        if entry.layer == "properties" and entry.kind == "doubt" and entry.column in units
        for row, value in zip(entry.rows, entry.values, strict=False)
        if value < 0
    ]  # fmt: skip
