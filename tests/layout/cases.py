"""Makes up places for the layout: towns of jittered blocks on sloping, uneven ground."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from planner.kernels.layout_instance import (
    ONE_CLASS,
    Ends,
    Instance,
    Links,
    Nodes,
    TieIns,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BLOCK = 110.0  # [m]
LEAST_DEPTH, MOST_DEPTH = 2.0, 7.1  # [m] ground to invert
LEAST_SLOPE = 0.004
BY_METRE, PIT, PIT_DEPTH, HEAD_PIT = 1_180.0, 31_000.0, 3_500.0, 18_000.0
SAMPLES = 12  # along a street


class Place(NamedTuple):
    """What a town is like."""

    slope: float = 0.012  # of the ground as a whole
    hills: float = 3.0  # [m] amplitude
    required: float = 0.75  # share of the streets that have frontage
    depth_rate: float = 68.0  # price per metre of street and metre of depth
    tie_ins: int = 1


def town(streets: int, seed: int, place: Place = Place()) -> Instance:  # noqa: B008
    """A town of about so many streets."""
    rng = np.random.default_rng(seed)
    xy, pairs = _streets(streets, rng)
    a, b = pairs.T
    bends = rng.uniform(1.0, 1.15, len(pairs))
    length = np.hypot(*(xy[a] - xy[b]).T) * bends
    bumps = rng.normal(0, 0.35, len(xy))
    profile = _profiles(xy, pairs, bumps, place, seed, rng)
    ground = _ground(xy, place, seed) + bumps
    links = _links(pairs, length, profile, place, rng)
    nodes = Nodes(
        ground - LEAST_DEPTH, ground - MOST_DEPTH, np.full(len(xy), 0.03),
        PIT * rng.uniform(0.8, 1.2, len(xy)), np.full(len(xy), PIT_DEPTH),
    )  # fmt: skip
    ends = _ends(links, profile, place, rng)
    return Instance(nodes, links, ends, _tie_ins(xy, ground, place, rng), ONE_CLASS)


def _streets(streets: int, rng: np.random.Generator) -> tuple[Floats, Ints]:
    """Corners of blocks, and a connected choice of the streets between them."""
    corners = max(4, round(streets / 1.6))
    wide = int(np.ceil(np.sqrt(corners)))
    high = int(np.ceil(corners / wide))
    number = np.arange(wide * high).reshape(high, wide)
    xy = np.array([(i, j) for j in range(high) for i in range(wide)]) * BLOCK
    xy = xy + rng.uniform(-25, 25, xy.shape)
    across = np.column_stack((number[:, :-1].ravel(), number[:, 1:].ravel()))
    along = np.column_stack((number[:-1].ravel(), number[1:].ravel()))
    pairs = np.vstack((across, along))
    group = np.arange(len(xy))
    tree, rest = list[int](), list[int]()
    for k in rng.permutation(len(pairs)):
        one, other = group[pairs[k]]
        (tree if one != other else rest).append(int(k))
        group[group == other] = one
    return xy, pairs[sorted(tree + rest[: max(0, streets - len(tree))])]


def _ground(xy: Floats, place: Place, seed: int) -> Floats:
    x, y = xy[..., 0], xy[..., 1]
    waves = np.sin(x / 370 + seed) * np.cos(y / 290 + 2 * seed)
    return np.asarray(100 + place.slope * (x + 0.3 * y) + place.hills * waves)


def _profiles(
    xy: Floats, pairs: Ints, bumps: Floats, place: Place, seed: int, rng: np.random.Generator
) -> Floats:
    """Ground along each street, from a to b, with a sag or a crest of its own. [m]"""
    t = np.linspace(0, 1, SAMPLES)
    a, b = xy[pairs[:, 0]], xy[pairs[:, 1]]
    points = a[:, None] + t[:, None] * (b - a)[:, None]
    sag = rng.normal(0, 0.3, len(pairs))[:, None] * np.sin(np.pi * t)
    ends = bumps[pairs[:, :1]] * (1 - t) + bumps[pairs[:, 1:]] * t
    return _ground(points, place, seed) + ends + sag


def _links(
    pairs: Ints, length: Floats, profile: Floats, place: Place, rng: np.random.Generator
) -> Links:
    count = len(pairs)
    required = rng.random(count) < place.required
    cap = np.column_stack((_highest(profile, length), _highest(profile[:, ::-1], length)))
    price = (BY_METRE + LEAST_DEPTH * place.depth_rate) * length * rng.uniform(0.9, 1.3, count)
    return Links(
        pairs[:, 0].copy(), pairs[:, 1].copy(), length, required,
        rng.integers(5, 40, count) * 1.0 * required, np.ones((count, 2), bool),
        np.column_stack((length, length)) * LEAST_SLOPE, cap, np.column_stack((price, price)),
        np.column_stack((length, length)) * place.depth_rate,
    )  # fmt: skip


def _highest(profile: Floats, length: Floats, start: Floats | None = None) -> Floats:
    """Highest invert that arrives at the end of each profile, from `start` of its length on. [m]"""
    t = np.linspace(0, 1, SAMPLES)
    level = profile - LEAST_DEPTH - LEAST_SLOPE * length[:, None] * (1 - t)
    if start is not None:
        level = np.where(t >= start[:, None], level, np.inf)
    return np.asarray(level.min(axis=1))


def _ends(links: Links, profile: Floats, place: Place, rng: np.random.Generator) -> Ends:
    """Dead ends from the last house on, and a split at the crest where there is one inside."""
    count, length = len(links.a), links.length
    price = np.full((count, 3), np.inf)
    into_b, into_a = np.full((count, 3), np.inf), np.full((count, 3), np.inf)
    rate = links.price[:, 0] / length
    first, last = rng.uniform(0.05, 0.3, count), rng.uniform(0.05, 0.3, count)
    crest = np.linspace(0, 1, SAMPLES)[profile.argmax(axis=1)]
    for way, from_a, from_b in ((0, first, None), (1, None, last), (2, crest, 1 - crest)):
        cost = np.zeros(count)
        for start, into, ground in ((from_a, into_b, profile), (from_b, into_a, profile[:, ::-1])):
            if start is not None:
                into[:, way] = _highest(ground, length, start)
                deep = ground[:, -1] - LEAST_DEPTH - into[:, way]
                part = length * (1 - start)
                cost += part * (rate + place.depth_rate * deep / 2) + HEAD_PIT
        price[:, way] = cost - (8_000.0 if way == 2 else 0.0)
    inside = links.required[:, None] & np.column_stack(
        (np.ones((count, 2), bool), (crest > 0.2) & (crest < 0.8))
    )
    return Ends(*(np.where(inside, table, np.inf) for table in (price, into_b, into_a)))


def _tie_ins(xy: Floats, ground: Floats, place: Place, rng: np.random.Generator) -> TieIns:
    """Deep manholes on the low side of the town."""
    low = np.argsort(xy[:, 0] + 0.3 * xy[:, 1])[: max(place.tie_ins, len(xy) // 12, 1)]
    node = np.sort(rng.choice(low, place.tie_ins, replace=False))
    if place.tie_ins == 1:
        node = low[[ground[low].argmin()]]
    count = len(node)
    return TieIns(node, ground[node] - 5.0, np.full(count, np.inf), np.full(count, 15_000.0))


def hamlet(junctions: int, streets: int, seed: int) -> Instance:
    """A few junctions with streets between any of them, short of cover and of depth."""
    rng = np.random.default_rng(seed)
    order = rng.permutation(junctions)
    pairs = [(int(order[rng.integers(0, k)]), int(order[k])) for k in range(1, junctions)]
    while len(pairs) < streets:
        one, other = rng.choice(junctions, 2, replace=False)
        pairs.append((int(one), int(other)))
    table = np.array(pairs)
    count = len(table)
    length = rng.uniform(60, 200, count)
    top = rng.uniform(98, 102, junctions)
    ground = top[table] + LEAST_DEPTH
    t = np.linspace(0, 1, SAMPLES)
    profile = ground[:, :1] * (1 - t) + ground[:, 1:] * t
    profile = profile + rng.normal(0, 0.5, count)[:, None] * np.sin(np.pi * t)
    place = Place(required=0.6, depth_rate=float(rng.choice([68.0, 400.0])))
    links = _links(table, length, profile, place, rng)
    nodes = Nodes(
        top, top - rng.uniform(3, 6, junctions), rng.choice([0.0, 0.03], junctions),
        PIT * rng.uniform(0.2, 1.2, junctions), np.full(junctions, PIT_DEPTH),
    )  # fmt: skip
    ties = order[: 1 + seed % 2]
    some = np.full(len(ties), np.inf), np.full(len(ties), 15_000.0)
    tie_ins = TieIns(np.sort(ties), top[np.sort(ties)] - 4.0, *some)
    return Instance(nodes, links, _ends(links, profile, place, rng), tie_ins, ONE_CLASS)
