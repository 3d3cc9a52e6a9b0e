"""One frozen record a step: what a step hands to the next ones."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from planner.kernels.pairs import Edges, Sizes
from planner.kernels.rows import GroundCells, Houses, Runs, Water, Zones
from planner.model import Floats

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Link:
    """A piece of street between two nodes, from node `a` at station 0 to node `b`.

    ``rows[i]`` is the row of `Site.streets` that segment ``i`` of ``xy`` comes from, ``flipped``
    whether that street was drawn the other way.
    """

    a: int
    b: int
    xy: Floats  # (vertices, 2) [m]
    rows: Ints  # (segments,)
    flipped: Bools  # (segments,)
    sewer_allowed: bool
    stations: Floats = field(init=False)  # (vertices,) [m]

    def __post_init__(self) -> None:
        steps = np.hypot(*np.diff(self.xy, axis=0).T)
        object.__setattr__(self, "stations", np.concatenate([[0.0], np.cumsum(steps)]))

    @property
    def length(self) -> float:
        """Length along the centreline. [m]"""
        return float(self.stations[-1])

    def reversed(self) -> Link:
        """The same link, walked from `b` to `a`."""
        return Link(
            self.b, self.a, self.xy[::-1].copy(), self.rows[::-1].copy(),
            ~self.flipped[::-1], self.sewer_allowed,
        )  # fmt: skip


@dataclass(frozen=True, eq=False)
class StreetGraph:
    """Nodes and links of the streets, and where tie-ins and properties touch them.

    A property's ``link`` is -1 where no street may serve it; ``why_not`` says why.
    """

    node_xy: Floats  # (nodes, 2) [m]
    links: tuple[Link, ...]
    tie_in_node: Ints  # (tie-ins,) node of each tie-in, -1 where no street is near
    property_link: Ints  # (properties,)
    property_station: Floats  # (properties,) [m] along the link
    property_xy: Floats  # (properties, 2) [m] where its connection starts
    property_why_not: tuple[str, ...]


@dataclass(frozen=True)
class Limits:
    """What the layout needs to know of the rules: depth to invert and least slope."""

    least_depth: float  # [m] ground to invert at the required cover
    min_slope: float  # [m/m]


@dataclass(frozen=True, eq=False)
class Chain:
    """A line of street that one string of legs follows, from its downstream end up.

    ``down`` is the node it ends at, ``up`` the junction it starts from or -1 for a head, whose
    pit stands between ``head_from`` and ``head_to``. Properties are rows of `Site.properties`.
    """

    xy: Floats  # (vertices, 2) [m]
    rows: Ints  # (segments,) rows of Site.streets
    flipped: Bools  # (segments,)
    down: int
    up: int
    properties: Ints  # (properties,)
    property_stations: Floats  # (properties,) [m]
    head_from: float
    head_to: float
    stations: Floats = field(init=False)  # (vertices,) [m]

    def __post_init__(self) -> None:
        steps = np.hypot(*np.diff(self.xy, axis=0).T)
        object.__setattr__(self, "stations", np.concatenate([[0.0], np.cumsum(steps)]))

    @property
    def length(self) -> float:
        """Length along the centreline. [m]"""
        return float(self.stations[-1])


@dataclass(frozen=True, eq=False)
class Layout:
    """Chains in an order where everything upstream comes first, and why some are not served."""

    chains: tuple[Chain, ...]
    roots: dict[int, int]  # node -> row of Site.tie_ins
    node_xy: Floats  # (nodes, 2) [m]
    lowest: Floats  # (nodes,) [m] lowest invert from which the tie-in is reached, inf if none
    why_not: tuple[str, ...]  # (properties,)
    junctions: Floats  # (junctions of streets, 3) x, y, half width of the widest carriageway [m]


class Cause(NamedTuple):
    """Why no pit can stand: what is the matter, and the name of the thing."""

    reason: str
    because_of: str


@dataclass(frozen=True, eq=False)
class Corridor:
    """The right of way and the obstacles in it, ready for the kernels."""

    right_of_way: BaseGeometry
    walls: Edges
    obstacles: Edges
    no_pits: BaseGeometry  # no pit's centre may lie here
    bus_stops: Floats  # (stops, 3) x, y and distance along the street [m]
    cut_streets: frozenset[int]  # rows of Site.streets that may not be cut
    sizes: Sizes
    causes: tuple[Cause, ...]  # in the order in which they are named; first the right of way's edge
    cause_of_obstacle: Ints  # (obstacles,) ascending
    areas: tuple[BaseGeometry, ...]  # of which `no_pits` is the union
    cause_of_area: Ints  # (areas,)


@dataclass(frozen=True, eq=False)
class ChainPits:
    """Candidate pits that legs of one chain may join, ascending by station."""

    pits: Ints  # (n,) numbers of `Candidates`
    kind: Ints  # (n,) as `planner.kernels.pairs` names them
    station: Floats  # (n,) along the chain [m]


@dataclass(frozen=True, eq=False)
class Candidates:
    """Where pits could stand, and the chains whose legs may join them."""

    xy: Floats  # (pits, 2) [m]
    ground: Floats  # (pits,) [m]
    flow: Floats  # (pits, 2) unit vector of the street's flow
    fine: Bools  # (pits,) directions of legs are told apart finely: junctions, corners, tie-ins
    lanes: Floats  # (pits,) lanes closed by a pit
    street: Ints  # (pits,) row of Site.streets, -1 for a tie-in
    tie_in: Ints  # (pits,) row of Site.tie_ins, -1 for a pit
    junction: Bools  # (pits,) the pit of a junction, or a tie-in
    chains: tuple[ChainPits, ...]


@dataclass(frozen=True)
class ChainPipe:
    """A size of pipe in its bore, and its legal slopes whatever the flow."""

    nominal: float  # [mm]
    inside: float  # [m]
    outside: float  # [m]
    bore: float  # [m]
    material: str
    method: str
    min_slope: float  # [m/m] without flow: the least of all flows
    max_slope: float  # [m/m]


@dataclass(frozen=True, eq=False)
class Piping:
    """Sizes of pipe that each chain may be laid in, and what flows through a chain."""

    pipes: tuple[ChainPipe, ...]  # of all chains, by chain, the smallest first
    of_chain: tuple[tuple[int, ...], ...]  # numbers of each chain's pipes
    too_much: tuple[tuple[int, float], ...]  # chains no size carries, and their peak [m3/s]


@dataclass(frozen=True, eq=False)
class ChainSlopes:
    """Legal slopes of a chain's pipes by how much joins above.

    Entry i holds for a leg whose lower pit has ``i`` properties of the chain below it. Where the
    infiltration, which hangs on the lengths bored, is not known yet, ``least`` and ``most`` are
    legal whatever it turns out to be, ``floor`` and ``ceiling`` bound what could be legal.
    """

    stations: Floats  # (properties,) of those that are served, ascending [m]
    least: Floats  # (pipes of the chain, properties + 1) [m/m]
    most: Floats  # likewise
    floor: Floats  # likewise
    ceiling: Floats  # likewise


@dataclass(frozen=True, eq=False)
class Obstructions:
    """Ground, services, zones and houses, as they bind the levels of a leg."""

    ground: GroundCells
    runs: Runs
    zones: Zones
    water: Water
    houses: tuple[Houses, ...]  # by chain


@dataclass(frozen=True, eq=False)
class Prices:
    """Prices of candidate pits and of legs by pipe, in the form the programme needs."""

    pit: Floats  # (pits, 2) by role: fixed sum
    pit_depth: Floats  # (pits, 2) by role: per metre from the ground to the floor
    alike: Ints  # (pits,) one number for all with the same sum and rate
    step_depth: Floats  # (steps,) [m]
    step_price: Floats  # (steps, 2)
    under: Floats  # (2,) floor below the outgoing invert, by role [m]
    face: Floats  # (pits, 2) from the pit's point to its outer face, by role [m]
    leg: Floats  # (pipes,) per metre bored
    leg_depth: Floats  # (pipes,) per metre bored and metre of mean depth
    manhole: Floats  # (2,) by role: what of a pit's fixed sum is its manhole
    manhole_depth: float  # what of its sum per metre is
    downgrade: float  # per metre driven downgrade
    slope_margin: float  # per metre flatter than the least slope and its margin: no money
    drop: float
    drop_depth: float  # per metre


@dataclass(frozen=True)
class ChosenLeg:
    """One leg of the optimum: candidates at its ends, levels, and how it is driven."""

    up: int
    down: int
    up_level: int
    down_level: int
    launched_up: bool  # from its upper pit, downgrade
    chain: int
    pipe: int  # number in `Piping`
    length: float


class Saving(NamedTuple):
    """What relaxing one thing by a little would save, with the same pits and legs."""

    kind: str
    row: int  # in its layer, -1 for a rule
    what: str
    by: float  # [m], of a slope [m/m]
    saves: float
    length: float  # of sewer that it fixes [m]


class Relaxation(NamedTuple):
    """By how much one thing alone must give way for a sewer to be built."""

    kind: str
    row: int  # in its layer, -1 for a rule
    what: str
    by: float | None  # [m], of a slope [m/m]; None where it does not help however much


@dataclass(frozen=True)
class Conflict:
    """Rules and things that cannot hold together, and what relaxing each would take."""

    members: tuple[tuple[str, int], ...]  # kind and row
    names: tuple[str, ...]
    relaxations: tuple[Relaxation, ...]


@dataclass(frozen=True)
class Unserved:
    """What cannot be served, or a stretch that cannot be passed, and why."""

    subject: str
    properties: tuple[str, ...]
    conflict: Conflict


@dataclass(frozen=True, eq=False)
class Solution:
    """What the programme found, and which properties it had to leave out."""

    legs: tuple[ChosenLeg, ...]
    level: dict[int, int]  # candidate pit -> outgoing level
    cost: float
    lower_bound: float
    served: Bools  # (properties,)
    why_not: dict[int, str]  # property -> reason
    counts: dict[str, int]
    conflicts: tuple[Unserved, ...]
    pit_binds: dict[int, str]  # candidate pit -> what fixes it
    leg_binds: tuple[str, ...]
    savings: tuple[Saving, ...]
    without_manhole: frozenset[int] = frozenset()  # candidate pits


@dataclass(frozen=True, eq=False)
class Route:
    """Pits and legs as the programme chose them, named, on the grid of levels.

    Levels are whole steps of `Project.level_step` above the datum. A tie-in is a pit whose
    ``pit_tie_in`` is its row in `Site.tie_ins`.
    """

    pit_id: tuple[str, ...]
    pit_xy: Floats  # (pits, 2) [m]
    pit_ground: Floats  # (pits,) [m]
    pit_level: Floats  # (pits,) outgoing invert, of a tie-in its own [levels]
    pit_tie_in: Ints  # (pits,) -1 for a pit
    leg_id: tuple[str, ...]
    leg_up: Ints  # (legs,) pit
    leg_down: Ints  # (legs,) pit
    leg_up_level: Floats  # (legs,) invert at the upper pit [levels]
    leg_down_level: Floats  # (legs,) invert at the lower pit [levels]
    leg_launch: Ints  # (legs,) pit that the drive starts from
    leg_length: Floats  # (legs,) [m]
    leg_nominal: Floats  # (legs,) nominal size [mm]
    leg_inside: Floats  # (legs,) [m]
    leg_outside: Floats  # (legs,) [m]
    leg_bore: Floats  # (legs,) [m]
    leg_material: tuple[str, ...]
    leg_method: tuple[str, ...]
    run_id: tuple[str, ...]  # (legs,)
    station_down: Floats  # (legs,) [m] along the run
    property_leg: Ints  # (properties,) leg that serves it, -1 where none does
    why_not: tuple[str, ...]  # (properties,) empty where it is served
    property_xy: Floats  # (properties, 2) where its connection starts [m]
    candidate: Ints  # (pits,) number in `Candidates`
    leg_pipe: Ints  # (legs,) number of its pipe among the priced ones
    pit_binds: tuple[str, ...] = ()  # what fixes each pit; empty where it is not known
    leg_binds: tuple[str, ...] = ()
    pit_manhole: tuple[bool, ...] = ()  # whether one stays at each pit; empty where at all

    @property
    def has_manhole(self) -> Bools:
        """Whether a manhole stays at each pit, (pits,); at a tie-in it does."""
        built = np.array(self.pit_manhole or (True,) * len(self.pit_id), bool)
        return built | (self.pit_tie_in >= 0)
