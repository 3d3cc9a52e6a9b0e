"""Chooses one way for every property: clear of services first, then the cheapest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.model import Floats, Site
from planner.records import Bools, Ints
from planner.steps.connections.levels import Pairs, SolidServices, choose_levels
from planner.steps.connections.prices import (
    Surfaces,
    choose_methods,
    find_surfaces,
    prices_of,
    riser_prices,
)
from planner.steps.connections.ways import Texts, Ways


@dataclass(frozen=True, eq=False)
class Chosen:
    """The way of every served property, with its levels, method and price, each (ways,)."""

    ways: Ways
    levels: Pairs
    method: Texts
    riser: Floats  # [m] between the sewer and the connection
    surfaces: Surfaces
    price: Floats  # pavement and lanes included


def choose_ways(site: Site, ways: Ways, services: SolidServices) -> Chosen:
    """The best way of each property that has one.

    Parameters
    ----------
    site
        The site.
    ways
        Ways that can be built, of a property the one to its leg first.
    services
        Buried services as solid pieces.

    Returns
    -------
    One way a property: the one with the best levels (see `choose_levels`), then the least price,
    then the first.
    """
    ways = ways.take(_worth_a_look(site, ways))
    pairs, faults = choose_levels(site, ways, services)
    step, method = site.project.level_step, choose_methods(site, ways)
    riser = (pairs.low - ways.lowest) * step
    price = prices_of(site, method, ways.length) + riser_prices(site, riser)
    too_deep = np.maximum(ways.shallow - pairs.low, 0.0)
    order = np.lexsort((np.arange(len(price)), price, too_deep, *faults.T[::-1], ways.row))
    _, first = np.unique(ways.row[order], return_index=True)
    best = order[first]
    ways, pairs = ways.take(best), pairs.take(best)
    pairs = Pairs(np.arange(len(best)), pairs.high, pairs.low)
    return Chosen(
        ways, pairs, method[best], riser[best], find_surfaces(site, ways, method[best]), price[best]
    )


def _worth_a_look(site: Site, ways: Ways) -> Bools:
    """Whether each way costs no more, without its riser, than the first of its property."""
    price = prices_of(site, choose_methods(site, ways), ways.length)
    rows, first = np.unique(ways.row, return_index=True)
    of_first: Ints = first[np.searchsorted(rows, ways.row)]
    return np.asarray(price <= price[of_first])
