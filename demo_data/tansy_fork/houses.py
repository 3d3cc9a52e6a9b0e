"""Properties of Tansy Fork: houses on both sides of the streets, a mill, a school, flats."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely import LineString, Point, Polygon

from tansy_fork.ground import Relief
from tansy_fork.paths import Floats
from tansy_fork.streets import Street

GAP, SCHOOL_GAP = 5.0, 18.0  # [m] least distance between two buildings, and from the school
SCHOOL = "OR-S"
SETBACK = (9.0, 15.0)  # [m] from the carriageway's edge to the front of a house
FRONTAGE = {"arterial": 31.0, "collector": 23.0, "local": 22.0}  # [m] about the width of a lot
BASEMENTS = {"arterial": 0.10, "collector": 0.45, "local": 0.40}  # [-] share of houses with one
EASEMENT = LineString([(98, 263), (62, 258), (16, 250), (-23, 254)])  # drain from loop to creek
POINTS = 0.35  # [-] share of the properties that are known as a point only


@dataclass(frozen=True, eq=False)
class House:
    """One property: its building, and what it sends to the sewer."""

    house_id: str
    street: str
    station: float  # [m] along its street
    side: int  # 1 left, -1 right
    front: Floats  # (2,) [m] middle of its front wall
    building: Polygon
    below: float | None  # [m] lowest floor under the ground, negative above; None: not known
    people: float | None = None
    flow: float | None = None  # [L/s] average
    as_point: bool = False
    corner: bool = False


class Plot(NamedTuple):
    """A particular property: where it stands, how large it is, what it sends."""

    house_id: str
    street: str
    station: float  # [m]
    side: int
    setback: float  # [m]
    size: tuple[float, float]  # [m] along the street, deep
    below: float  # [m]
    people: float | None = None
    flow: float | None = None  # [L/s]


PARTICULAR = (
    # the old mill with its deep cellar, and two houses on the creek's terrace
    Plot("HA-5", "Halloway Avenue", 49.0, 1, 10.0, (22.0, 15.0), 4.9, flow=0.06),
    Plot("HA-8", "Halloway Avenue", 42.0, -1, 19.5, (12.0, 10.0), 2.6, people=4.0),
    Plot("HA-14", "Halloway Avenue", 66.0, -1, 19.0, (11.0, 10.0), 2.8, people=3.0),
    # the school, and flats
    Plot(SCHOOL, "Orchard Rise", 333.0, -1, 16.0, (56.0, 24.0), -0.45, flow=0.30),
    Plot("HA-61", "Halloway Avenue", 300.0, 1, 13.0, (34.0, 15.0), -0.3, people=36.0),
    Plot("HA-84", "Halloway Avenue", 378.0, -1, 14.0, (30.0, 15.0), -0.25, people=30.0),
    Plot("SE-21", "Sexton Street", 120.0, -1, 13.0, (28.0, 13.0), -0.3, flow=0.14),
)


def place_houses(streets: dict[str, Street], rng: np.random.Generator) -> list[House]:
    """All properties: the particular ones first, then rows of houses in what room is left."""
    houses = [_stand(streets[plot.street], plot) for plot in PARTICULAR]
    for street in streets.values():
        if street.bulb:
            houses += _round_bulb(street, rng)
    for street in streets.values():
        if street.sewer == "allowed":
            houses += _line_up(street, streets, houses, rng)
    return houses


def _stand(street: Street, plot: Plot) -> House:
    front, building = _building(street, plot.station, plot.side, plot.setback, plot.size)
    return House(
        plot.house_id, plot.street, plot.station, plot.side, front, building, plot.below,
        plot.people, plot.flow, corner=street.road_class == "arterial",
    )  # fmt: skip


def _round_bulb(street: Street, rng: np.random.Generator) -> list[House]:
    """Houses that face the turning circle at a street's end."""
    houses, (ahead,) = [], street.path.heading(street.path.length)
    for number, angle in enumerate(np.radians([-78.0, -26.0, 26.0, 78.0])):
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        out = turn @ ahead
        front = street.path.points[-1] + (street.bulb + 7.0) * out
        building = _square(front, np.array([out[1], -out[0]]), out, (11.0, 10.5))
        below = 2.3 if number == 1 else -(0.2 + 0.4 * rng.random())
        name, station = f"{street.code}-{150 + number}", street.path.length
        houses.append(House(name, street.name, station, 0, front, building, below, 3.0))
    return houses


def _building(
    street: Street, station: float, side: int, setback: float, size: tuple[float, float]
) -> tuple[Floats, Polygon]:
    """Middle of the front wall, and the footprint, square to the street."""
    front = street.path.at(station, side * (street.edge(side) + setback))[0]
    ahead = street.path.heading(station)[0]
    return front, _square(front, ahead, side * np.array([-ahead[1], ahead[0]]), size)


