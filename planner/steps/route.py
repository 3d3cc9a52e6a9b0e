"""Chooses pits, legs, inverts and drive directions for a layout: builds and runs the programme."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass

import numpy as np
import shapely

from planner.kernels.optimum import Instance, Optimum, fill, find_optimum
from planner.kernels.pairs import BOTTOM, ORDINARY, TOP, pair_pits
from planner.kernels.programme import (
    DOWN,
    DRIVES,
    Drops,
    Filled,
    Groups,
    Legs,
    Pits,
)
from planner.kernels.rows import Bore, Houses, LegEnds, bind_legs
from planner.kernels.turns import (
    bundle_groups,
    direction_keys,
    group_ranges,
    number_groups,
    pair_groups,
    wrap,
)
from planner.model import Floats, Site
from planner.records import (
    Bools,
    Candidates,
    ChainPipe,
    ChosenLeg,
    Corridor,
    Ints,
    Layout,
    Obstructions,
    Prices,
    Solution,
)

MOST_ANGLE = math.cos(math.radians(60.0))  # legs leave the street's direction by less than this
LEAVE_REACH = 30.0  # [m] the last leg may leave the right of way this near to its tie-in
ARM_REACH = 20.0  # [m] a junction's arm points to where its street is after this
SHORTER = 0.85  # chords cut corners: at least this share of the centreline is bored
REACH_BACK = 3.0  # [m] a leg between candidates may pass this much nearer to a house
EVERYWHERE = 1e9  # [m]
GUARD = 1e-9


@dataclass(frozen=True, eq=False)
class Given:
    """What the route is chosen from."""

    site: Site
    layout: Layout
    corridor: Corridor
    candidates: Candidates
    obstructions: Obstructions
    pipes: tuple[ChainPipe, ...]
    prices: Prices
    tie_in_level: Ints  # (tie-ins,) [levels]


@dataclass(frozen=True, eq=False)
class _Bound:
    """Legs of one chain or of all, and everything that binds them."""

    up: Ints
    down: Ints
    length: Floats
    ways: Bools  # (legs, 2) may be driven upgrade, downgrade
    chain: Ints
    row_start: Ints
    row_t: Floats
    row_h: Floats
    band_start: Ints
    band_low: Ints
    band_high: Ints
    band_t: Floats
    band_h: Floats
    house_price: Floats


@dataclass(frozen=True, eq=False)
class _Instance:
    problem: Instance
    bound: _Bound


def find_route(given: Given, served: Bools) -> Solution | None:
    """The cheapest pits and legs that serve some properties, or None where there are none.

    Parameters
    ----------
    given
        What the route is chosen from.
    served : (properties,)
        Properties that must drain to the route.
    """
    instance = build_instance(given, served)
    found = find_optimum(instance.problem) if given.candidates.chains else None
    return None if found is None else _solution(given, instance, found, served)


@dataclass(frozen=True)
class Break:
    """A chain that no string of legs passes, and the station it cannot get below. [m]"""

    chain: int
    station: float
    alone: bool  # it arrives, but not together with the strings that meet it there


def find_breaks(given: Given) -> tuple[Break, ...]:
    """Where no legs can pass, whatever houses they serve; none where all streets can be joined.

    Of strings that each arrive at a junction but cannot meet there, the one that serves fewest is
    named.
    """
    instance = build_instance(given, np.zeros(len(given.site.properties), bool))
    filled = fill(instance.problem)
    branch = _branches(given)
    breaks = []
    meeting: dict[int, list[int]] = defaultdict(list)
    for number, pits in enumerate(given.candidates.chains):
        above = pits.kind != BOTTOM
        reached = filled.reached[pits.pits] > 0
        if not (reached & (pits.kind == TOP)).any():
            if given.layout.chains[number].up < 0:
                head = given.layout.chains[number].head_from
                breaks.append(Break(number, _last_head(given, instance, number, head), alone=False))
            continue
        if _arrives(instance, filled, pits.pits[~above], branch[number]):
            meeting[given.layout.chains[number].down].append(number)
        else:
            station = float(pits.station[above & reached].min())
            station = min(station, _last_head(given, instance, number, station))
            breaks.append(Break(number, station, alone=False))
    for node, numbers in meeting.items():
        pits = given.candidates.chains[numbers[0]]
        own = pits.pits[pits.kind == BOTTOM]
        all_arrive = len(numbers) == sum(chain.down == node for chain in given.layout.chains)
        if all_arrive and not (filled.reached[own] > 0).any():
            fewest = min(numbers, key=lambda n: (len(upstream_properties(given.layout, n)), n))
            breaks.append(Break(fewest, 0.0, alone=True))
    return tuple(breaks)


def _last_head(given: Given, instance: _Instance, number: int, limit: float) -> float:
    """Station from which no head pit below a limit is near enough to a property. [m]

    A head may stop as far short of the last property as the chain's own limit says.
    """
    chain, pits = given.layout.chains[number], given.candidates.chains[number]
    leaves = np.isin(pits.pits, instance.bound.up) & (pits.kind == ORDINARY)
    below = pits.station[leaves & (pits.station < limit)]
    if chain.up >= 0 or not len(chain.properties):
        return limit
    short_of = float(chain.property_stations.max()) - chain.head_from
    return float(below.max()) + short_of + GUARD if len(below) else 0.0


def _arrives(instance: _Instance, filled: Filled, pits: Ints, branch: int) -> bool:
    for pit in pits:
        groups = instance.problem.groups
        first, last = groups.in_start[pit], groups.in_start[pit + 1]
        if (filled.arrived[first:last] & (groups.in_branch[first:last] == branch)).any():
            return True
    return False


def upstream_properties(layout: Layout, number: int) -> Ints:
    """Properties of a chain and of all chains that drain into it."""
    chains = layout.chains
    found = [chains[number].properties]
    if chains[number].up >= 0:
        for other, chain in enumerate(chains):
            if chain.down == chains[number].up:
                found.append(upstream_properties(layout, other))
    return np.concatenate(found)


def floor_limits(given: Given, property_xy: Floats) -> tuple[Floats, dict[int, str]]:
    """How far each property's drain lies above the lowest sewer that could be, and why below.

    The lowest sewer falls at its least slope straight to the tie-in, without a drop or crossing:
    a property below it cannot be served by any plan in these streets.

    Parameters
    ----------
    given
        What the route is chosen from.
    property_xy : (properties, 2)
        Where connections start. [m]

    Returns
    -------
    margin : (properties,)
        Infinite for a property on no chain. [m]
    reasons
        The words for those below 0.
    """
    margin = np.full(len(property_xy), np.inf)
    reasons = {}
    root = _root_share(given)
    for number, chain in enumerate(given.layout.chains):
        houses, pipe = given.obstructions.houses[number], given.pipes[number]
        pits = given.candidates.chains[number].pits
        nearest = shapely.distance(
            shapely.points(houses.xy), shapely.multipoints(given.candidates.xy[pits])
        )
        slope = SHORTER * pipe.min_slope
        low = root + SHORTER * (given.layout.lowest[chain.down] - root)
        low = low + slope * chain.property_stations + pipe.inside / 2
        arrives = houses.invert - houses.slope * np.maximum(0.0, nearest - REACH_BACK)
        for row, value in zip(chain.properties, arrives - low, strict=True):
            margin[row] = value
            if value < 0:
                reasons[int(row)] = (
                    f"floor too low: the lowest sewer that reaches the tie-in passes "
                    f"{-value:.2f} m above where it would drain; a sewer that much deeper at the "
                    f"tie-in, or a pump"
                )
    return margin, reasons


def build_instance(given: Given, served: Bools) -> _Instance:
    """The programme's arrays for a set of properties that must be served."""
    parts = [_bind_chain(given, number, served) for number in range(len(given.layout.chains))]
    bound = _by_lower_pit(_join_chains(parts))
    branch = _branches(given)
    groups, out, into = _group(given, bound, branch)
    problem = Instance(
        _pits(given, branch), groups, _legs(given, bound, out, into), _drops(given),
        np.flatnonzero(given.candidates.tie_in >= 0),
    )  # fmt: skip
    return _Instance(problem, bound)


