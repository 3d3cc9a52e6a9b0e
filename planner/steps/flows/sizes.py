"""Sizes of pipes, the slopes that each may have at a flow, and how flows run in them."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from planner.kernels.hydraulics import (
    FlowStates,
    depth_ratio,
    depth_ratios,
    states_at_depth,
)
from planner.kernels.roughness import (
    depth_ratio_of_varying_n,
    depth_ratios_of_varying_n,
    slope_window_of_varying_n,
)
from planner.kernels.slopes import SlopeLimits, slope_window
from planner.model import RuleBook
from planner.records import ChainPipe
from planner.rules import PipeSize, pipe_sizes, stepped
from planner.steps.flows.loads import ROUNDING, people_within

BOUNDS = (
    "min_slope_pct",
    "min_velocity_m_per_s",
    "min_shear_pa",
    "max_depth_ratio",
    "max_slope_pct",
    "max_velocity_m_per_s",
)  # by the codes of `planner.kernels.slopes`


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


def usable_sizes(book: RuleBook, method: str) -> tuple[PipeSize, ...]:
    """Sizes of the method's own series, from the smallest."""
    return tuple(size for size in pipe_sizes(book) if size.method == method)


def slopes_of(book: RuleBook, size: PipeSize, peak: float) -> SlopeWindow:
    """Legal slopes of a size at a peak, in m3/s, and the rules that fix them."""
    return slopes_at(book, size.nominal_mm, size.inside_m, peak)


def slopes_at(
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


def first_size(book: RuleBook, sizes: tuple[PipeSize, ...], peak: float) -> int:
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
