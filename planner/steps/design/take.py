"""Takes a design as it is drawn: its pits, its legs and what else it states, as a route."""

from __future__ import annotations

from collections.abc import Mapping

import geopandas as gpd
import numpy as np

from planner.model import Floats, Site
from planner.records import Ints, StreetGraph
from planner.steps.design.as_route import Design, UsableLegs, make_route
from planner.steps.design.lines import STRAIGHT, draw_ends, turn_round
from planner.steps.design.named import DrawnPits, Told, find_ends, name_legs, name_pits
from planner.steps.design.network import Fault, Net, circles
from planner.steps.design.rows import NEEDED, read_rows

AT_PIT = 0.01  # [m] a leg's end this near to its pit's point meets it
NO_LENGTH = 0.001  # [m] a leg that is no longer has no direction


def take_design(
    site: Site,
    layers: Mapping[str, gpd.GeoDataFrame],
    graph: StreetGraph,
) -> Design:
    """A person's pits and legs as a route.

    Parameters
    ----------
    site
        The site they are drawn for.
    layers
        ``pits`` and ``legs`` as in a plan, in any CRS, of which only a few columns and the
        geometry have to be there; and ``connections``, which may be left out.
    graph
        The streets, and where properties are served from.

    Raises
    ------
    InputError
        Where a needed column, a geometry, a name or a number is missing.
    """
    faults: list[Fault] = []
    usable, assumed = _with_their_columns(layers)
    rows = {name: read_rows(site, frame, name) for name, frame in usable.items()}
    pits, told = name_pits(rows["pits"])
    faults += told.faults
    assumed += told.assumed
    legs, told = name_legs(rows["legs"])
    faults += told.faults
    assumed += told.assumed
    drawn = draw_ends(legs.rows.shape)
    pits, told = find_ends(site, pits, legs, drawn.ends)
    faults += told.faults
    assumed += told.assumed
    number = {name: i for i, name in enumerate(pits.name)}
    up = np.array([number[name] for name in legs.rows.names("up_pit")], np.int64)
    down = np.array([number[name] for name in legs.rows.names("down_pit")], np.int64)
    ends, turned = turn_round(drawn.ends, pits.drawn[up], pits.drawn[down])
    if turned.any():
        names = ", ".join(name for name, yes in zip(legs.name, turned, strict=True) if yes)
        assumed.append(f"{names}: drawn from the lower pit, and turned round")
    faults += _off_lines(legs.name, (ends, drawn.bent), pits, (up, down))
    kept, told = _usable(UsableLegs(legs.rows, legs.name, up, down), pits)
    faults += told.faults
    assumed += told.assumed
    return make_route(site, (pits, kept), (graph, rows.get("connections")), (faults, assumed))


def _with_their_columns(
    layers: Mapping[str, gpd.GeoDataFrame],
) -> tuple[dict[str, gpd.GeoDataFrame], list[str]]:
    """The layers without connections that do not say what joins what, and that it is so."""
    lacking = [
        column
        for column in NEEDED["connections"]
        if "connections" in layers
        and column not in {str(name).lower() for name in layers["connections"].columns}
    ]
    if not lacking:
        return dict(layers), []
    said = f"the layer connections has no column {' and '.join(lacking)} and is not used"
    return {name: frame for name, frame in layers.items() if name != "connections"}, [said]


def _off_lines(
    names: tuple[str, ...], drawn: tuple[Floats, Floats], pits: DrawnPits, to: tuple[Ints, Ints]
) -> list[Fault]:
    """Legs whose ends lie away from their pits' points, and legs that are not straight."""
    ends, bent = drawn
    faults = []
    for i, name in enumerate(names):
        for end, pit in ((0, to[0][i]), (1, to[1][i])):
            spots = np.array([pits.drawn[pit], pits.xy[pit]])
            away = float(np.hypot(*(spots - ends[i, end]).T).min())
            if away > AT_PIT:
                faults.append(Fault("leg_meets_pit", name, away, AT_PIT, pits.name[pit]))
        if bent[i] > STRAIGHT:
            faults.append(Fault("straight_leg", name, float(bent[i]), STRAIGHT))
    return faults


def _usable(legs: UsableLegs, pits: DrawnPits) -> tuple[UsableLegs, Told]:
    """Legs with a length that do not flow in a circle; the others are faults and left out."""
    faults, assumed = [], []
    length = np.hypot(*(pits.xy[legs.up] - pits.xy[legs.down]).T)
    none = (length <= NO_LENGTH) & (legs.up != legs.down)
    for i in np.flatnonzero(none):
        faults.append(Fault("min_leg_length_m", legs.name[i], 0.0, np.nan))
        assumed.append(f"{legs.name[i]} has no length and is left out of all else")
    legs = legs.keep(~none)
    found, out = circles(Net(pits.name, legs.name, legs.up, legs.down, pits.tie_in))
    assumed += [
        f"{legs.name[i]} closes a circle and is left out of all else" for i in np.flatnonzero(out)
    ]
    return legs.keep(~out), Told(faults + found, assumed)