def _bind_chain(given: Given, number: int, served: Bools) -> _Bound:
    candidates, pits = given.candidates, given.candidates.chains[number]
    rules = given.site.book.rules
    tie_in = candidates.tie_in[pits.pits]
    xy = candidates.xy[pits.pits]
    place = np.column_stack([
        pits.station, xy, candidates.flow[pits.pits],
        candidates.fine[pits.pits].astype(float), (tie_in >= 0).astype(float),
    ])  # fmt: skip
    up, down, length, ways = pair_pits(
        np.ascontiguousarray(place), pits.kind, rules.number("min_leg_length_m"),
        _longest(given.site), MOST_ANGLE, given.corridor.walls,
        given.corridor.obstacles, given.corridor.sizes,
    )  # fmt: skip
    keep = _may_run(given, xy[up], xy[down], tie_in[down])
    keep &= _arms_apart(given, number, pits.pits[up], pits.pits[down])
    up, down, length, ways = up[keep], down[keep], length[keep], ways[keep]
    serves_to = np.where(pits.kind == TOP, EVERYWHERE, pits.station)
    serves_from = np.where(pits.kind == 0, -EVERYWHERE, pits.station)
    ends = LegEnds(
        np.ascontiguousarray(np.hstack([xy[up], xy[down]])), length, serves_from[down],
        serves_to[up], tie_in[down],
    )  # fmt: skip
    pipe, around = given.pipes[number], given.obstructions
    rows = bind_legs(
        ends, around.ground, _bore(given.site, pipe), around.runs, around.zones,
        _served_houses(given, number, served), around.water, given.site.project.level_step,
    )  # fmt: skip
    return _Bound(pits.pits[up], pits.pits[down], length, ways, np.full(len(up), number), *rows)