def _square(front: Floats, along: Floats, away: Floats, size: tuple[float, float]) -> Polygon:
    """Rectangle behind the middle of its front wall."""
    half, deep = along * size[0] / 2, away * size[1]
    return Polygon([front - half, front + half, front + half + deep, front - half + deep])


def _line_up(
    street: Street, streets: dict[str, Street], there: list[House], rng: np.random.Generator
) -> list[House]:
    """Houses along both sides of a street where they keep clear of all else."""
    kept: list[House] = []
    for side in (1, -1):
        station, number = 14.0 + 4 * rng.random(), 1 if side > 0 else 2
        while station < street.path.length + street.bulb - 4.0:
            house = _draw_house(street, station, side, f"{street.code}-{number}", rng)
            step = FRONTAGE[street.road_class] * (0.9 + 0.25 * rng.random())
            if _has_room(house, streets, [*there, *kept]):
                kept.append(house)
                station, number = station + step, number + 4
            else:
                station, number = station + 3.0, number + (station % 12 < 3) * 2
    return _renumber(kept, street)


def _renumber(houses: list[House], street: Street) -> list[House]:
    """House numbers that grow along the street, odd on the left."""
    numbered = []
    for house in houses:
        number = 100 + 2 * int(house.station / 4.0) + (1 if house.side > 0 else 0)
        numbered.append(replace(house, house_id=f"{street.code}-{number}"))
    return numbered


def _draw_house(
    street: Street, station: float, side: int, house_id: str, rng: np.random.Generator
) -> House:
    size = (9.0 + 4.5 * rng.random(), 8.5 + 4.0 * rng.random())
    if street.road_class == "arterial":
        size = (13.0 + 6.0 * rng.random(), 11.0 + 4.0 * rng.random())
    at_least = street.row_width / 2 - street.edge(side) + 2.5
    setback = max(at_least, SETBACK[0] + (SETBACK[1] - SETBACK[0]) * rng.random())
    front, building = _building(street, station, side, setback, size)
    if rng.random() < 0.3:
        building = _with_wing(building, rng)
    basement = rng.random() < BASEMENTS[street.road_class]
    below = 2.0 + 0.6 * rng.random() if basement else -(0.2 + 0.4 * rng.random())
    known = rng.random() < 0.94
    people = None if rng.random() < 0.3 else float(rng.integers(1, 6))
    return House(
        house_id, street.name, station, side, front, building, below if known else None,
        people, as_point=rng.random() < POINTS,
    )  # fmt: skip


def _with_wing(building: Polygon, rng: np.random.Generator) -> Polygon:
    """Footprint with a wing to the back, as an L."""
    corners = np.array(building.exterior.coords)[:4]
    back = corners[2] - corners[1]
    share = 0.4 + 0.2 * rng.random()
    a, b = corners[3], corners[3] + share * (corners[2] - corners[3])
    wing = Polygon([a, b, b + 0.35 * back, a + 0.35 * back])
    joined = shapely.union(building, wing.buffer(0.001, join_style="mitre"))
    return Polygon(shapely.simplify(joined, 0.05).exterior)


def _has_room(house: House, streets: dict[str, Street], others: list[House]) -> bool:
    if any(house.building.distance(other.building) < _gap(other) for other in others):
        return False
    if house.building.distance(EASEMENT) < GAP:
        return False
    for street in streets.values():
        margin = 2.0 if street.name == house.street else 6.0
        end = Point(street.path.points[-1])
        if house.building.distance(street.path.line) < street.row_width / 2 + margin:
            return False
        if street.bulb and house.building.distance(end) < street.bulb + 4.0:
            return False
    return True


def _gap(house: House) -> float:
    return SCHOOL_GAP if house.house_id == SCHOOL else GAP


def mark_corners(houses: list[House], streets: dict[str, Street]) -> list[House]:
    """Houses near two streets say which one serves them."""
    marked = []
    for house in houses:
        near = [s for s in streets.values() if s.path.line.distance(house.building) < 32.0]
        marked.append(replace(house, corner=house.corner or len(near) > 1))
    return marked


def property_layer(houses: list[House], relief: Relief) -> gpd.GeoDataFrame:
    """The properties as a file has them, lowest floors from the ground they stand on."""
    rows = []
    for house in houses:
        middle = house.building.representative_point()
        ground = float(relief.level(np.array([middle.x]), np.array([middle.y]))[0])
        rows.append({
            "property_id": house.house_id,
            "people": house.people,
            "flow_l_per_s": house.flow,
            "floor_elev_m": None if house.below is None else round(ground - house.below, 2),
            "street": house.street if house.corner else None,
            "geometry": middle if house.as_point else house.building,
        })  # fmt: skip
    return gpd.GeoDataFrame(pd.DataFrame(rows), geometry="geometry")
