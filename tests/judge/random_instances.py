"""Random instances of the programme: trees of curved streets, bands, drops, sizes, contacts.

A string of stations runs from each head to a junction or the root; a station has one to three
places across the street. Which legs there are, how they turn and what binds them is drawn by lot.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tests.judge.instance_file import COUNTED, PARTS, Arrays

DRIVES = 4
PLACES = (0.0, 0.25, 1 / 3, 0.5, 0.75, 1.0)  # where contacts are tried


@dataclass(frozen=True)
class Measure:
    """How large an instance is, and how often something is met."""

    strings: int = 3
    stations: int = 2
    offsets: int = 3
    span: int = 14  # [levels] of a pit
    sizes: int = 2
    reach: int = 2  # stations that a leg may pass
    bands: float = 0.4
    contact: float = 0.3  # share of rows and edges that lie on whole levels
    blocked: float = 0.08  # share of instances that are made impossible on purpose


@dataclass
class Draft:
    """An instance as it grows; pits and legs as rows of plain values."""

    rng: np.random.Generator
    measure: Measure
    pits: list[dict[str, Any]] = field(default_factory=list)
    legs: list[dict[str, Any]] = field(default_factory=list)


def random_instance(seed: int, measure: Measure | None = None) -> Arrays:
    """An instance by its seed."""
    rng = np.random.default_rng(seed)
    draft = Draft(rng, measure or Measure())
    root = _grow_tree(draft)
    _bind_pits(draft, root)
    if rng.random() < draft.measure.blocked:
        draft.pits[root]["low"] = draft.pits[root]["high"] = draft.pits[root]["high"] + 60
        draft.pits[root]["arrive"] += 60
    return _assemble(draft, root)


def _grow_tree(draft: Draft) -> int:
    """Strings from the heads down: each ends at a junction that the next begins with."""
    rng, measure = draft.rng, draft.measure
    waiting: list[tuple[list[int], float]] = []  # lower ends, and the level of their ground
    for number in range(measure.strings):
        joins = min(len(waiting), int(rng.integers(0, 4)))
        if number == measure.strings - 1:
            joins = len(waiting)
        ends, waiting = waiting[len(waiting) - joins :], waiting[: len(waiting) - joins]
        waiting.append(_grow_string(draft, ends))
    last, level = waiting.pop()
    root = _add_pit(draft, level - 2.0, branches=1)
    for pit in last:
        _add_legs(draft, pit, root, 0)
    return root


def _grow_string(draft: Draft, ends: list[tuple[list[int], float]]) -> tuple[list[int], float]:
    rng, measure = draft.rng, draft.measure
    level = min((g for _, g in ends), default=float(rng.uniform(90, 100)))
    rows: list[list[int]] = []
    for station in range(1 + int(rng.integers(1, measure.stations + 1))):
        level -= float(rng.uniform(-1, 3))
        branches = len(ends) if station == 0 else 1
        row = [
            _add_pit(
                draft, level + float(rng.uniform(-1, 1)), branches=branches, string=station == 0
            )
            for _ in range(int(rng.integers(1, measure.offsets + 1)))
        ]
        for back in range(max(0, station - measure.reach), station):
            for up in rows[back]:
                for down in row:
                    if rng.random() < 0.85:
                        _add_legs(draft, up, down, 0)
        for branch, (pits, _) in enumerate(ends if station == 0 else ()):
            for up in pits:
                for down in row:
                    _add_legs(draft, up, down, branch)
        rows.append(row)
    return rows[-1], level


def _add_pit(draft: Draft, ground: float, *, branches: int, string: bool = False) -> int:
    """A place; the first of a string may be a head."""
    rng = draft.rng
    head = 0.0 if branches == 0 else np.inf
    if string and branches and rng.random() < 0.1:
        head = float(np.round(rng.uniform(0, 300), 3))
    price = np.round(rng.uniform(20, 60, 2), 3)
    price[rng.random(2) < 0.07] = np.inf
    draft.pits.append({
        "ground": round(ground, 2), "branches": branches, "head": head, "price": price,
        "price_depth": np.round(rng.uniform(0, 6, 2), 3),
    })  # fmt: skip
    return len(draft.pits) - 1


def _bind_pits(draft: Draft, root: int) -> None:
    """Levels of every pit."""
    rng, measure = draft.rng, draft.measure
    for pit in draft.pits:
        pit["high"] = int(pit["ground"] - rng.integers(2, 5))
        pit["low"] = pit["high"] - int(rng.integers(measure.span // 2, measure.span + 1))
        if rng.random() < 0.02:
            pit["low"] = pit["high"] + 1  # nothing can leave here
        pit["arrive"] = pit["high"] + int(rng.integers(-1, 2))
    end = draft.pits[root]
    above = [draft.pits[leg["up"]]["low"] for leg in draft.legs if leg["down"] == root]
    end["low"] = end["high"] = min(above) + int(rng.integers(-3, 4))
    end["arrive"] = end["high"] + 9
    for leg in draft.legs:
        leg.update(_levels_of(draft, leg))


def _add_legs(draft: Draft, up: int, down: int, branch: int) -> None:
    """A chord in one or more sizes: directions at both ends, prices by drive."""
    rng = draft.rng
    ways = (int(rng.integers(0, 2)), int(rng.integers(0, 2)))
    for size in range(int(rng.integers(1, draft.measure.sizes + 1))):
        price = np.round(rng.uniform(50, 90, DRIVES) + 8 * size, 3)
        price[rng.random(DRIVES) < 0.25] = np.inf
        rate = np.round(rng.uniform(0, 3, (DRIVES, 2)), 3)
        draft.legs.append({
            "up": up, "down": down, "branch": branch, "out": ways[0], "in": ways[1], "size": size,
            "price": price, "price_depth": rate,
        })  # fmt: skip


def _levels_of(draft: Draft, leg: dict[str, Any]) -> dict[str, Any]:
    """Falls, rows and bands of a leg, some of them in contact with whole levels."""
    rng, measure = draft.rng, draft.measure
    up, down = draft.pits[leg["up"]], draft.pits[leg["down"]]
    least = int(rng.integers(-1, 2))
    rows = [(t, _height(draft, (up, down), t, up["high"] + 1, down["arrive"] + 1))
            for t in _places(draft)]  # fmt: skip
    bands = []
    for _ in range(int(rng.binomial(2, measure.bands))):
        middle = float(rng.uniform(-8, 0))
        thick = float(rng.uniform(1.0, 4.0))
        places = sorted(rng.permutation(_places(draft))[: int(rng.integers(1, 3))].tolist())
        low = [(t, _height(draft, (up, down), t, *_at(up, down, middle - thick))) for t in places]
        top = [(t, _height(draft, (up, down), t, *_at(up, down, middle))) for t in places]
        if rng.random() < 0.15:
            low = [(0.0, -np.inf)]  # nothing passes below
        bands.append((low, top))
    most = least + int(rng.integers(5, measure.span + 8))
    return {"least": least, "most": most, "rows": lower_hull(rows), "bands": bands}


def _at(up: dict[str, Any], down: dict[str, Any], above: float) -> tuple[float, float]:
    return up["high"] + above, down["high"] + above


def _places(draft: Draft) -> list[float]:
    """Places along a leg, its ends among them now and then."""
    rng = draft.rng
    some = [float(t) for t in rng.uniform(0, 1, int(rng.integers(1, 4)))]
    some += [t for t in PLACES if rng.random() < draft.measure.contact]
    return sorted(set(rng.permutation(some).tolist()))


def _height(
    draft: Draft, ends: tuple[dict[str, Any], dict[str, Any]], t: float, z: float, a: float
) -> float:
    """Height of a row at a place: near the line between two levels, or on it exactly."""
    rng = draft.rng
    del ends
    if rng.random() < draft.measure.contact:
        whole = round(z) - int(rng.integers(0, 3)), round(a) - int(rng.integers(-1, 3))
        return (1 - t) * whole[0] + t * whole[1]
    return (1 - t) * z + t * a + float(rng.uniform(-1, 3))


def lower_hull(rows: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """The rows that bind somewhere, ascending by place, as the format asks."""
    kept: list[tuple[float, float]] = []
    for t, h in sorted(rows):
        while len(kept) > 1 and _on_or_above(kept[-2], kept[-1], (t, h)):
            kept.pop()
        kept.append((t, h))
    return kept


def _on_or_above(o: tuple[float, float], p: tuple[float, float], q: tuple[float, float]) -> bool:
    return (p[0] - o[0]) * (q[1] - o[1]) - (p[1] - o[1]) * (q[0] - o[0]) <= 0


def _assemble(draft: Draft, root: int) -> Arrays:
    """The arrays of the file."""
    order = sorted(range(len(draft.legs)), key=lambda k: draft.legs[k]["down"])
    legs = [draft.legs[k] for k in order]
    pits = draft.pits
    arrays: Arrays = {"roots": np.array([root])}
    arrays |= _pit_arrays(draft)
    arrays |= _group_arrays(draft, legs, root)
    arrays |= _leg_arrays(legs, len(pits))
    arrays |= {
        "drops_free": np.array(int(draft.rng.integers(1, 4))),
        "drops_most": np.array(int(draft.rng.integers(4, 12))),
        "drops_price": np.array(round(float(draft.rng.uniform(0, 20)), 3)),
        "drops_price_level": np.array(round(float(draft.rng.uniform(0, 3)), 3)),
    }
    return {name: value.astype(_kind(name)) for name, value in arrays.items()}


def _kind(name: str) -> type:
    part, _, rest = name.partition("_")
    whole = part not in PARTS or rest in COUNTED[part]
    return np.int64 if whole else np.float64


def _pit_arrays(draft: Draft) -> Arrays:
    pits, rng = draft.pits, draft.rng
    steps = np.sort(np.round(rng.uniform(4, 14, int(rng.integers(0, 3))), 2))
    if len(steps) and rng.random() < 0.5:
        steps[0] = round(pits[0]["ground"] - pits[0]["low"] - 2 + 0.5, 2)  # due just at a level
    return {
        "pits_low": np.array([p["low"] for p in pits]),
        "pits_high": np.array([p["high"] for p in pits]),
        "pits_arrive_high": np.array([p["arrive"] for p in pits]),
        "pits_ground": np.array([p["ground"] for p in pits]),
        "pits_price": np.array([p["price"] for p in pits]),
        "pits_price_depth": np.array([p["price_depth"] for p in pits]),
        "pits_price_head": np.array([p["head"] for p in pits]),
        "pits_branches": np.array([p["branches"] for p in pits]),
        "pits_step_depth": steps,
        "pits_step_price": np.round(rng.uniform(0, 15, (len(steps), 2)), 3),
        "pits_under": np.array([0.5, 1.0]),
    }


def _group_arrays(draft: Draft, legs: list[dict[str, Any]], root: int) -> Arrays:
    """Groups by direction and size; larger never flows into smaller, wider turns drop more."""
    rng, count = draft.rng, len(draft.pits)
    out = sorted({(leg["up"], leg["out"], leg["size"]) for leg in legs} | {(root, 0, 9)})
    into = sorted({(leg["down"], leg["branch"], leg["in"], leg["size"]) for leg in legs})
    numbers = {key: k for k, key in enumerate(out)}
    arriving = {key: k for k, key in enumerate(into)}
    for leg in legs:
        leg["out_group"] = numbers[leg["up"], leg["out"], leg["size"]]
        leg["in_group"] = arriving[leg["down"], leg["branch"], leg["in"], leg["size"]]
    pairs = [
        (k, arriving[other], int(rng.integers(0, 3)) + min(1, size - other[3]))
        for k, (pit, _, size) in enumerate(out)
        for other in into
        if other[0] == pit and other[3] <= size and rng.random() < 0.9
    ]
    return {
        "groups_out_start": np.searchsorted([key[0] for key in out], np.arange(count + 1)),
        "groups_in_start": np.searchsorted([key[0] for key in into], np.arange(count + 1)),
        "groups_in_branch": np.array([key[1] for key in into]),
        "groups_turn_start": np.searchsorted([p[0] for p in pairs], np.arange(len(out) + 1)),
        "groups_turn_in": np.array([p[1] for p in pairs]),
        "groups_turn_drop": np.array([p[2] for p in pairs]),
    }


def _leg_arrays(legs: list[dict[str, Any]], pits: int) -> Arrays:
    rows = [leg["rows"] for leg in legs]
    bands = [leg["bands"] for leg in legs]
    parts = [part for own in bands for band in own for part in band]
    starts = np.cumsum([0] + [len(part) for part in parts])
    return {
        "legs_start": np.searchsorted([leg["down"] for leg in legs], np.arange(pits + 1)),
        "legs_up": np.array([leg["up"] for leg in legs]),
        "legs_out_group": np.array([leg["out_group"] for leg in legs]),
        "legs_in_group": np.array([leg["in_group"] for leg in legs]),
        "legs_least_fall": np.array([leg["least"] for leg in legs]),
        "legs_most_fall": np.array([leg["most"] for leg in legs]),
        "legs_price": np.array([leg["price"] for leg in legs]).reshape(-1, DRIVES),
        "legs_price_depth": np.array([leg["price_depth"] for leg in legs]).reshape(-1, DRIVES, 2),
        "legs_rows": np.arange(len(legs)),
        "legs_row_start": np.cumsum([0] + [len(own) for own in rows]),
        "legs_row_t": np.array([t for own in rows for t, _ in own]),
        "legs_row_h": np.array([h for own in rows for _, h in own]),
        "legs_band_start": np.cumsum([0] + [len(own) for own in bands]),
        "legs_band_low": starts[::2],
        "legs_band_high": np.append(starts[1::2], starts[-1:]),
        "legs_band_t": np.array([t for part in parts for t, _ in part]),
        "legs_band_h": np.array([h for part in parts for _, h in part]),
    }