def _longest(site: Site) -> float:
    """Longest leg: every pit keeps a manhole, so their spacing limits it too. [m]"""
    rules = site.book.rules
    return min(rules.number("max_leg_length_m"), rules.number("max_manhole_spacing_m"))


def _bore(site: Site, pipe: ChainPipe) -> Bore:
    rules = site.book.rules
    cover = max(rules.number("min_cover_m"), rules.number("min_cover_bore_diameters") * pipe.bore)
    deepest = rules.optional("max_leg_depth_m")
    return Bore(
        pipe.inside, pipe.outside, pipe.bore, cover, rules.number("frost_depth_m"),
        np.inf if deepest is None else deepest,
    )  # fmt: skip


def _served_houses(given: Given, number: int, served: Bools) -> Houses:
    houses = given.obstructions.houses[number]
    keep = served[given.layout.chains[number].properties]
    return houses._replace(
        xy=np.ascontiguousarray(houses.xy[keep]), station=houses.station[keep],
        invert=houses.invert[keep],
    )  # fmt: skip


def _may_run(given: Given, up: Floats, down: Floats, tie_in: Ints) -> Bools:
    """Whether legs into a tie-in stay inside, or leave the right of way only near it; see rules."""
    keep = np.ones(len(up), bool)
    into = np.flatnonzero(tie_in >= 0)
    if not len(into):
        return keep
    lines = shapely.linestrings(np.stack([up[into], down[into]], axis=1))
    outside = shapely.difference(lines, given.corridor.right_of_way)
    far = shapely.hausdorff_distance(shapely.points(down[into]), outside)
    keep[into] = shapely.is_empty(outside) | (far <= LEAVE_REACH)
    bearing = given.site.tie_ins["outlet_bearing_deg"].to_numpy(float)[tie_in[into]]
    flow = np.degrees(np.arctan2(*(down[into] - up[into]).T[::-1]))
    turn = np.abs(wrap(flow - (90.0 - bearing)))
    most = given.site.book.rules.number("max_turn_deg")
    keep[into] &= np.isnan(bearing) | (turn <= most + GUARD)
    return keep


def _arm(given: Given, number: int, *, lower: bool) -> float:
    """Direction from a chain's end along its street. [deg]"""
    chain = given.layout.chains[number]
    reach = min(ARM_REACH, chain.length)
    at, end = (reach, 0.0) if lower else (chain.length - reach, chain.length)
    d = [np.interp(at, chain.stations, chain.xy[:, k]) for k in range(2)]
    e = [np.interp(end, chain.stations, chain.xy[:, k]) for k in range(2)]
    return float(np.degrees(np.arctan2(d[1] - e[1], d[0] - e[0])))


