"""Why no pit can stand: every place along the sewer's streets that takes none, with the reason."""

from __future__ import annotations

import math
from collections.abc import Iterator

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from planner.kernels.pairs import MOST_LEAN
from planner.kernels.standing import find_in_the_way
from planner.model import PLAN_COLUMNS, Floats, Site
from planner.records import Bools, Cause, Corridor, Ints, Layout
from planner.steps.candidates.place import (
    Spots,
    beside_stop,
    ground_at,
    spots_of,
    station_step,
    wanted_places,
)

UNKNOWN = Cause("the ground is not known", "")
JUNCTION = Cause("in a junction, where only a branch or a turn has a pit", "")
NO_ROOM = 0  # number of the cause that stands first in a corridor's
NEAR_STEP = 1.01  # steps: places farther apart than this are not side by side


class _Found:
    """Cause of each place, by number; -1 where a pit can stand. What is named first stays."""

    def __init__(self, places: int, causes: tuple[Cause, ...]) -> None:
        self.causes = list(causes)
        self.number = np.full(places, -1, np.int64)

    def mark(self, where: Bools, cause: Cause) -> None:
        self.causes.append(cause)
        self.number[where & (self.number < 0)] = len(self.causes) - 1

    def mark_numbers(self, where: Bools, numbers: Ints) -> None:
        fresh = where & (self.number < 0)
        self.number[fresh] = numbers[fresh]


def refused_places(site: Site, layout: Layout, corridor: Corridor) -> gpd.GeoDataFrame:
    """Stretches of lane, verge and parking lane along the sewer where no pit can stand, and why.

    The smallest pit is held against everything that pits keep clear of, in line with the street
    and in the other directions that a leg may take there. Of what is in the way, the first in a
    stated order is named. Places in one row, side by side, with one cause are one stretch.

    Parameters
    ----------
    site
        The site.
    layout
        Chains of the sewer.
    corridor
        Room for pits.

    Returns
    -------
    The layer ``no_pits``, in the site's frame.
    """
    rows, shapes = [], []
    names = site.streets["street"].astype(str).to_numpy()
    for number in range(len(layout.chains)):
        spots = spots_of(site, layout.chains[number])
        found = _causes(site, layout, corridor, number, spots)
        street = names[spots.street.astype(int)]
        for own in _stretches(spots, found.number, street, station_step(site)):
            first, last = own[0], own[-1]
            at, aside = spots.station, float(spots.aside[first])
            cause = found.causes[found.number[first]]
            rows.append((street[first], float(at[first]), float(at[last]), aside, *cause))
            shapes.append(_line(spots, own, station_step(site)))
    table = pd.DataFrame(rows, columns=list(PLAN_COLUMNS["no_pits"]))
    return gpd.GeoDataFrame(table, geometry=shapes)


def _causes(site: Site, layout: Layout, corridor: Corridor, number: int, spots: Spots) -> _Found:
    """Why no pit can stand at each place of a chain."""
    wanted, forked = wanted_places(spots, layout, number)
    found = _Found(len(spots.station), corridor.causes)
    for row in sorted(corridor.cut_streets):
        until = str(site.streets["no_cut_until"].iloc[row])
        found.mark(spots.street == row, Cause(f"no cut of this street until {until}", ""))
    found.mark(np.isnan(ground_at(site.ground, spots.xy)), UNKNOWN)
    blocked = _in_the_way(corridor, spots, forked | (spots.corner > 0))
    found.mark_numbers(blocked == NO_ROOM, blocked)
    found.mark(~wanted, JUNCTION)
    _mark_bus_stops(site, corridor, spots, found)
    found.mark_numbers(blocked >= 0, blocked)
    found.number[(spots.station <= 0) & ~wanted] = -1  # the tie-in's own place
    return found


def _in_the_way(corridor: Corridor, spots: Spots, free: Bools) -> Ints:
    """Number of the first cause that keeps a pit away from each place, -1 where none does."""
    sizes = corridor.sizes
    hit = find_in_the_way(
        np.ascontiguousarray(np.hstack([spots.xy, spots.flow])),
        np.where(free, math.pi / 2, MOST_LEAN),
        min(sizes.exit_length, sizes.launch_length),
        min(sizes.exit_width, sizes.launch_width),
        corridor.obstacles,
    )
    none = len(corridor.causes)
    first = np.append(corridor.cause_of_obstacle, none)[hit]
    point, area = shapely.STRtree(list(corridor.areas)).query(
        shapely.points(spots.xy), predicate="within"
    )
    np.minimum.at(first, point, corridor.cause_of_area[area])
    inside = shapely.contains_xy(corridor.right_of_way, spots.xy[:, 0], spots.xy[:, 1])
    first[~inside] = NO_ROOM
    return np.where(first < none, first, -1)


def _mark_bus_stops(site: Site, corridor: Corridor, spots: Spots, found: _Found) -> None:
    stops = site.street_features[site.street_features["kind"] == "bus_stop"]
    for stop, name, row in zip(corridor.bus_stops, stops["name"], stops["row"], strict=True):
        cause = Cause("in the lane beside a bus stop", str(name or f"street_features row {row}"))
        found.mark(beside_stop(stop, spots.xy, spots.flow), cause)


def _stretches(spots: Spots, cause: Ints, street: np.ndarray, step: float) -> Iterator[Ints]:
    """Places side by side in one row that have one cause: their numbers, up the street."""
    order = np.lexsort((spots.station, spots.aside))
    order = order[cause[order] >= 0]
    if not len(order):
        return
    one, other = order[:-1], order[1:]
    apart = (
        (spots.aside[one] != spots.aside[other]) | (cause[one] != cause[other])
        | (street[one] != street[other])
        | (spots.station[other] - spots.station[one] > NEAR_STEP * step)
    )  # fmt: skip
    yield from np.split(order, np.flatnonzero(apart) + 1)


def _line(spots: Spots, own: Ints, step: float) -> shapely.LineString:
    """A stretch from half a step before its first place to half a step behind its last."""
    xy: Floats = spots.xy[own]
    ends = [xy[0] + spots.flow[own[0]] * step / 2, *xy, xy[-1] - spots.flow[own[-1]] * step / 2]
    return shapely.simplify(shapely.LineString(ends), 0.05)
