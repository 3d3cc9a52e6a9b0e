"""Things that bind a sewer's levels, and what is given without one of them or with a bit less."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from planner.kernels.rows import Houses, Runs
from planner.model import Site
from planner.records import Ints, Obstructions
from planner.steps.routing.given import Given

COVER, PROPERTY, SERVICE, SLOPE, DEPTH, DROP, TIE_IN = (
    "cover", "property", "service", "slope", "depth", "drop", "tie-in",
)  # fmt: skip
NOTHING = 1e-6  # slope, share or height that asks for nothing


class Item(NamedTuple):
    """A rule, or a thing by its row in its layer (-1 for a rule)."""

    kind: str
    row: int = -1


def name_item(site: Site, item: Item) -> str:
    """An item in words."""
    if item.kind == PROPERTY:
        return f"the drain of {site.properties['property_id'].iloc[item.row]}"
    if item.kind == SERVICE:
        row = site.utilities.iloc[item.row]
        return f"{row['kind']} {row['utility_id']}"
    if item.kind == TIE_IN:
        return f"the invert of {site.tie_ins['tie_in_id'].iloc[item.row]}"
    return {
        COVER: "least cover", SLOPE: "least slope", DEPTH: "greatest depth of a pit",
        DROP: "drop through a manhole",
    }[item.kind]  # fmt: skip


def relax(given: Given, item: Item, by: float) -> Given:
    """What is given, with an item relaxed.

    Parameters
    ----------
    given
        What the route is chosen from.
    item
        The item.
    by
        Less cover, slope or drop, more depth, a higher drain or service, a lower tie-in. [m],
        of a slope [m/m]
    """
    change = {
        COVER: _less_cover, PROPERTY: _raise_drain, SERVICE: _raise_service, SLOPE: _flatter,
        DEPTH: _deeper, DROP: _less_drop, TIE_IN: _lower_tie_in,
    }[item.kind]  # fmt: skip
    return _any_depth(change(given, item, by))


def without_services(given: Given, rows: Ints) -> Given:
    """What is given, without some services."""
    runs = given.obstructions.runs
    keep = ~np.isin(runs.service[runs.items], rows)
    return _with(given, runs=_take_items(runs, keep))


def only_services(given: Given, rows: Ints) -> Given:
    """What is given, with some services alone."""
    runs = given.obstructions.runs
    return _with(given, runs=_take_items(runs, np.isin(runs.service[runs.items], rows)))


def only_houses(houses: Houses, which: Ints) -> Houses:
    """Some of the houses of a chain."""
    return houses._replace(
        xy=np.ascontiguousarray(houses.xy[which]), station=houses.station[which],
        invert=houses.invert[which],
    )  # fmt: skip


def _take_items(runs: Runs, keep: np.ndarray) -> Runs:
    before = np.concatenate([[0], np.cumsum(keep)]).astype(np.int64)
    return runs._replace(start=before[runs.start], items=runs.items[keep])


def _with(given: Given, **changes: object) -> Given:
    around = {name: getattr(given.obstructions, name) for name in
              ("ground", "runs", "zones", "water", "houses")}  # fmt: skip
    return replace(given, obstructions=Obstructions(**(around | changes)))


def _with_rules(given: Given, **values: object) -> Given:
    book = given.site.book
    changed = replace(book, rules=book.rules.changed(values))
    return replace(given, site=replace(given.site, book=changed))


def _any_depth(given: Given) -> Given:
    """The same, with no floor under the levels but the greatest depth."""
    layout = replace(given.layout, lowest=np.full(len(given.layout.lowest), -np.inf))
    return replace(given, layout=layout)


def _less_cover(given: Given, _: Item, by: float) -> Given:
    rules, zones = given.site.book.rules, given.obstructions.zones
    bores = [pipe.bore for pipe in given.piping.pipes]
    ratio = rules.number("min_cover_bore_diameters") - by / max(bores, default=1.0)
    given = _with_rules(
        given, min_cover_m=max(0.0, rules.number("min_cover_m") - by),
        min_cover_bore_diameters=max(0.0, ratio),
        frost_depth_m=max(0.0, rules.number("frost_depth_m") - by),
    )  # fmt: skip
    return _with(given, zones=zones._replace(
        cover=np.maximum(zones.cover - by, 0.0), frost=np.maximum(zones.frost - by, 0.0)
    ))  # fmt: skip


def _raise_drain(given: Given, item: Item, by: float) -> Given:
    houses = tuple(
        one._replace(invert=one.invert + by * (chain.properties == item.row))
        for one, chain in zip(given.obstructions.houses, given.layout.chains, strict=True)
    )
    return _with(given, houses=houses)


def _raise_service(given: Given, item: Item, by: float) -> Given:
    runs = given.obstructions.runs
    points = np.diff(runs.profile_start)
    lift = np.repeat(by * (runs.service == item.row), points)
    return _with(given, runs=runs._replace(profile_z=runs.profile_z + lift))


def _flatter(given: Given, _: Item, by: float) -> Given:
    pipes = tuple(
        replace(pipe, min_slope=max(NOTHING, pipe.min_slope - by)) for pipe in given.piping.pipes
    )
    slopes = tuple(
        replace(one, least=np.maximum(NOTHING, one.least - by),
                floor=np.maximum(NOTHING, one.floor - by))
        for one in given.slopes
    )  # fmt: skip
    return replace(given, piping=replace(given.piping, pipes=pipes), slopes=slopes)


def _deeper(given: Given, _: Item, by: float) -> Given:
    rules = given.site.book.rules
    changes: dict[str, object] = {"max_depth_m": rules.number("max_depth_m") + by}
    deepest = rules.optional("max_leg_depth_m")
    if deepest is not None:
        changes["max_leg_depth_m"] = deepest + by
    return _with_rules(given, **changes)


def _less_drop(given: Given, _: Item, by: float) -> Given:
    table = given.site.book.rules.table("min_manhole_drop_m")
    less = {key: max(0.0, value - by) for key, value in table.items()}
    return _with_rules(given, min_manhole_drop_m=less)


def _lower_tie_in(given: Given, item: Item, by: float) -> Given:
    level = given.tie_in_level.copy()
    level[item.row] -= round(by / given.site.project.level_step)
    return replace(given, tie_in_level=level)
