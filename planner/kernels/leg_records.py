"""Legs, and what binds them, as arrays."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class GroundCells(NamedTuple):
    """A `Ground` as its arrays."""

    values: Floats
    x0: float
    y0: float
    step: float
    col: Floats
    row: Floats


class Bore(NamedTuple):
    """Measures of the pipe in its bore. [m]"""

    inside: float
    outside: float
    bore: float
    cover: float  # required, ground to the top of bore or pipe
    frost: float  # required, ground to the top of the pipe
    deepest: float  # greatest depth from the ground to the invert, infinite where none is set
    steepest: float  # greatest slope that a leg can have [m/m]


class Runs(NamedTuple):
    """Straight runs of services in plan, each with the profile of its axis; by service."""

    ends: Floats  # (runs, 4) [m]
    service: Ints  # (runs,)
    profile_start: Ints  # (runs + 1,)
    profile_at: Floats  # (points,) along the run [m]
    profile_z: Floats  # (points,) elevation of the axis [m]
    half_width: Floats  # (runs,) half width of a box, radius of a pipe [m]
    half_height: Floats  # (runs,) half height of a box, radius of a pipe [m]
    is_box: NDArray[np.bool_]  # (runs,)
    required: Floats  # (runs, 2) edge to edge where it is crossed, and where it runs beside [m]
    is_water: NDArray[np.bool_]  # (runs,)
    own: Ints  # (runs,) tie-in whose own pipe the run belongs to, -1 for none
    frame: Floats  # grid over the runs
    start: Ints
    items: Ints


class Zones(NamedTuple):
    """Polygons that ask for more cover; rings end to end."""

    ring_start: Ints  # (zones + 1,)
    xy: Floats  # (vertices, 2) [m]
    cover: Floats  # (zones,) to the bore [m], 0 where the zone asks for none
    frost: Floats  # (zones,) to the pipe [m]


class Houses(NamedTuple):
    """Properties along a chain, as what their connections ask of a leg."""

    xy: Floats  # (properties, 2) [m]
    station: Floats  # (properties,) along the chain [m]
    invert: Floats  # (properties,) at the property, on the grid of levels [m]
    slope: float  # [m/m] least slope of a connection
    longest: float  # [m]
    fixed: float  # price of one
    per_length: float  # price of a metre


class Water(NamedTuple):
    """Separation from water mains. [m]"""

    horizontal: float
    vertical: float


class LegEnds(NamedTuple):
    """Legs of one chain by their ends, and the houses each of them serves."""

    ends: Floats  # (legs, 4) upstream first [m]
    length: Floats  # (legs,) [m]
    serves_from: Floats  # (legs,) lowest station served [m]
    serves_to: Floats  # (legs,) first station not served any more [m]
    tie_in: Ints  # (legs,) tie-in that the leg ends at, whose own pipes it may meet, -1 for none
