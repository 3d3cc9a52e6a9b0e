"""What is held against the rules: the route, all that followed from it, and the room it has."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from planner.model import Figures, Floats, Site
from planner.records import Ints, Route


@dataclass(frozen=True, eq=False)
class Room:
    """Where legs and pits may be."""

    right_of_way: BaseGeometry
    footprints: list[BaseGeometry]  # (pits,) to the outside of the shoring, of tie-ins too
    flow: Floats  # (pits, 2) unit vector of the street's flow, 0 where it is not known
    street: Ints  # (pits,) row of `Site.streets`, -1 where it is not known
    in_force: Callable[[str], bool]  # whether a ban until a date still holds


@dataclass(frozen=True, eq=False)
class Works:
    """A route with the frames that follow from it, in the local frame.

    ``stated`` holds the columns that a drawn design gives, by layer; empty for a plan.
    """

    site: Site
    route: Route
    frames: Mapping[str, gpd.GeoDataFrame]
    room: Room
    stated: Mapping[str, pd.DataFrame] = field(default_factory=dict)

    @property
    def rules(self) -> Figures:
        """Rules of the project."""
        return self.site.book.rules

    @cached_property
    def lines(self) -> np.ndarray:
        """Axes of the legs in plan, upper end first, (legs,)."""
        xy, route = self.route.pit_xy, self.route
        ends = np.stack([xy[route.leg_up], xy[route.leg_down]], axis=1).reshape(-1, 2, 2)
        return np.asarray(shapely.linestrings(ends), object)

    @cached_property
    def has_manhole(self) -> list[bool]:
        """Whether a manhole stays at each pit; at a tie-in it does."""
        built = self.frames["pits"]["manhole"].to_numpy(bool)
        return [bool(own) for own in built | (self.route.pit_tie_in >= 0)]

    def inlets(self, pit: int) -> list[int]:
        """Legs that arrive at a pit."""
        return [int(leg) for leg in np.flatnonzero(self.route.leg_down == pit)]

    def outlets(self, pit: int) -> list[int]:
        """Legs that leave a pit."""
        return [int(leg) for leg in np.flatnonzero(self.route.leg_up == pit)]

    def direction(self, leg: int) -> float:
        """Direction of the flow of a leg, anticlockwise from east. [deg]"""
        way = (
            self.route.pit_xy[self.route.leg_down[leg]] - self.route.pit_xy[self.route.leg_up[leg]]
        )
        return float(np.degrees(np.arctan2(way[1], way[0])))