def _arms_apart(given: Given, number: int, up: Ints, down: Ints) -> Bools:
    """Whether legs into a shared pit keep far enough from the strings that meet them there.

    Each of two arms keeps to its own side of the angle between them, so that any leg of the one
    and any leg of the other are at least ``min_leg_separation_deg`` apart.
    """
    keep = np.ones(len(up), bool)
    chains, candidates = given.layout.chains, given.candidates
    last = candidates.junction[down]
    delta = candidates.xy[up] - candidates.xy[down]
    bearing = np.degrees(np.arctan2(delta[:, 1], delta[:, 0]))
    apart = given.site.book.rules.number("min_leg_separation_deg")
    own = _arm(given, number, lower=True)
    for other, chain in enumerate(chains):
        if other != number and chain.down == chains[number].down:
            arm = _arm(given, other, lower=True)
            between = abs(float(wrap(np.array(own - arm))))
            keep &= ~last | (np.abs(wrap(bearing - arm)) >= (between + apart) / 2 - GUARD)
    return keep


def _join_chains(parts: list[_Bound]) -> _Bound:
    """Legs of all chains in one set of arrays."""

    def stack(name: str) -> np.ndarray:
        return np.concatenate([getattr(p, name) for p in parts])

    def starts(name: str, ends: str) -> Ints:
        base = np.cumsum([0] + [len(getattr(p, ends)) for p in parts])
        pieces = [getattr(p, name)[:-1] + base[i] for i, p in enumerate(parts)]
        return np.concatenate([*pieces, base[-1:]]).astype(np.int64)

    bands = np.cumsum([0] + [len(p.band_low) - 1 for p in parts])
    band_start = np.concatenate(
        [p.band_start[:-1] + bands[i] for i, p in enumerate(parts)] + [bands[-1:]]
    )
    return _Bound(
        stack("up"), stack("down"), stack("length"), stack("ways"), stack("chain"),
        starts("row_start", "row_t"), stack("row_t"), stack("row_h"), band_start.astype(np.int64),
        starts("band_low", "band_t"), starts("band_high", "band_t"), stack("band_t"),
        stack("band_h"), stack("house_price"),
    )  # fmt: skip


def _take(start: Ints, order: Ints) -> tuple[Ints, Ints]:
    """Entries of variable-length lists in a new order of their owners, and the new starts."""
    count = np.diff(start)[order]
    new = np.concatenate([[0], np.cumsum(count)]).astype(np.int64)
    return np.repeat(start[:-1][order] - new[:-1], count) + np.arange(new[-1]), new


def _by_lower_pit(b: _Bound) -> _Bound:
    """The same legs sorted by lower pit, then upper pit."""
    order = np.lexsort((b.up, b.down))
    rows, row_start = _take(b.row_start, order)
    bands, band_start = _take(b.band_start, order)
    low, high, end = b.band_low[:-1][bands], b.band_high[:-1][bands], b.band_low[1:][bands]
    count = end - low
    new = np.concatenate([[0], np.cumsum(count)]).astype(np.int64)
    entries = np.repeat(low - new[:-1], count) + np.arange(new[-1])
    return _Bound(
        b.up[order], b.down[order], b.length[order], b.ways[order], b.chain[order],
        row_start, b.row_t[rows], b.row_h[rows], band_start, new,
        np.append(new[:-1] + (high - low), new[-1]), b.band_t[entries], b.band_h[entries],
        b.house_price[order],
    )  # fmt: skip


def _branches(given: Given) -> dict[int, int]:
    """Number of each chain among the strings that arrive at its lower end."""
    seen: dict[int, int] = defaultdict(int)
    branch = {}
    for number, chain in enumerate(given.layout.chains):
        branch[number] = seen[chain.down]
        seen[chain.down] += 1
    return branch


