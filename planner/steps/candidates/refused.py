"""Why no pit can stand: every place along the sewer's streets that takes none, with the reason."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from planner.model import PLAN_COLUMNS, Floats, Site
from planner.records import Chain, Corridor, Layout
from planner.steps.candidates.place import (
    LANE_BESIDE,
    Spots,
    ground_at,
    in_junction,
    junction_areas,
    spots_of,
    station_step,
)


class Ban(NamedTuple):
    """Something that keeps pits away: from its area by a distance, and why."""

    area: shapely.Geometry
    away: float  # [m]
    reason: str
    because_of: str


FEATURES = {"overhead": "an overhead line", "emergency": "an emergency entrance"}


@dataclass(frozen=True, eq=False)
class _Bans:
    """Bans in the order in which they are named, and a tree to find those near a pit."""

    bans: list[Ban]
    tree: shapely.STRtree

    @classmethod
    def of(cls, bans: list[Ban]) -> _Bans:
        return cls(bans, shapely.STRtree([ban.area for ban in bans]))

    def first(self, pit: shapely.Geometry) -> Ban | None:
        """The first ban that a pit breaks, None where it may stand."""
        reach = max((ban.away for ban in self.bans), default=0.0)
        for k in sorted(self.tree.query(pit, predicate="dwithin", distance=reach).tolist()):
            ban: Ban = self.bans[k]
            near = float(shapely.distance(pit, ban.area))
            if near < ban.away or (ban.away == 0.0 and _overlap(pit, ban.area)):
                return ban
        return None


def _overlap(pit: shapely.Geometry, area: shapely.Geometry) -> bool:
    return bool(shapely.intersects(pit, area) and not shapely.touches(pit, area))


def refused_places(site: Site, layout: Layout, corridor: Corridor) -> gpd.GeoDataFrame:
    """Stretches of lane, verge and parking lane along the sewer where no pit can stand, and why.

    An exit pit in line with the street is held against everything that pits keep clear of; the
    first that is in the way is named. Places in one row, side by side, with one reason are one
    stretch.

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
    bans = _Bans.of(list(_bans(site)))
    step = station_step(site)
    shapely.prepare(corridor.right_of_way)
    rows, shapes = [], []
    for chain in layout.chains:
        spots = spots_of(site, chain)
        barred = in_junction(spots, junction_areas(layout, chain))
        aside = _offsets(spots, chain).round(3)
        for offset in np.unique(aside):
            of_row = np.flatnonzero(aside == offset)
            found = [_refusal(site, corridor, bans, spots, int(k), bool(barred[k])) for k in of_row]
            for first, last, ban in _stretches(found):
                own = of_row[first : last + 1]
                at = spots.station[own]
                street = str(site.streets["street"].iloc[int(spots.street[own[0]])])
                rows.append((
                    street, float(at[0]), float(at[-1]), float(offset), ban.reason, ban.because_of
                ))  # fmt: skip
                shapes.append(_line(spots, own, step))
    table = pd.DataFrame(rows, columns=list(PLAN_COLUMNS["no_pits"]))
    return gpd.GeoDataFrame(table, geometry=shapes)


def _bans(site: Site) -> Iterator[Ban]:
    """All that keeps pits away, what the law says first, then what is in the way."""
    for row in site.keep_out.itertuples():
        words = {word.strip() for word in str(row.applies_to).split(",") if word.strip()}
        if not words or "pits" in words:
            yield Ban(row.geometry, 0.0, "keep-out", str(row.reason))
    for row in site.zones.itertuples():
        if str(row.no_cut_until):
            yield Ban(row.geometry, 0.0, f"no cut until {row.no_cut_until}", str(row.reason))
    for row in site.street_features.itertuples():
        if row.kind not in ("school", "bus_stop"):
            what = FEATURES.get(str(row.kind), f"a {row.kind}").replace("_", " ")
            yield Ban(row.geometry, float(row.clear_m), f"too near to {what}", str(row.name))
    gap = site.book.rules.number("pit_clearance_m")
    for row in site.utilities.itertuples():
        if row.status == "live":
            half = np.nanmax([0.0, float(row.width_m) / 2, float(row.outside_diameter_m) / 2])
            yield Ban(shapely.force_2d(row.geometry), half + gap,
                      f"too near to a live service ({row.kind})", str(row.utility_id))  # fmt: skip


