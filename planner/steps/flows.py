"""Design flows of pipes, the smallest size that carries them, and the slopes it may have."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
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
from planner.records import ChainPipe, Layout, Route
from planner.rules import PipeSize, pipe_sizes, stepped

__all__ = [
    "FlowLoads", "SlopeWindow", "check_spare", "choose_pipes", "choose_size", "load_legs",
    "load_pipes", "peak_factor", "people_of", "pipe_in_bore", "run_states", "slopes_of", "sum_down",
    "unit_flow", "usable_sizes",
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
    window = slope_window_of_varying_n if _varies(book) else slope_window
    least, most, by_least, by_most = window(peak, size.inside_m, _limits(book, size))
    return SlopeWindow(least, most, BOUNDS[by_least], BOUNDS[by_most])


def _varies(book: RuleBook) -> bool:
    return book.rules.text("roughness") == "varying"


def _limits(book: RuleBook, size: PipeSize) -> SlopeLimits:
    rules = book.rules
    by_shear = rules.text("self_cleansing") == "shear"
    return SlopeLimits(
        n=rules.number("manning_n"),
        min_slope=stepped(rules, "min_slope_pct", size.nominal_mm) / 100,
        max_slope=rules.number("max_slope_pct") / 100,
        min_full_velocity=0.0 if by_shear else rules.number("min_velocity_m_per_s"),
        max_velocity=rules.number("max_velocity_m_per_s"),
        min_shear=rules.number("min_shear_pa") if by_shear else 0.0,
        max_depth=stepped(rules, "max_depth_ratio", size.nominal_mm),
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


def choose_pipes(site: Site, layout: Layout) -> tuple[ChainPipe, ...]:
    """The pipe of each chain, never of a smaller nominal size than what flows into it.

    Parameters
    ----------
    site
        The site.
    layout
        Chains, upstream first.
    """
    book, people = site.book, people_of(site)
    sizes = usable_sizes(book, book.equipment.text("method"))
    into: dict[int, list[int]] = defaultdict(list)
    joined: list[float] = []  # people of a chain and all above
    length_size: list[float] = []  # [m mm] likewise
    chosen: list[ChainPipe] = []
    for i, chain in enumerate(layout.chains):
        above = into[chain.up] if chain.up >= 0 else []
        joined.append(float(people[chain.properties].sum()) + sum(joined[j] for j in above))
        inflow = sum(length_size[j] for j in above)
        fits = [s for s in sizes if all(s.nominal_mm >= chosen[j].nominal for j in above)]
        pipe = (chain.length, inflow)
        size, peak = _size_with_leak(book, fits or list(sizes[-1:]), joined[i], pipe)
        length_size.append(inflow + chain.length * size.nominal_mm)
        chosen.append(pipe_in_bore(book, size, peak))
        into[chain.down].append(i)
    return tuple(chosen)


def _size_with_leak(
    book: RuleBook, sizes: list[PipeSize], people: float, pipe: tuple[float, float]
) -> tuple[PipeSize, float]:
    """First size that carries its peak, its own infiltration included, else the largest."""
    length, inflow = pipe
    for size in sizes:
        leak = inflow + length * size.nominal_mm
        peak = float(load_pipes(book, [people], [leak], [-1]).peak[0])
        if choose_size(book, [size], peak) is not None:
            break
    return size, peak


def pipe_in_bore(book: RuleBook, size: PipeSize, peak: float) -> ChainPipe:
    """A size as a chain lays it: its bore and its window of slopes at a peak, in m3/s."""
    oversize = book.equipment.entry("bore_oversize_mm", size.method) / 1000
    window = slopes_of(book, size, peak)
    return ChainPipe(
        nominal=size.nominal_mm, inside=size.inside_m, outside=size.outside_m,
        bore=size.outside_m + oversize, material=size.material, method=size.method,
        min_slope=window.least, max_slope=window.most, peak=peak,
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


def check_spare(site: Site, tie_in: int, peak: float) -> dict[str, Any] | None:
    """Breach where a tie-in, by its row, has less spare capacity than a peak; else `None`.

    A tie-in whose spare capacity is not given is not checked.
    """
    row = site.tie_ins.iloc[tie_in]
    spare, ours = float(row["spare_l_per_s"]), peak * LITRES
    if math.isnan(spare) or ours <= spare * (1 + ROUNDING):
        return None
    return {
        "rule": "spare_l_per_s", "subject": str(row["tie_in_id"]), "value": ours, "limit": spare,
        "unit": "L/s", "severity": "breach", "source": "tie_ins layer",
        "remedy": f"enlarge the existing sewer, or drain {ours - spare:.2f} L/s elsewhere",
    }  # fmt: skip


def check_carried(
    book: RuleBook, subject: str, size: PipeSize, peak: float
) -> dict[str, Any] | None:
    """Breach where no slope is legal for a peak, in m3/s, in a size; else `None`."""
    window = slopes_of(book, size, peak)
    if not window.empty:
        return None
    slope = min(window.least, book.rules.number("max_slope_pct") / 100)
    state = run_states(book, peak, size.inside_m, slope)
    too_fast = window.fixes_most == "max_velocity_m_per_s"
    name = window.fixes_most if too_fast else window.fixes_least
    value = state.velocity if too_fast else state.depth_ratio
    rule = book.rules[name]
    return {
        "rule": name, "subject": subject, "value": float(value[0]),
        "limit": stepped(book.rules, name, size.nominal_mm), "unit": rule.unit,
        "severity": "breach", "source": rule.source,
        "remedy": f"{peak * LITRES:.1f} L/s is too much for {size.nominal_mm:.0f} mm at any slope; "
        "divide the flow, or add larger pipes",
    }  # fmt: skip
