"""Chooses each chain's pipe: the smallest that carries its peak at its least slope."""

from __future__ import annotations

from collections import defaultdict

import numpy as np

from planner.kernels.hydraulics import depth_ratio, full_velocity
from planner.model import Floats, RuleBook, Site
from planner.records import ChainPipe, Layout
from planner.rules import PipeSize, pipe_sizes, stepped

LITRES = 1000.0  # per cubic metre
DAY = 86_400.0  # [s]


def unit_flow(book: RuleBook) -> float:
    """Average flow of one person. [m3/s]"""
    return book.rules.number("flow_per_person_l_per_day") / LITRES / DAY


def people_of(site: Site) -> Floats:
    """People at each property; a given flow counts as the people who would make it."""
    flow = site.properties["flow_l_per_s"].to_numpy(float) / LITRES
    people = site.properties["people"].to_numpy(float)
    return np.asarray(np.where(np.isnan(flow), people, flow / unit_flow(site.book)), float)


def peak_factor(people: float, most: float) -> float:
    """Peak over average flow.

    Parameters
    ----------
    people
        People served.
    most
        Greatest factor.

    References
    ----------
    (18 + sqrt P) / (4 + sqrt P), P in thousands: Recommended Standards for Wastewater Facilities,
    figure 1.

    Examples
    --------
    >>> peak_factor(100_000.0, 4.5)
    2.0
    """
    root = float(np.sqrt(people / 1000.0))
    return min(most, (18.0 + root) / (4.0 + root))


def choose_pipes(site: Site, layout: Layout) -> tuple[ChainPipe, ...]:
    """The pipe of each chain, never smaller than what flows into it.

    Parameters
    ----------
    site
        The site.
    layout
        Chains, upstream first.
    """
    people = people_of(site)
    book = site.book
    into: dict[int, list[int]] = defaultdict(list)
    total: list[float] = []
    chosen: list[ChainPipe] = []
    method = book.equipment.text("method")
    sizes = [size for size in pipe_sizes(book) if size.method == method]
    for i, chain in enumerate(layout.chains):
        above = into[chain.up] if chain.up >= 0 else []
        total.append(float(people[chain.properties].sum()) + sum(total[j] for j in above))
        peak = total[i] * unit_flow(book) * peak_factor(total[i], _most(book))
        least = max([chosen[j].nominal for j in above], default=0.0)
        chosen.append(_smallest(book, sizes, peak, least))
        into[chain.down].append(i)
    return tuple(chosen)


def _most(book: RuleBook) -> float:
    return book.rules.number("max_peak_factor")


def _smallest(book: RuleBook, sizes: list[PipeSize], peak: float, least: float) -> ChainPipe:
    """The first size that carries a peak at its least slope, or the largest there is."""
    usable = [size for size in sizes if size.nominal_mm >= least] or sizes[-1:]
    for size in usable:
        slope = least_slope(book, size)
        ratio = depth_ratio(peak, size.inside_m, slope, book.rules.number("manning_n"))
        if ratio <= stepped(book.rules, "max_depth_ratio", size.nominal_mm):
            break
    return pipe_in_bore(book, size, peak)


def pipe_in_bore(book: RuleBook, size: PipeSize, peak: float) -> ChainPipe:
    """A size as a chain lays it: its bore and its window of slopes."""
    oversize = book.equipment.entry("bore_oversize_mm", size.method) / 1000
    return ChainPipe(
        nominal=size.nominal_mm, inside=size.inside_m, outside=size.outside_m,
        bore=size.outside_m + oversize, material=size.material, method=size.method,
        min_slope=least_slope(book, size), max_slope=greatest_slope(book, size, peak), peak=peak,
    )  # fmt: skip


def least_slope(book: RuleBook, size: PipeSize) -> float:
    """Least slope of a size: the table's, or what makes it flow fast enough when full. [m/m]"""
    rules = book.rules
    table = stepped(rules, "min_slope_pct", size.nominal_mm) / 100
    if rules.text("self_cleansing") != "velocity":
        return table
    at_one = full_velocity(size.inside_m, 1.0, rules.number("manning_n"))
    return max(table, (rules.number("min_velocity_m_per_s") / at_one) ** 2)


def greatest_slope(book: RuleBook, size: PipeSize, peak: float) -> float:
    """Greatest slope of a size: the rule's, or where its peak flows too fast. [m/m]"""
    most = book.rules.number("max_slope_pct") / 100
    limit = book.rules.number("max_velocity_m_per_s")
    if design_velocity(book, size.inside_m, most, peak) <= limit:
        return most
    low, high = least_slope(book, size), most
    for _ in range(60):
        middle = (low + high) / 2
        if design_velocity(book, size.inside_m, middle, peak) <= limit:
            low = middle
        else:
            high = middle
    return low


def design_velocity(book: RuleBook, inside: float, slope: float, peak: float) -> float:
    """Velocity at design flow; of a full pipe where it cannot carry it. [m/s]"""
    n = book.rules.number("manning_n")
    if peak <= 0:
        return 0.0
    ratio = depth_ratio(peak, inside, slope, n)
    if np.isnan(ratio):
        return full_velocity(inside, slope, n)
    theta = 2 * np.arccos(1 - 2 * ratio)
    area = inside**2 / 8 * (theta - np.sin(theta))
    return float(peak / area)
