"""Says of conflicts that are none any more what became of them."""

from __future__ import annotations

from typing import Any, Protocol

import geopandas as gpd
import numpy as np
import shapely

from planner.model import PLAN_COLUMNS, Floats, Site

PLACES = 4  # decimals of a metre to which the place of a superseded conflict is kept
ELEMENTS = {
    "clearance_m": "leg", "pit_clearance_m": "pit", "connection_clearance_m": "connection",
}  # fmt: skip
WATER = ("water_horizontal_m", "water_vertical_m")


class Works(Protocol):
    """What is bored and dug now, as far as the register asks for it."""

    def find(self, element: str, utility_id: str, place: Floats) -> tuple[str, float] | None:
        """Name of the subject nearest to a service around a place, and its clearance. [m]"""

    def apart(self, element: str, subject: str, places: Floats) -> Floats:
        """Distance in plan of places from the axis of a subject; infinite if it has none. [m]"""


def element_of(affects: object, rule: object) -> str:
    """Kind of a conflict's subject, from the column that says what is affected.

    Examples
    --------
    >>> element_of("connection: pipe", "water_vertical_m"), element_of("", "pit_clearance_m")
    ('connection', 'pit')
    """
    said = str(affects).partition(":")[0]
    known = ELEMENTS.get(str(rule), "leg")
    return said if said in ELEMENTS.values() else known


def supersede(
    site: Site, left: gpd.GeoDataFrame, kept: gpd.GeoDataFrame, works: Works
) -> gpd.GeoDataFrame:
    """Earlier conflicts that are none any more, each with why and what took its place.

    Parameters
    ----------
    site
        The site.
    left
        The earlier conflicts without one of this run.
    kept
        The conflicts of this run; ``new`` are those that no earlier run had.
    works
        What is bored and dug now.
    """
    by, why = [], []
    services = set(site.utilities["utility_id"].astype(str))
    for row in left.to_dict("records"):
        other = _successor(row, kept)
        by.append(str(row["superseded_by"]) or ("" if other is None else other["conflict_id"]))
        why.append(_why(row, other, services, works))
    places = shapely.get_coordinates(left.geometry.to_numpy()).round(PLACES)
    left = left.assign(why=why, superseded_by=by).set_geometry(shapely.points(places))
    return left[[*PLAN_COLUMNS["superseded"], "geometry"]].reset_index(drop=True)


def _successor(row: dict[str, Any], kept: gpd.GeoDataFrame) -> dict[str, Any] | None:
    """The conflict that took the place of an earlier one: the nearest new one of its kind.

    One that was superseded before keeps the successor that it was given then.
    """
    said = str(row["superseded_by"])
    if said:
        same = kept[kept["conflict_id"] == said]
    elif row["gone"]:
        return None
    else:
        like = (kept["utility_id"] == row["utility_id"]) & (kept["rule"] == row["rule"])
        same = kept[kept["new"] & like]
        element = element_of(row["affects"], row["rule"])
        same = same[[element_of(said, row["rule"]) == element for said in same["affects"]]]
    if not len(same):
        return None
    away = same.geometry.distance(row["geometry"]).to_numpy()
    least = int(np.argmin(away.round(2)))
    found = same[["conflict_id", "subject", "clearance_m"]].iloc[least].to_dict()
    return {**found, "away": float(away[least])}


def _why(
    row: dict[str, Any], other: dict[str, Any] | None, services: set[str], works: Works
) -> str:
    """Why an earlier conflict is none any more, with figures."""
    service = str(row["utility_id"])
    if service not in services:
        return f"{service} is no longer in the records"
    element = element_of(row["affects"], row["rule"])
    place = np.array([row["geometry"].x, row["geometry"].y])
    now = works.find(element, service, place)
    said = f"no {element} is near {service} here any more" if now is None else _near(row, now)
    if other is None:
        return said
    return (
        f"{said}; {other['subject']} meets it {other['away']:.1f} m from here "
        f"({other['conflict_id']}, clearance {other['clearance_m']:.2f} m)"
    )


def _near(row: dict[str, Any], now: tuple[str, float]) -> str:
    """What is nearest to the service here now, against what was required."""
    name, gap = now
    service, required = str(row["utility_id"]), float(row["required_m"])
    away = f"{gap:.2f} m away" if gap >= 0 else f"overlapping it by {-gap:.2f} m"
    tail = f"now {away}" if name == row["subject"] else f"{name} is nearest now, {away}"
    if row["rule"] in WATER:
        return f"the water separation from {service} is kept here now; {tail}"
    if row["severity"] == "unproven":
        return f"{name} is now far enough from {service} for how well it is known; {tail}"
    if gap < required:
        return f"what is required of {service} has changed; {tail}"
    if name == row["subject"]:
        return f"{name} no longer passes within {required:.2f} m of {service}; {tail}"
    element = element_of(row["affects"], row["rule"])
    return f"no {element} passes within {required:.2f} m of {service} here any more; {tail}"
