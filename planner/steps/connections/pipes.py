"""The pipe of each connection: the smallest that is allowed and carries the property's peak."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from planner.kernels.hydraulics import full_capacity
from planner.kernels.part_full import TOP_RATIO, flow_ratio
from planner.kernels.peaks import design_peak, people_equivalents
from planner.model import Floats, RuleBook, Site
from planner.records import Ints
from planner.rules import PipeSize, pipe_table, stepped

LITRES = 1000.0  # per cubic metre
DAY = 86_400.0  # [s]


class HousePipes(NamedTuple):
    """Pipes of connections, each (ways,)."""

    nominal: Floats  # [mm]
    inside: Floats  # [m]
    outside: Floats  # [m]
    slope: Floats  # least one of the size [m/m]
    peak: Floats  # of the property [m3/s]
    carries: Floats  # at that slope and the allowed depth [m3/s]


def choose_pipes(site: Site, row: Ints) -> HousePipes:
    """Pipe of each property, by its row; the largest where even that is too small."""
    rules = site.book.rules
    people = _people(site, row)
    unit = rules.number("flow_per_person_l_per_day") / LITRES / DAY
    peak = design_peak(people, people * unit, 0.0, rules.number("max_peak_factor"))
    sizes = _sizes(site.book)
    large = people > rules.number("connection_large_people")
    fits = peak[:, None] <= sizes[:, 4]
    fits &= ~large[:, None] | (sizes[:, 0] >= rules.number("connection_large_diameter_mm"))
    first = np.where(fits.any(axis=1), fits.argmax(axis=1), len(sizes) - 1)
    nominal, inside, outside, slope, carries = sizes[first].T
    return HousePipes(nominal, inside, outside, slope, peak, carries)


def _people(site: Site, row: Ints) -> Floats:
    """People of properties at the end of the design life, given flows counted as people."""
    rules = site.book.rules
    flow = site.properties["flow_l_per_s"].to_numpy(float)[row]
    people = site.properties["people"].to_numpy(float)[row]
    unit = rules.number("flow_per_person_l_per_day") / DAY
    return people_equivalents(people, flow, unit) * rules.number("future_people_factor")


def _sizes(book: RuleBook) -> Floats:
    """Nominal [mm], inside and outside [m], least slope, and what it carries [m3/s] by size."""
    rules = book.rules
    least = rules.number("connection_diameter_mm")
    large = max(least, rules.number("connection_large_diameter_mm"))
    series = [
        pipe for pipe in pipe_table() if pipe.series == book.equipment.text("connection_pipe")
    ]
    sold = {pipe.nominal_mm for pipe in series if pipe.nominal_mm > large}
    nominals = sorted({least, large, *sold})
    return np.array([_size(book, series, nominal) for nominal in nominals])


def _size(book: RuleBook, series: list[PipeSize], nominal: float) -> tuple[float, ...]:
    """One row of `_sizes`: the slimmest pipe of the series that counts as a nominal size."""
    rules = book.rules
    least = nominal * rules.number("min_inside_ratio")
    fits = [pipe for pipe in series if pipe.inside_mm >= least]
    pipe = min(fits or series, key=lambda pipe: pipe.outside_mm if fits else -pipe.outside_mm)
    slope = stepped(rules, "connection_min_slope_pct", nominal) / 100
    full = full_capacity(pipe.inside_m, slope, rules.number("manning_n"))
    depth = min(stepped(rules, "max_depth_ratio", nominal), TOP_RATIO)
    return nominal, pipe.inside_m, pipe.outside_m, slope, full * flow_ratio(depth)