def _refusal(
    site: Site,
    corridor: Corridor,
    bans: _Bans,
    spots: Spots,
    k: int,
    barred: bool,  # noqa: FBT001
) -> Ban | None:
    """Why no pit can stand at a spot."""
    street = int(spots.street[k])
    if street in corridor.cut_streets:
        until = str(site.streets["no_cut_until"].iloc[street])
        return Ban(shapely.Point(), 0.0, f"no cut of this street until {until}", "")
    if np.isnan(ground_at(site.ground, spots.xy[k : k + 1]))[0]:
        return Ban(shapely.Point(), 0.0, "the ground is not known", "")
    pit = _pit_at(corridor, spots, k)
    if not shapely.covers(corridor.right_of_way, pit):
        return Ban(shapely.Point(), 0.0, "no room in the right of way", "")
    stop = _bus_stop(site, corridor, spots, k)
    if stop:
        return stop
    ban = bans.first(pit)
    if ban is None and barred:
        return Ban(
            shapely.Point(), 0.0, "in a junction, where only a branch or a turn has a pit",
            "",
        )  # fmt: skip
    return ban


def _pit_at(corridor: Corridor, spots: Spots, k: int) -> shapely.Geometry:
    """Footprint of an exit pit in line with the street."""
    half = np.array([corridor.sizes.exit_length, corridor.sizes.exit_width])
    along = spots.flow[k]
    across = np.array([-along[1], along[0]])
    corners = [(1, 1), (1, -1), (-1, -1), (-1, 1)]
    return shapely.Polygon(
        [spots.xy[k] + a * half[0] * along + b * half[1] * across for a, b in corners]
    )


def _bus_stop(site: Site, corridor: Corridor, spots: Spots, k: int) -> Ban | None:
    names = site.street_features[site.street_features["kind"] == "bus_stop"]["name"].astype(str)
    for (x, y, along), name in zip(corridor.bus_stops, names, strict=True):
        d, flow = spots.xy[k] - (x, y), spots.flow[k]
        if abs(d @ flow) < along and abs(d[0] * flow[1] - d[1] * flow[0]) < LANE_BESIDE:
            return Ban(shapely.Point(), 0.0, "in the lane beside a bus stop", name)
    return None


def _offsets(spots: Spots, chain: Chain) -> Floats:
    """Distance of each spot from the chain's line, left of the flow positive. [m]"""
    centre = np.column_stack(
        [np.interp(spots.station, chain.stations, chain.xy[:, axis]) for axis in range(2)]
    )
    d = spots.xy - centre
    return np.asarray(d[:, 1] * spots.flow[:, 0] - d[:, 0] * spots.flow[:, 1])


def _stretches(found: list[Ban | None]) -> Iterator[tuple[int, int, Ban]]:
    """Runs of neighbours that one and the same thing refuses: first, last and what."""
    first = 0
    for k in range(1, len(found) + 1):
        if k < len(found) and _alike(found[k], found[first]):
            continue
        ban = found[first]
        if ban is not None:
            yield first, k - 1, ban
        first = k


def _alike(one: Ban | None, other: Ban | None) -> bool:
    if one is None or other is None:
        return one is other
    return (one.reason, one.because_of) == (other.reason, other.because_of)


def _line(spots: Spots, own: np.ndarray, step: float) -> shapely.LineString:
    """A stretch from half a step before its first place to half a step behind its last."""
    xy = spots.xy[own]
    ends = [xy[0] + spots.flow[own[0]] * step / 2, *xy, xy[-1] - spots.flow[own[-1]] * step / 2]
    return shapely.simplify(shapely.LineString(ends), 0.05)
