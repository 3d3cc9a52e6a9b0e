"""Names of a drawn design's pits and legs, each once, and the pits that its legs only name."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely

from planner.model import Floats, Site
from planner.records import Ints
from planner.steps.design.network import Fault
from planner.steps.design.rows import Rows

AT_TIE_IN = 1.0  # [m] the pit this near to a tie-in is the tie-in
SAME_PLACE = 0.01  # [m] two rows of one name this near are one pit, drawn twice
MOVED = 0.01  # [m] from which it is said that a pit is taken to stand at its tie-in


@dataclass(frozen=True, eq=False)
class Told:
    """What is wrong, and what was assumed."""

    faults: list[Fault]
    assumed: list[str]


@dataclass(frozen=True, eq=False)
class DrawnPits:
    """Pits of a design, each with a name of its own."""

    name: tuple[str, ...]
    drawn: Floats  # (pits, 2) where it is drawn [m]
    xy: Floats  # (pits, 2) where it stands: at the tie-in if it is one [m]
    tie_in: Ints  # (pits,) row of `Site.tie_ins`, -1 for a pit
    table: pd.DataFrame  # what is given, a row a pit


@dataclass(frozen=True, eq=False)
class NamedLegs:
    """Legs of a design, each with a name of its own."""

    name: tuple[str, ...]
    rows: Rows


def name_pits(rows: Rows) -> tuple[DrawnPits, Told]:
    """Pits by name; one drawn twice is used once, others of one name are told apart."""
    xy = shapely.get_coordinates(shapely.centroid(rows.shape)).reshape(-1, 2)
    assumed = _outlines(rows)
    first: dict[str, int] = {}
    kept, names, again = [], [], set()
    for i, name in enumerate(rows.names("pit_id")):
        if name in first:
            again.add(name)
            if np.hypot(*(xy[i] - xy[first[name]])) <= SAME_PLACE:
                continue
        kept.append(i)
        names.append(name if name not in first else f"{name} (row {rows.row[i]})")
        first.setdefault(name, i)
    rows = rows.take(np.array(kept, np.int64))
    at = xy[kept].reshape(-1, 2)
    pits = DrawnPits(tuple(names), at, at, np.full(len(names), -1), rows.table.assign(pit_id=names))
    return pits, Told(_doubled(again), assumed)


def _outlines(rows: Rows) -> list[str]:
    drawn = [
        name
        for name, shape in zip(rows.names("pit_id"), rows.shape, strict=True)
        if shape.geom_type != "Point"
    ]
    if not drawn:
        return []
    return [f"{', '.join(drawn)}: drawn as outlines, whose centre is taken"]


def _doubled(names: set[str]) -> list[Fault]:
    return [Fault("unique_id", name, 2.0, 1.0) for name in sorted(names)]


def name_legs(rows: Rows) -> tuple[NamedLegs, Told]:
    """Legs by name; one given twice is used once, others of one name are told apart."""
    first: dict[str, int] = {}
    kept, names, again = [], [], set()
    what = ["up_pit", "down_pit", "invert_up_m", "invert_down_m", "diameter_mm"]
    same = rows.table[what].astype(str).agg("|".join, axis=1).tolist() if len(rows) else []
    for i, name in enumerate(rows.names("leg_id")):
        if name in first:
            again.add(name)
            if same[i] == same[first[name]]:
                continue
        kept.append(i)
        names.append(name if name not in first else f"{name} (row {rows.row[i]})")
        first.setdefault(name, i)
    return NamedLegs(tuple(names), rows.take(np.array(kept, np.int64))), Told(_doubled(again), [])


def find_ends(site: Site, pits: DrawnPits, legs: NamedLegs, ends: Floats) -> tuple[DrawnPits, Told]:
    """Pits with those that legs only name put at the legs' ends, and tie-ins at their manholes.

    Parameters
    ----------
    site
        The site.
    pits, legs
        The design.
    ends : (legs, 2, 2)
        Ends of legs, upper first. [m]
    """
    manholes = site.tie_ins["tie_in_id"].astype(str).tolist()
    at_manhole = shapely.get_coordinates(site.tie_ins.geometry.to_numpy())
    added: dict[str, Floats] = {}
    faults, assumed = [], []
    for end, column in enumerate(("up_pit", "down_pit")):
        for i, pit in enumerate(legs.rows.names(column)):
            if pit in pits.name:
                continue
            if pit not in added:
                own = manholes.index(pit) if pit in manholes else -1
                other = legs.rows.names(("down_pit", "up_pit")[end])[i]
                added[pit] = at_manhole[own] if own >= 0 else _free_end(ends[i], end, pits, other)
                assumed.append(
                    f"{pit or 'a pit without a name'} is not among the pits: "
                    + ("the tie-in is taken" if own >= 0 else f"put at the end of {legs.name[i]}")
                )
            if pit not in manholes:
                faults.append(Fault("pit_exists", legs.name[i], 0.0, 1.0, pit))
    if added:
        at = np.vstack([pits.drawn, np.array(list(added.values())).reshape(-1, 2)])
        names = (*pits.name, *added)
        table = pits.table.reindex(range(len(names))).assign(pit_id=list(names))
        pits = DrawnPits(names, at, at, np.full(len(at), -1), table)
    pits, moved = _at_tie_ins(site, pits)
    return pits, Told(faults, assumed + moved)


def _free_end(ends: Floats, end: int, pits: DrawnPits, other: str) -> Floats:
    """The end of a leg where a pit is missing: the one away from its other pit."""
    if other not in pits.name:
        return np.asarray(ends[end])
    away = np.hypot(*(ends - pits.drawn[pits.name.index(other)]).T)
    return np.asarray(ends[end] if away[end] >= away[1 - end] else ends[1 - end])


def _at_tie_ins(site: Site, pits: DrawnPits) -> tuple[DrawnPits, list[str]]:
    """Pits with those near a tie-in standing there; the nearest of several is the tie-in."""
    xy, tie_in, said = pits.drawn.copy(), np.full(len(pits.name), -1), []
    names = site.tie_ins["tie_in_id"].astype(str).tolist()
    for row, point in enumerate(site.tie_ins.geometry):
        spot = shapely.get_coordinates(point)[0]
        away = np.hypot(*(pits.drawn - spot).T) if len(xy) else np.empty(0)
        if not len(away) or away.min() > AT_TIE_IN:
            continue
        pit = int(away.argmin())
        tie_in[pit], xy[pit] = row, spot
        if away[pit] > MOVED:
            said.append(f"{pits.name[pit]} is the tie-in {names[row]}, {away[pit]:.2f} m away")
    return DrawnPits(pits.name, pits.drawn, xy, tie_in, pits.table), said
