"""Lays out where pits could stand: stations along chains times centres of lanes and verges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from planner.kernels.ground import sample_ground
from planner.kernels.pairs import BOTTOM, ORDINARY, TOP
from planner.model import Floats, Ground, Site
from planner.records import Bools, Candidates, Chain, ChainPits, Corridor, Ints, Layout

JUNCTION_REACH = 14.0  # [m] a junction's pit stands within this of its node, along any arm
COLUMNS = 11  # of the table in which pits are collected
LANE_BESIDE = 4.5  # [m] a bus stop keeps the lane beside it free, along its own distance
KERB_RETURN = 3.0  # [m] a junction's area goes this far beyond the crossing carriageway
NARROWEST = 2.8  # [m] a verge or parking lane narrower than this takes no pit of its own
CORNER = 8.0  # [deg] a street that turns more than this within a pit's reach has a corner there
TANGENT_REACH = 4.0  # [m] the turn of a street is looked at over this to either side
SAME_PLACE = 0.01  # [m]


@dataclass(frozen=True, eq=False)
class Spots:
    """Places along a chain before they are numbered: parallel arrays."""

    station: Floats
    xy: Floats
    flow: Floats  # (n, 2) unit vector of the street's flow
    corner: Floats  # 1 where the street turns
    lanes: Floats  # lanes closed
    street: Floats  # row of Site.streets
    aside: Floats  # from the chain's line, left of the flow positive [m]


def place_candidates(site: Site, layout: Layout, corridor: Corridor) -> Candidates:
    """Number every place where a pit could stand, junctions and tie-ins after what drains to them.

    Parameters
    ----------
    site
        The site.
    layout
        Chains, upstream first.
    corridor
        Room for pits.
    """
    spots = [spots_of(site, chain) for chain in layout.chains]
    ends = _junction_ends(layout)
    areas = [junction_areas(layout, chain) for chain in layout.chains]
    made = _Maker(site, corridor)
    node_pits: dict[int, Ints] = {}
    chain_pits = []
    for number, chain in enumerate(layout.chains):
        if chain.up >= 0 and chain.up not in node_pits:
            node_pits[chain.up] = _junction_pits(made, spots, ends[chain.up], layout.chains)
        heads = made.add(spots[number], _heads(spots[number], chain), fine=False)
        plain = made.add(spots[number], _plain(spots[number], chain, areas[number]), fine=False)
        chain_pits.append((number, plain, heads))
    for root, row in sorted(layout.roots.items()):
        if root in ends:
            node_pits[root] = made.add_tie_in(row)
    return made.finish(layout, chain_pits, node_pits)


def _junction_ends(layout: Layout) -> dict[int, list[tuple[int, bool]]]:
    """Chains at each node, and whether the node is their lower end."""
    ends: dict[int, list[tuple[int, bool]]] = {}
    for i, chain in enumerate(layout.chains):
        ends.setdefault(chain.down, []).append((i, True))
        if chain.up >= 0:
            ends.setdefault(chain.up, []).append((i, False))
    return ends


def _offsets(street: dict[str, float]) -> list[tuple[float, float]]:
    """Offsets of lane, parking and verge centres, left positive, and the lanes a pit closes."""
    lanes, width = int(street["lanes"]), street["lane_width_m"]
    half = lanes * width / 2
    found = [((i + 0.5) * width - half, 1.0) for i in range(lanes)]
    for side, parking in ((1, street["parking_left_m"]), (-1, street["parking_right_m"])):
        if parking >= NARROWEST - 0.8:
            found.append((side * (half + parking / 2), 0.0))
        verge = street["row_width_m"] / 2 - half - parking
        if verge >= NARROWEST:
            found.append((side * (half + parking + verge / 2), 0.0))
    return sorted(found)


def station_step(site: Site) -> float:
    """Distance along a street between places that are looked at. [m]"""
    return site.book.equipment.number("pit_station_step_m")


def spots_of(site: Site, chain: Chain) -> Spots:
    """Every place along a chain, whatever stands there."""
    top = chain.length if chain.up >= 0 else min(chain.length, chain.head_to)
    stations = np.arange(0.0, top + 1e-9, station_step(site))
    at = np.clip(np.searchsorted(chain.stations, stations, "right") - 1, 0, len(chain.rows) - 1)
    centre = _along(chain, stations)
    ahead = _along(chain, np.minimum(stations + TANGENT_REACH, chain.length))
    behind = _along(chain, np.maximum(stations - TANGENT_REACH, 0.0))
    flow = _unit(behind - ahead)
    bend = np.abs(_angle(_unit(centre - ahead), _unit(behind - centre)))
    corner = np.where(bend > np.radians(CORNER), 1.0, 0.0)
    columns = ("lanes", "lane_width_m", "parking_left_m", "parking_right_m", "row_width_m")
    streets = site.streets[list(columns)].astype(float).to_dict("records")
    rows = []
    for i, s in enumerate(stations):
        street = dict(streets[chain.rows[at[i]]])
        if not chain.flipped[at[i]]:  # walked up the street as drawn: flow runs against it
            street["parking_left_m"], street["parking_right_m"] = (
                street["parking_right_m"], street["parking_left_m"],
            )  # fmt: skip
        for offset, closed in _offsets(street):
            x = centre[i, 0] - offset * flow[i, 1]
            y = centre[i, 1] + offset * flow[i, 0]
            rows.append((
                s, x, y, flow[i, 0], flow[i, 1], corner[i], closed, chain.rows[at[i]], offset
            ))  # fmt: skip
    a = np.array(rows, float).reshape(-1, 9)
    return Spots(a[:, 0], a[:, 1:3], a[:, 3:5], a[:, 5], a[:, 6], a[:, 7], a[:, 8])


def _along(chain: Chain, stations: Floats) -> Floats:
    return np.column_stack([np.interp(stations, chain.stations, chain.xy[:, k]) for k in range(2)])


def _unit(v: Floats) -> Floats:
    length = np.hypot(v[:, 0], v[:, 1])
    length[length == 0] = 1.0
    return np.asarray(v / length[:, None])


def _angle(a: Floats, b: Floats) -> Floats:
    """Signed turn from one direction to another. [rad]"""
    cross = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    return np.asarray(np.arctan2(cross, (a * b).sum(axis=1)))


def junction_areas(layout: Layout, chain: Chain) -> list[tuple[float, float]]:
    """Station intervals of a chain that lie in the area of a junction of streets."""
    found = []
    line = shapely.LineString(chain.xy)
    for x, y, half in layout.junctions:
        spot = shapely.Point(x, y)
        if line.distance(spot) < SAME_PLACE:
            s = line.project(spot)
            found.append((s - half - KERB_RETURN, s + half + KERB_RETURN))
    return found


def in_junction(spots: Spots, areas: list[tuple[float, float]]) -> Bools:
    """Places in the area of a junction that the chain passes straight."""
    inside = np.zeros(len(spots.station), bool)
    for low, high in areas:
        inside |= (spots.station > low) & (spots.station < high)
    return inside & (spots.corner <= 0)


def _plain(spots: Spots, chain: Chain, areas: list[tuple[float, float]]) -> Bools:
    """Places of intermediate pits: outside of junction areas, unless the chain turns there."""
    keep = ~in_junction(spots, areas) & (spots.station > 0)
    if chain.up < 0:
        keep &= spots.station < max(chain.head_to, 0.0)
    else:
        keep &= spots.station < chain.length
    return keep


def _heads(spots: Spots, chain: Chain) -> Bools:
    """Places where the head pit of a chain may stand; none where it starts at a junction."""
    if chain.up >= 0:
        return np.zeros(len(spots.station), bool)
    return np.asarray(spots.station >= max(chain.head_from, 0.0))


def _junction_pits(
    made: _Maker, spots: list[Spots], ends: list[tuple[int, bool]], chains: tuple[Chain, ...]
) -> Ints:
    """Candidate pits of a junction: places near its node along every arm."""
    found = []
    for number, lower in ends:
        spot = spots[number]
        reach = spot.station if lower else chains[number].length - spot.station
        found.append(made.add(spot, reach <= JUNCTION_REACH, fine=True))
    return np.concatenate(found)


def wanted_places(spots: Spots, layout: Layout, number: int) -> tuple[Bools, Bools]:
    """Places of a chain where the sewer has use for a pit, and which of them a junction may take.

    Parameters
    ----------
    spots
        Every place along the chain.
    layout
        All chains: some end where others branch off.
    number
        The chain.
    """
    chain = layout.chains[number]
    forked = np.zeros(len(spots.station), bool)
    if chain.up >= 0:
        forked |= chain.length - spots.station <= JUNCTION_REACH
    if any(other.up == chain.down for other in layout.chains):
        forked |= spots.station <= JUNCTION_REACH
    plain = _plain(spots, chain, junction_areas(layout, chain))
    return plain | _heads(spots, chain) | forked, forked


def beside_stop(stop: Floats, xy: Floats, flow: Floats) -> Bools:
    """Places in the lane that a bus stop (x, y, distance along the street) keeps free."""
    d = xy - stop[:2]
    along = np.abs((d * flow).sum(axis=1))
    beside = np.abs(d[:, 0] * flow[:, 1] - d[:, 1] * flow[:, 0])
    return np.asarray((along < stop[2]) & (beside < LANE_BESIDE))


class _Maker:
    """Collects candidate pits; numbers are given in the order they are added."""

    def __init__(self, site: Site, corridor: Corridor) -> None:
        self.site = site
        self.corridor = corridor
        self.parts: list[Floats] = []
        self.count = 0

    def add(self, spots: Spots, keep: Bools, *, fine: bool) -> Ints:
        """Number the spots that are kept and not dead."""
        xy = spots.xy[keep]
        street = spots.street[keep]
        ground = ground_at(self.site.ground, xy)
        alive = ~np.isnan(ground) & ~np.isin(street, list(self.corridor.cut_streets))
        if not self.corridor.no_pits.is_empty:
            alive &= ~shapely.contains_xy(self.corridor.no_pits, xy[:, 0], xy[:, 1])
        alive &= shapely.contains_xy(self.corridor.right_of_way, xy[:, 0], xy[:, 1])
        for stop in self.corridor.bus_stops:
            alive &= ~beside_stop(stop, xy, spots.flow[keep])
        table = np.column_stack([
            xy, ground, spots.flow[keep], np.maximum(spots.corner[keep], float(fine)),
            spots.lanes[keep], street, np.full(len(xy), -1.0), np.full(len(xy), float(fine)),
            spots.station[keep],
        ])[alive]  # fmt: skip
        return self._take(table[::-1])

    def add_tie_in(self, row: int) -> Ints:
        """Number a tie-in."""
        xy = shapely.get_coordinates(self.site.tie_ins.geometry.iloc[row])[:1]
        ground = ground_at(self.site.ground, xy)
        rim = float(self.site.tie_ins["rim_elev_m"].iloc[row])
        level = ground if np.isnan(rim) else np.array([rim])
        return self._take(np.column_stack([
            xy, level, [[0.0, 0.0]], [1.0], [0.0], [-1.0], [float(row)], [1.0], [0.0]
        ]))  # fmt: skip

    def _take(self, table: Floats) -> Ints:
        self.parts.append(table)
        numbers = np.arange(self.count, self.count + len(table))
        self.count += len(table)
        return numbers

    def finish(
        self, layout: Layout, plain: list[tuple[int, Ints, Ints]], nodes: dict[int, Ints]
    ) -> Candidates:
        """Bundle the pits and, chain by chain, those that its legs may join."""
        a = np.vstack([np.empty((0, COLUMNS)), *self.parts])
        chains = []
        for number, own, heads in plain:
            chain = layout.chains[number]
            line = shapely.LineString(chain.xy)
            lower = nodes[chain.down]
            upper = nodes[chain.up] if chain.up >= 0 else heads
            pits = np.concatenate([lower, own, upper]).astype(np.int64)
            kind = np.repeat([BOTTOM, ORDINARY, TOP], [len(lower), len(own), len(upper)])
            at = line.project(shapely.points(a[pits, :2]))
            at = np.where((kind == ORDINARY) | (chain.up < 0) & (kind == TOP), a[pits, 10], at)
            at = np.where(kind == BOTTOM, at - _before(chain, a[pits, :2]), at)
            at = np.where((kind == TOP) & (chain.up >= 0), at + _beyond(chain, a[pits, :2]), at)
            order = np.lexsort((pits, at))
            chains.append(ChainPits(pits[order], kind[order], at[order]))
        return Candidates(
            xy=a[:, :2].copy(),
            ground=a[:, 2].copy(),
            flow=a[:, 3:5].copy(),
            fine=a[:, 5] > 0,
            lanes=a[:, 6].copy(),
            street=a[:, 7].astype(np.int64),
            tie_in=a[:, 8].astype(np.int64),
            junction=a[:, 9] > 0,
            chains=tuple(chains),
        )


def _before(chain: Chain, xy: Floats) -> Floats:
    """How far points lie behind a chain's lower end, along its first direction. [m]"""
    d = chain.xy[1] - chain.xy[0]
    d = d / np.hypot(*d)
    return np.asarray(np.maximum(0.0, -((xy - chain.xy[0]) @ d)))


def _beyond(chain: Chain, xy: Floats) -> Floats:
    """How far points lie beyond a chain's upper end, along its last direction. [m]"""
    d = chain.xy[-1] - chain.xy[-2]
    d = d / np.hypot(*d)
    return np.asarray(np.maximum(0.0, (xy - chain.xy[-1]) @ d))


def ground_at(ground: Ground, xy: Floats) -> Floats:
    """Ground at points. [m]"""
    g = ground
    x, y = np.ascontiguousarray(xy[:, 0]), np.ascontiguousarray(xy[:, 1])
    return np.asarray(sample_ground(
        g.values, g.mesh_x0, g.mesh_y0, g.mesh_step, g.mesh_col, g.mesh_row, x, y
    ))  # fmt: skip
