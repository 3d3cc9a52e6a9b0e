"""What is bored and dug: legs, pits and house connections, as solids."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.model import Floats, Site
from planner.records import Bools, Ints
from planner.steps.clearances.services import Texts

MANHOLE_MARGIN = 0.3  # [m] a pipe that ends this near to a manhole's inside is the manhole's own
OWN_PIPE_REACH = 2.0  # [m] from a manhole: further away its own pipes are obstacles like others
LEG, PIT, CONNECTION = "leg", "pit", "connection"
SAME = 1e-9  # [m] a clearance that lacks less than this keeps what is required


@dataclass(frozen=True, eq=False)
class Legs:
    """Bores between pits, each from the centre of its downstream pit to that of its upstream one.

    ``tie_in`` is the row of ``site.tie_ins`` that a leg drains into, -1 for none.
    """

    leg_id: Texts  # (legs,)
    down: Floats  # (legs, 3) axis of the bore [m]
    up: Floats  # (legs, 3) [m]
    bore_diameter: Floats  # (legs,) [m]
    outside_diameter: Floats  # (legs,) of the pipe, which rests on the floor of the bore [m]
    pressure_rated: Bools  # (legs,)
    tie_in: Ints  # (legs,)


@dataclass(frozen=True, eq=False)
class Pits:
    """Excavations with their shoring, from the floor up. ``tie_in`` as in `Legs`."""

    pit_id: Texts  # (pits,)
    footprint: Texts  # (pits,) polygons to the outside of the shoring
    floor: Floats  # (pits,) [m]
    tie_in: Ints  # (pits,)


@dataclass(frozen=True, eq=False)
class Connections:
    """House connections as straight round pipes, from the sewer to the property."""

    connection_id: Texts  # (connections,)
    sewer: Floats  # (connections, 3) axis [m]
    property: Floats  # (connections, 3) [m]
    outside_diameter: Floats  # (connections,) [m]
    pressure_rated: Bools  # (connections,)


@dataclass(frozen=True, eq=False)
class Bores:
    """Legs or connections as round bores; ``offset`` is the station of the first end."""

    subject: Texts
    axis: Floats  # (bores, 7) ends and radius [m]
    pipe: Floats  # (bores, 7) ends of the pipe's axis and its outside radius [m]
    pressure_rated: Bools
    tie_in: Ints
    offset: Floats  # [m]
    shortened: Bools  # a second, shorter look at a leg, for the pipes of its manhole only
    rule: str

    @property
    def element(self) -> str:
        """What of the works they are."""
        return LEG if self.rule == "clearance_m" else CONNECTION


def leg_bores(legs: Legs, site: Site) -> Bores:
    """Legs, and behind them those that end at a tie-in once more, without their last metres."""
    axis = np.column_stack((legs.down, legs.up, legs.bore_diameter / 2)).astype(float)
    sunk = (legs.bore_diameter - legs.outside_diameter) / 2
    pipe = axis - np.column_stack([sunk * k for k in (0, 0, 1, 0, 0, 1, 0)])
    pipe[:, 6] = legs.outside_diameter / 2
    whole = Bores(
        legs.leg_id, axis, pipe, legs.pressure_rated, legs.tie_in,
        np.zeros(len(axis)), np.zeros(len(axis), bool), "clearance_m",
    )  # fmt: skip
    manhole = site.tie_ins["manhole_diameter_m"].to_numpy(float)
    cut = np.where(legs.tie_in >= 0, np.append(manhole, 0.0)[legs.tie_in], 0.0) / 2
    cut += MANHOLE_MARGIN + OWN_PIPE_REACH
    length = np.hypot(*(legs.up - legs.down)[:, :2].T)
    again = np.flatnonzero((legs.tie_in >= 0) & (length > cut))
    part = (cut / np.maximum(length, SAME))[again, None]
    shorter = axis[again]
    shorter[:, :3] += part * (shorter[:, 3:6] - shorter[:, :3])
    return Bores(
        np.append(whole.subject, legs.leg_id[again]),
        np.vstack((axis, shorter)),
        np.vstack((pipe, pipe[again])),
        np.append(whole.pressure_rated, legs.pressure_rated[again]),
        np.append(whole.tie_in, legs.tie_in[again]),
        np.append(whole.offset, cut[again]),
        np.append(whole.shortened, np.ones(len(again), bool)),
        whole.rule,
    )


def connection_bores(connections: Connections) -> Bores:
    """Connections, from the sewer."""
    ends = (connections.sewer, connections.property, connections.outside_diameter / 2)
    axis = np.column_stack(ends).astype(float)
    count = len(axis)
    return Bores(
        connections.connection_id, axis, axis, connections.pressure_rated,
        np.full(count, -1), np.zeros(count), np.zeros(count, bool), "connection_clearance_m",
    )  # fmt: skip
