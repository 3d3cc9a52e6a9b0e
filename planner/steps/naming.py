"""Names the pits, legs and runs of a route, and gives every property its leg."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from planner.model import Site
from planner.records import Candidates, ChainPipe, ChosenLeg, Layout, Route, Solution

LETTERS = 26


@dataclass
class _Named:
    """Names as they are given, walking up from the tie-ins."""

    order: list[ChosenLeg] = field(default_factory=list)
    leg_id: list[str] = field(default_factory=list)
    run: list[str] = field(default_factory=list)
    station: list[float] = field(default_factory=list)
    pit_id: dict[int, str] = field(default_factory=dict)


def name_route(
    site: Site, candidates: Candidates, layout: Layout, pipes: tuple[ChainPipe, ...],
    solution: Solution, property_xy: np.ndarray,
) -> Route:  # fmt: skip
    """The route with its names.

    A run goes from a tie-in or a junction up to a head or the next junction, straightest inlet
    first. Identifiers grow upstream; they carry the run's letter where there is more than one.
    """
    named = _walk(site, candidates, solution)
    pits = list(named.pit_id)
    number = {pit: i for i, pit in enumerate(pits)}
    legs = named.order
    pipe = [pipes[leg.pipe] for leg in legs]
    binds = {leg.up: text for leg, text in zip(solution.legs, solution.leg_binds, strict=True)}
    tie_in = candidates.tie_in[pits]
    up = np.array([number[leg.up] for leg in legs], np.int64)
    down = np.array([number[leg.down] for leg in legs], np.int64)
    columns: dict[str, Any] = {
        name: np.array([getattr(p, name) for p in pipe], float)
        for name in ("nominal", "inside", "outside", "bore")
    }
    return Route(
        pit_id=tuple(named.pit_id.values()), pit_xy=candidates.xy[pits],
        pit_ground=candidates.ground[pits],
        pit_level=np.array([solution.level[pit] for pit in pits], float), pit_tie_in=tie_in,
        leg_id=tuple(named.leg_id), leg_up=up, leg_down=down,
        leg_up_level=np.array([leg.up_level for leg in legs], float),
        leg_down_level=np.array([leg.down_level for leg in legs], float),
        leg_launch=np.where([leg.launched_up for leg in legs], up, down).astype(np.int64),
        leg_length=np.array([leg.length for leg in legs], float),
        leg_nominal=columns["nominal"], leg_inside=columns["inside"],
        leg_outside=columns["outside"], leg_bore=columns["bore"],
        leg_material=tuple(p.material for p in pipe), leg_method=tuple(p.method for p in pipe),
        run_id=tuple(named.run), station_down=np.array(named.station, float),
        property_leg=_serving_legs(site, candidates, layout, solution, legs),
        why_not=tuple(_why_not(site, layout, solution)), property_xy=property_xy,
        candidate=np.array(pits, np.int64),
        leg_pipe=np.array([leg.pipe for leg in legs], np.int64),
        pit_binds=tuple(solution.pit_binds[pit] for pit in pits),
        leg_binds=tuple(binds[leg.up] for leg in legs),
        pit_manhole=tuple(pit not in solution.without_manhole for pit in pits),
    )  # fmt: skip


def _why_not(site: Site, layout: Layout, solution: Solution) -> list[str]:
    return [layout.why_not[i] or solution.why_not.get(i, "") for i in range(len(site.properties))]


def _letter(n: int) -> str:
    name = ""
    while n >= 0:
        name = chr(ord("A") + n % LETTERS) + name
        n = n // LETTERS - 1
    return name


def _walk(site: Site, candidates: Candidates, solution: Solution) -> _Named:
    into: dict[int, list[ChosenLeg]] = defaultdict(list)
    for leg in solution.legs:
        into[leg.down].append(leg)
    roots = sorted(pit for pit in solution.level if candidates.tie_in[pit] >= 0)
    named = _Named()
    ids = site.tie_ins["tie_in_id"].astype(str).tolist()
    starts = sum(len(into[r]) for r in roots)
    forks = [legs for pit, legs in into.items() if pit not in roots and len(legs) > 1]
    several = starts + sum(len(legs) for legs in forks) > 1
    queue = []
    for root in roots:
        named.pit_id[root] = ids[candidates.tie_in[root]]
        queue += [(leg, None) for leg in _straightest(candidates, into[root], None)]
    while queue:
        leg, _ = queue.pop(0)
        run = _letter(len(set(named.run)))
        top = _name_run(named, into, leg, run, several=several)
        queue += [(nxt, None) for nxt in _straightest(candidates, into[top.up], top)]
    return named


def _name_run(
    named: _Named, into: dict[int, list[ChosenLeg]], leg: ChosenLeg, run: str, *, several: bool
) -> ChosenLeg:
    """Name legs and pits up one run; returns its uppermost leg."""
    count, station = 0, 0.0
    while True:
        count += 1
        named.order.append(leg)
        named.leg_id.append(f"{run}{count}" if several else f"L{count}")
        named.run.append(run)
        named.station.append(station)
        named.pit_id[leg.up] = f"P{run}{count}" if several else f"P{count}"
        station += leg.length
        if len(into[leg.up]) != 1:
            return leg
        leg = into[leg.up][0]


def _straightest(
    candidates: Candidates, legs: list[ChosenLeg], below: ChosenLeg | None
) -> list[ChosenLeg]:
    """Legs into a pit, the one that turns least first."""

    def direction(leg: ChosenLeg) -> np.ndarray:
        d = candidates.xy[leg.down] - candidates.xy[leg.up]
        return np.asarray(d / np.hypot(*d))

    def key(leg: ChosenLeg) -> tuple[float, int]:
        along = 0.0 if below is None else float(direction(leg) @ direction(below))
        return (-round(along, 9), leg.up)

    return sorted(legs, key=key)


def _serving_legs(
    site: Site, candidates: Candidates, layout: Layout, solution: Solution, legs: list[ChosenLeg]
) -> np.ndarray:
    """Leg of its own chain that passes each served property."""
    serving = np.full(len(site.properties), -1)
    by_chain: dict[int, list[tuple[float, int]]] = defaultdict(list)
    for i, leg in enumerate(legs):
        pits = candidates.chains[leg.chain]
        at = pits.station[np.flatnonzero(pits.pits == leg.down)[0]]
        by_chain[leg.chain].append((float(at), i))
    for number, chain in enumerate(layout.chains):
        found = sorted(by_chain[number])
        if not found:
            continue
        starts = np.array([at for at, _ in found])
        starts[0] = -np.inf
        which = np.searchsorted(starts, chain.property_stations, side="right") - 1
        for row, k in zip(chain.properties, which, strict=True):
            if solution.served[row]:
                serving[row] = found[k][1]
    return serving