def _group(given: Given, bound: _Bound, branch: dict[int, int]) -> tuple[Groups, Ints, Ints]:
    """Groups of legs at every pit, the pairs by which a sewer may pass, and each leg's groups."""
    candidates = given.candidates
    pits = len(candidates.ground)
    delta = candidates.xy[bound.down] - candidates.xy[bound.up]
    azimuth = np.degrees(np.arctan2(delta[:, 1], delta[:, 0]))
    flow = np.degrees(np.arctan2(candidates.flow[:, 1], candidates.flow[:, 0]))
    string = np.array([branch[int(c)] for c in bound.chain], np.int64)
    string[~candidates.junction[bound.down]] = 0
    roots = np.flatnonzero(candidates.tie_in >= 0)
    outlet = (
        90.0 - given.site.tie_ins["outlet_bearing_deg"].to_numpy(float)[candidates.tie_in[roots]]
    )
    leave = np.concatenate([azimuth, np.nan_to_num(outlet)])
    out_pit = np.concatenate([bound.up, roots])
    out, out_start, _ = number_groups(
        out_pit, np.zeros(len(out_pit), np.int64),
        direction_keys(leave, out_pit, flow, candidates.fine), pits,
    )  # fmt: skip
    into, in_start, in_branch = number_groups(
        bound.down, string, direction_keys(azimuth, bound.down, flow, candidates.fine), pits
    )
    out_range = group_ranges(leave, out, int(out_start[-1]))
    in_range = group_ranges(azimuth, into, int(in_start[-1]))
    free_out = np.zeros(int(out_start[-1]), bool)
    free_out[out[len(azimuth) :][np.isnan(outlet)]] = True
    rules = given.site.book.rules
    pair_out, pair_in, turn = pair_groups(out_start, in_start, out_range, in_range, 360.0)
    keep = (turn <= rules.number("max_turn_deg") + 1e-6) | free_out[pair_out]
    pair_out, pair_in, turn = pair_out[keep], pair_in[keep], turn[keep]
    drop = _drop_levels(given, np.where(free_out[pair_out], 360.0, turn))
    drop += _size_drop(given, bound, out, into, pair_out, pair_in)
    groups = bundle_groups(
        out_start, in_start, in_branch, (pair_out, pair_in, drop.astype(np.int64))
    )
    return groups, out[: len(azimuth)], into


def _drop_levels(given: Given, turn: Floats) -> Ints:
    """Least fall through a manhole by its turn. [levels]"""
    rules, step = given.site.book.rules, given.site.project.level_step
    fall = rules.table("min_manhole_drop_m")
    straight = fall.get("straight", fall.get("*", 0.0))
    turned = fall.get("turn", fall.get("*", 0.0))
    least = np.where(turn > rules.number("min_manhole_turn_deg"), turned, straight)
    return np.ceil(least / step - 1e-6).astype(np.int64)


def _size_drop(
    given: Given, bound: _Bound, out: Ints, into: Ints, pair_out: Ints, pair_in: Ints
) -> Ints:
    """Further fall where a larger pipe leaves, so that crowns match. [levels]"""
    inside = np.array([pipe.inside for pipe in given.pipes])
    own = np.zeros(int(into.max(initial=-1)) + 1)
    own[into] = inside[bound.chain]
    leaving = np.zeros(int(out.max(initial=-1)) + 1)
    leaving[out[: len(bound.chain)]] = inside[bound.chain]
    outlet = given.site.tie_ins["outlet_diameter_mm"].to_numpy(float) / 1000
    roots = given.candidates.tie_in[given.candidates.tie_in >= 0]
    leaving[out[len(bound.chain) :]] = np.nan_to_num(outlet[roots])
    more = np.maximum(0.0, leaving[pair_out] - own[pair_in])
    return np.ceil(more / given.site.project.level_step - 1e-6).astype(np.int64)


