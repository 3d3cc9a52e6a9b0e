"""Sizes and legal slopes along the chains of a layout, by what flows in them."""

from __future__ import annotations

from collections import defaultdict
from itertools import pairwise

import numpy as np

from planner.model import Floats, RuleBook, Site
from planner.records import Bools, ChainPipe, ChainSlopes, Layout, Piping
from planner.steps.flows.loads import LITRES, peak_of, people_of
from planner.steps.flows.sizes import (
    choose_size,
    first_size,
    largest_peak,
    pipe_in_bore,
    slopes_at,
    usable_sizes,
)

SHORTER, LONGER = 0.8, 1.1  # what is bored, over the centreline's length: chords cut corners, and
# change lanes


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
        first = first_size(book, sizes, peak_of(book, top, inflow))
        first = max([min(first, len(sizes) - 1), *(ranges[j][0] for j in into[i])])
        peak, last = 0.0, first
        for last in range(first, len(sizes)):
            leak = inflow + chain.length * sizes[last].nominal_mm
            peak = peak_of(book, joined[i], leak)
            if choose_size(book, [sizes[last]], peak) is not None:
                break
        if first_size(book, sizes, peak) == len(sizes):
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
        [peak_of(book, float(count), float(more)) for count, more in zip(people, one, strict=True)]
        for one in leak
    ])  # fmt: skip
    windows = [slopes_at(book, pipe.nominal, pipe.inside, peak) for peak in peaks.ravel().tolist()]
    low = np.array([window.least for window in windows]).reshape(2, -1)
    high = np.array([window.most for window in windows]).reshape(2, -1)
    rising = [slopes_at(book, pipe.nominal, pipe.inside, q, shear=False).least for q in peaks[0]]
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
        leak = peak - peak_of(book, _joined(layout, people)[number], 0.0)
        while rows and peak_of(book, float(people[rows].sum()), 0.0) + leak > most:
            shed[rows.pop(0)] = what
    return shed


def _above(layout: Layout, into: list[list[int]], number: int) -> list[int]:
    """Properties of a chain and of all chains above it."""
    rows: list[int] = layout.chains[number].properties.tolist()
    return rows + [row for above in into[number] for row in _above(layout, into, above)]
