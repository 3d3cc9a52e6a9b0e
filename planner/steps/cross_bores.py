"""Warns where a bore passes the services of houses, those on record and those that are not."""

from __future__ import annotations

from typing import Any, NamedTuple, Protocol

import numpy as np
import shapely
from numpy.typing import NDArray

from planner.model import Floats, Site
from planner.records import Ints, Route

Texts = NDArray[np.object_]

RULE = "cross_bore"
SOURCE = (
    "common practice, no source: house services are seldom on record, so every house counts as "
    "having one to each main beside it"
)
REMEDY = (
    "find them with a camera, by tracing or by exposing them before the bore, and put a camera "
    "through every drain in its way after it"
)
MAINS = ("water", "gas", "electric", "telecom", "sewer", "storm")  # that houses have services from
SLIM = 0.2  # [m] outside diameter up to which a line may be a house service
AT_HOUSE = 12.0  # [m] from the property to the end of a house service on record
SERVICE_REACH = 45.0  # [m] a main further from a house than this does not serve it
MARGIN = 1.0  # [m] in plan, in which one on record counts as passed: one sigma of quality D


class Pipes(Protocol):
    """What is asked of the connections that are built."""

    @property
    def connection_id(self) -> Texts:
        """Names, (served,)."""

    @property
    def sewer(self) -> Floats:
        """Axis of the pipe at the joint, (served, 3). [m]"""

    @property
    def served_row(self) -> Ints:
        """Row of `Site.properties`, (served,)."""

    @property
    def property(self) -> Floats:
        """Axis of the pipe at the property, (served, 3). [m]"""


class HouseServices(NamedTuple):
    """Lines from properties to what supplies or drains them, each (services,)."""

    line: Texts
    house: Ints  # row of Site.properties
    mapped: NDArray[np.bool_]


def find_house_services(site: Site) -> HouseServices:
    """House services on record, and a straight one to each main that has none on record.

    On record is a slim line of which an end lies at a property. Without one, the straight line
    from the property to the nearest main of the kind stands for it: nobody knows where it lies.
    """
    layer = site.utilities
    shapes, kinds = layer.geometry.to_numpy(), layer["kind"].to_numpy(object)
    lines = np.isin(shapely.get_type_id(shapes), (1, 5))
    homes = site.properties.geometry.to_numpy()
    owner = np.where(lines & (_width(site) <= SLIM), _house_at_end(shapes, homes), -1)
    known = np.flatnonzero(owner >= 0)
    found = [HouseServices(shapely.force_2d(shapes[known]), owner[known],
                           np.ones(len(known), bool))]  # fmt: skip
    for kind in MAINS:
        own = kinds == kind
        without = np.setdiff1d(np.arange(len(homes)), owner[known][own[known]])
        found.append(_unmapped(shapes[lines & own & (owner < 0)], homes, without))
    return HouseServices(*(np.concatenate(column) for column in zip(*found, strict=True)))


def _width(site: Site) -> Floats:
    layer = site.utilities
    round_width = layer["outside_diameter_m"].to_numpy(float)
    box_width = layer["width_m"].to_numpy(float)
    return np.asarray(np.where(np.isnan(round_width), box_width, round_width))


def _house_at_end(shapes: Texts, homes: Texts) -> Ints:
    """Row of the property nearest to an end of each line, -1 where none is within reach."""
    owner = np.full(len(shapes), -1)
    if not len(homes):
        return owner
    tree, nearest = shapely.STRtree(homes), np.full(len(shapes), np.inf)
    for end in (0, -1):
        points = shapely.get_point(shapely.get_geometry(shapes, 0), end)
        line, home = tree.query_nearest(points, max_distance=AT_HOUSE, all_matches=False)
        away = shapely.distance(points[line], homes[home])
        nearer = away < nearest[line]
        owner[line[nearer]], nearest[line[nearer]] = home[nearer], away[nearer]
    return owner


def _unmapped(mains: Texts, homes: Texts, rows: Ints) -> HouseServices:
    """Straight lines from properties to the nearest main."""
    if not len(mains) or not len(rows):
        return HouseServices(np.empty(0, object), np.empty(0, np.int64), np.empty(0, bool))
    at, main = shapely.STRtree(mains).query_nearest(
        homes[rows], max_distance=SERVICE_REACH, all_matches=False
    )
    lines = shapely.force_2d(shapely.shortest_line(homes[rows[at]], mains[main]))
    return HouseServices(np.asarray(lines, object), rows[at], np.zeros(len(at), bool))


def find_cautions(site: Site, route: Route, pipes: Pipes) -> list[dict[str, Any]]:
    """Advice for every leg and connection that passes services of houses.

    One on record is passed where a bore comes within `MARGIN` of it in plan, one that is not where
    its line is crossed. A connection is not held against the services of its own house.

    Parameters
    ----------
    site
        The site.
    route
        Pits and legs.
    pipes
        The connections that are built.

    Returns
    -------
    Findings as the summary has them; ``value`` counts the services, ``mapped`` those on record,
    ``properties`` names the houses.
    """
    services = find_house_services(site)
    bores = shapely.linestrings(np.concatenate([
        np.stack([route.pit_xy[route.leg_up], route.pit_xy[route.leg_down]], axis=1),
        np.stack([pipes.sewer[:, :2], pipes.property[:, :2]], axis=1),
    ]))  # fmt: skip
    names = [*route.leg_id, *(str(name) for name in pipes.connection_id)]
    house = np.concatenate([np.full(len(route.leg_id), -1), pipes.served_row])
    if not len(services.line):
        return []
    bore, service = shapely.STRtree(services.line).query(
        bores, predicate="dwithin", distance=MARGIN
    )
    passes = services.mapped[service] | shapely.intersects(bores[bore], services.line[service])
    passes &= house[bore] != services.house[service]
    bore, service = bore[passes], service[passes]
    ids = site.properties["property_id"].astype(str).to_numpy()
    return [
        _caution(names[number], services, service[bore == number], ids)
        for number in np.unique(bore).tolist()
    ]


def _caution(name: str, services: HouseServices, passed: Ints, ids: Texts) -> dict[str, Any]:
    mapped = int(services.mapped[passed].sum())
    return {
        "rule": RULE, "subject": name, "value": len(passed), "limit": 0,
        "unit": "house services", "severity": "advice", "source": SOURCE, "remedy": REMEDY,
        "mapped": mapped, "properties": sorted(set(ids[services.house[passed]].tolist())),
    }  # fmt: skip