def _pits(given: Given, branch: dict[int, int]) -> Pits:
    candidates, prices = given.candidates, given.prices
    site = given.site
    step, rules = site.project.level_step, site.book.rules
    count = len(candidates.ground)
    pipe = [0] * count
    branches = np.ones(count, np.int64)
    head = np.full(count, np.inf)
    lowest = np.full(count, np.inf)
    for number, pits in enumerate(candidates.chains):
        chain = given.layout.chains[number]
        base = given.layout.lowest[chain.down]
        slope = SHORTER * given.pipes[number].min_slope
        low = base + slope * np.maximum(pits.station, 0.0)
        for pit, kind, level in zip(pits.pits, pits.kind, low, strict=True):
            lowest[pit] = min(lowest[pit], level - 2 * (kind == 0))
            if kind == 0:
                branches[pit] = max(branches[pit], branch[number] + 1)
            else:
                pipe[pit] = number
            if kind == TOP and chain.up < 0:
                branches[pit], head[pit] = 0, 0.0
    size = np.array([given.pipes[i].bore - (p.outside - p.inside) / 2 for i in pipe
                     for p in (given.pipes[i],)])  # fmt: skip
    cover = np.array([_bore(site, given.pipes[i]).cover for i in pipe])
    high = np.floor((candidates.ground - cover - size) / step + GUARD)
    deepest = candidates.ground - rules.number("max_depth_m") + prices.under.max()
    root = _root_share(given)
    low = np.ceil(np.maximum(deepest, root + SHORTER * (lowest - root)) / step - GUARD)
    at = candidates.tie_in >= 0
    level = given.tie_in_level[candidates.tie_in[at]]
    high[at], low[at] = level, level
    arrive = high.copy()
    arrive[at] = level + math.floor(rules.number("max_drop_structure_m") / step)
    launch = site.tie_ins["may_launch"].to_numpy(bool)
    price = prices.pit.copy()
    price[np.flatnonzero(at), 1] = np.where(launch[candidates.tie_in[at]], 0.0, np.inf)
    return Pits(
        low.astype(np.int64), high.astype(np.int64), arrive.astype(np.int64),
        candidates.ground / step, price, prices.pit_depth * step, head, branches,
        prices.step_depth / step, prices.step_price, prices.under / step,
    )  # fmt: skip


def _root_share(given: Given) -> float:
    """The lowest tie-in's level. [m]"""
    roots = list(given.layout.roots.values())
    lowest = given.tie_in_level[roots].min() if roots else 0
    return float(lowest) * given.site.project.level_step


def _legs(given: Given, bound: _Bound, out: Ints, into: Ints) -> Legs:
    step, prices = given.site.project.level_step, given.prices
    slopes = np.array([(p.min_slope, p.max_slope) for p in given.pipes]).reshape(-1, 2)
    least = np.ceil(slopes[bound.chain, 0] * bound.length / step - 1e-6)
    most = np.floor(slopes[bound.chain, 1] * bound.length / step + 1e-6)
    price, depth = np.full((len(bound.up), DRIVES), np.inf), np.zeros((len(bound.up), DRIVES))
    for drive, (upper, lower) in enumerate(((0, 1), (1, 1), (1, 0))):
        bored = bound.length - prices.face[bound.up, upper] - prices.face[bound.down, lower]
        per_m = prices.leg[bound.chain] + (prices.downgrade if drive == DOWN else 0.0)
        depth[:, drive] = bored * prices.leg_depth[bound.chain] / 2 * step
        allowed = bound.ways[:, 1 if drive == DOWN else 0]
        price[:, drive] = np.where(allowed, bored * per_m + bound.house_price, np.inf)
    pits = len(given.candidates.ground)
    return Legs(
        np.searchsorted(bound.down, np.arange(pits + 1)).astype(np.int64), bound.up, out, into,
        least.astype(np.int64), most.astype(np.int64), price, depth, bound.row_start, bound.row_t,
        bound.row_h / step, bound.band_start, bound.band_low, bound.band_high, bound.band_t,
        bound.band_h / step,
    )  # fmt: skip


def _drops(given: Given) -> Drops:
    rules, step = given.site.book.rules, given.site.project.level_step
    return Drops(
        math.floor(rules.number("max_manhole_drop_m") / step + GUARD),
        math.floor(rules.number("max_drop_structure_m") / step + GUARD),
        given.prices.drop, given.prices.drop_depth * step,
    )  # fmt: skip


def _solution(given: Given, instance: _Instance, found: Optimum, served: Bools) -> Solution:
    """The optimum in the words of candidates and chains."""
    bound = instance.bound
    down = bound.down[found.leg].tolist()
    legs = tuple(
        ChosenLeg(int(bound.up[leg]), at, z, a, drive == DOWN, int(bound.chain[leg]),
                  float(bound.length[leg]))
        for leg, at, drive, z, a in zip(
            found.leg.tolist(), down, found.drive.tolist(), found.up_level.tolist(),
            found.down_level.tolist(), strict=True,
        )
    )  # fmt: skip
    counts = {"pits": len(given.candidates.ground), "legs": len(bound.up)}
    return Solution(legs, found.level, found.cost, served, {}, counts)
