"""What a route is chosen from, and the arrays that are made of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from planner.kernels.midway import Rows
from planner.kernels.optimum import Instance
from planner.model import Floats, Site
from planner.records import (
    Bools,
    Candidates,
    ChainPipe,
    ChainSlopes,
    Corridor,
    Ints,
    Layout,
    Obstructions,
    Piping,
    Prices,
)
from planner.steps.routing.memo import Memo

SHORTER = 0.85  # chords cut corners: at least this share of the centreline is bored
GUARD = 1e-9
ROUNDS = 0.5  # [levels] by which the pit between two drives can lie off their line


class Outlets(NamedTuple):
    """What is known of the manholes at the tie-ins, each (tie-ins,); nan where it is not."""

    bearing: Floats  # of the pipe that leaves, clockwise from north [deg]
    diameter: Floats  # of that pipe, inside [mm]
    may_launch: Bools


def outlets_of(site: Site) -> Outlets:
    """What is known of the manholes at a site's tie-ins."""
    table = site.tie_ins
    return Outlets(
        table["outlet_bearing_deg"].to_numpy(float), table["outlet_diameter_mm"].to_numpy(float),
        table["may_launch"].to_numpy(bool),
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class Given:
    """What the route is chosen from."""

    site: Site
    layout: Layout
    corridor: Corridor
    candidates: Candidates
    obstructions: Obstructions
    piping: Piping
    slopes: tuple[ChainSlopes, ...]  # by chain
    prices: Prices
    tie_in_level: Ints  # (tie-ins,) [levels]
    outlets: Outlets
    fixed_pits: tuple[int, ...] = ()  # candidates that the sewer must stand on
    memo: Memo = field(default_factory=Memo)  # what other choices of streets computed

    def pipes_of(self, chain: int) -> list[ChainPipe]:
        """Sizes that a chain may be laid in, the smallest first."""
        return [self.piping.pipes[number] for number in self.piping.of_chain[chain]]

    def least_slope(self, chain: int) -> float:
        """Least slope of any size that a chain may be laid in. [m/m]"""
        return min(pipe.min_slope for pipe in self.pipes_of(chain))

    @property
    def lowest_root(self) -> float:
        """Level of the lowest tie-in. [m]"""
        roots = list(self.layout.roots.values())
        lowest = self.tie_in_level[roots].min() if roots else 0
        return float(lowest) * self.site.project.level_step


class Doubles(NamedTuple):
    """What is known of doubles beside what is known of every leg, each (doubles,)."""

    parts: Ints  # (doubles, 2) upper and lower leg
    between: Ints  # what the pit between is built for
    rounding: Floats  # (doubles, 4) by drive: what a level at the pit between is worth
    pair: Ints  # number of the two legs: several doubles are made of the same
    lowest: Floats  # least invert at the pit between, infinitely low for none [m]
    looser: Ints  # set of rows, if the pit between may lie off the line by what it rounds


@dataclass(frozen=True, eq=False)
class Bound:
    """Legs of one chain or of all, and everything that binds them.

    Legs of one drive come first, sorted by lower pit, upper pit and size; doubles stand behind.
    Before their rows are known all have one set that binds nothing.

    ``strict`` says whether a leg keeps so far from the strings that meet it at a junction that no
    leg of theirs can come too near; the others may only be looked at for a bound.

    A double leg is two legs of the same set in line, which meet at a pit without a manhole. Its
    price is that of a pit between just on the line; what is built there is the level of the grid
    that is nearest, and its rows are tighter by so much.
    """

    up: Ints
    down: Ints
    length: Floats
    ways: Bools  # (legs, 2) may be driven upgrade, downgrade
    strict: Bools
    chain: Ints
    pipe: Ints
    falls: Ints  # (legs, 4) least and greatest fall, and what bounds them [levels]
    row_of: Ints  # (legs,) which set of rows each has; several may share one
    rows: Rows  # [levels]
    price: Floats  # (legs, 4) by drive, connections included; infinite where it may not be so
    price_depth: Floats  # (legs, 4, 2) by drive: per level of depth at the upper, the lower end
    doubles: Doubles

    @property
    def singles(self) -> int:
        """Number of legs of one drive."""
        return len(self.up) - len(self.doubles.between)

    @property
    def first_down(self) -> Ints:
        """Pit that each leg runs to from its upper one, (legs,)."""
        return np.concatenate([self.down[: self.singles], self.up[self.doubles.parts[:, 1]]])

    @property
    def last_up(self) -> Ints:
        """Pit that each leg comes from to its lower one, (legs,)."""
        return np.concatenate([self.up[: self.singles], self.up[self.doubles.parts[:, 1]]])


@dataclass(frozen=True, eq=False)
class Problem:
    """The programme's instance, one that no plan can be cheaper than, and the legs of both.

    They differ in what the programme does not know when it looks at a leg: by how much exactly the
    sewer turns at its ends, how near the strings of a junction come to each other, and how much
    infiltration joins. Their legs are those of the bound sorted by lower pit, and each that may lie
    flatter than its margin is there twice: steeper, and flatter.
    """

    strict: Instance
    optimistic: Instance
    bound: Bound
    leg: Ints  # (legs of the instances,) number in the bound
    looked_at: tuple[int, int]  # how many of one drive, and in all, the legs were chosen from
