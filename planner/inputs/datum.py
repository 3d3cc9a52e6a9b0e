"""Notices a layer whose elevations sit at a constant offset from the ground: a datum jump."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from planner.inputs.ledger import Ledger
from planner.inputs.vector import Layer
from planner.model import FOOT, Floats

FEWEST = 5  # points that a pattern needs
NORMAL = 1.4826  # spread = this times the median distance from the median
STEADY = 2.0  # [m] spread below which an impossible offset is one offset
STEADIER = 0.5  # [m] spread below which an improbable offset is doubted
IMPROBABLE = 3.0  # [m] from what is usual
TELLING_GROUND = 30.0  # [m] nearer to sea level a ratio says nothing
UNIT_MATCH = 0.03  # share by which the ratio to the ground may miss the feet in a metre


class Usual(NamedTuple):
    """What is usual of a layer's elevations, told from the ground down. [m]"""

    subject: str
    highest: float
    deepest: float
    typical: float


class Jump(NamedTuple):
    """The evidence: how many points, how far below the ground in the middle, how spread out."""

    points: int
    median: float
    spread: float

    def words(self) -> str:
        """The evidence in words."""
        side = "below" if self.median >= 0 else "above"
        return (
            f"{self.points} points, median {abs(self.median):.2f} m {side} the ground, "
            f"spread {self.spread:.2f} m"
        )


def measure(below: Floats) -> Jump:
    """Median and spread of how far points lie below the ground; NaN is left out.

    Examples
    --------
    >>> measure(np.array([1.0, 1.0, 2.0, 3.0, np.nan])).median
    1.5
    """
    known = below[~np.isnan(below)]
    if len(known) == 0:
        return Jump(0, math.nan, math.nan)
    median = float(np.median(known))
    return Jump(len(known), median, NORMAL * float(np.median(np.abs(known - median))))


def judge_datum(
    layer: Layer, elevations: Floats, ground: Floats, usual: Usual, ledger: Ledger
) -> None:
    """Refuse a layer at an impossible offset from the ground, doubt one at an improbable one.

    Rule: with at least five points, elevations in feet where metres are stated (or the reverse)
    are refused; so is a median above the highest or below the deepest that is usual with a spread
    under 2 m. A median more than 3 m from the typical with a spread under 0.5 m is doubted.

    Raises
    ------
    InputError
        The elevations are of another unit or datum.
    """
    jump = measure(ground - elevations)
    if jump.points < FEWEST:
        return
    _require_unit(layer, elevations, ground, usual.subject)
    impossible = jump.median < -usual.highest or jump.median > usual.deepest
    if impossible and jump.spread < STEADY:
        layer.refuse(
            f"the elevations of its {usual.subject} sit at a constant offset from the ground "
            f"({jump.words()}): they are of another vertical datum or unit",
            "Convert them (or the ground) to the project's vertical datum, or state their unit",
            row=int(layer.row[int(np.flatnonzero(~np.isnan(ground - elevations))[0])]),
        )
    if abs(jump.median - usual.typical) > IMPROBABLE and jump.spread < STEADIER:
        what = (
            f"the elevations of its {usual.subject} sit at a nearly constant offset from the ground"
            f" ({jump.words()}; {usual.typical:g} m below is typical): another vertical datum?"
        )
        ledger.note(layer.source, "doubt", layer.row, what)


def _require_unit(layer: Layer, elevations: Floats, ground: Floats, subject: str) -> None:
    both = ~np.isnan(elevations) & ~np.isnan(ground)
    high = both & (np.abs(ground) > TELLING_GROUND)
    if high.sum() < FEWEST:
        return
    ratio = float(np.median(elevations[high] / ground[high]))
    for factor, unit, stated in ((1 / FOOT, "feet", "metres"), (FOOT, "metres", "feet")):
        if abs(ratio / factor - 1) < UNIT_MATCH:
            layer.refuse(
                f"the elevations of its {subject} are {ratio:.2f} times the ground ({high.sum()} "
                f"points): they look like {unit} read as {stated}",
                "State their unit in [fields], of Z with `vertical_unit`",
                row=int(layer.row[int(np.flatnonzero(high)[0])]),
            )
