"""Why a connection cannot be built, with the figure that decides and the remedy."""

from __future__ import annotations

import numpy as np

from planner.model import Site
from planner.steps.connections.joints import IN_KEEP_OUT, length_barred
from planner.steps.connections.pipes import choose_pipes
from planner.steps.connections.ways import GRID, Texts, Ways

LITRES = 1000.0  # per cubic metre
SAME = 1e-9  # [m] a length that is longer by less than this is not longer


def find_refusals(site: Site, ways: Ways) -> Texts:
    """Why each way cannot be built, "" where it can."""
    longest = site.book.rules.number("connection_max_length_m")
    barred = length_barred(site, ways.joint, ways.start)
    lacking = (ways.lowest + ways.fall - ways.highest) * site.project.level_step
    why = np.full(len(ways.row), "", object)
    for i, length in enumerate(ways.length):
        if length > longest + SAME:
            why[i] = (
                f"too far: {length:.1f} m to the sewer, a connection may have {longest:g} m; "
                f"a sewer {length - longest:.1f} m nearer"
            )
        elif np.isnan(ways.ground[i, 0]) or np.isnan(ways.highest[i]):
            place = "at the sewer" if np.isnan(ways.ground[i, 0]) else "of the floor"
            why[i] = f"ground: no elevation {place}; the connection would be {length:.1f} m long"
        elif barred[i] > IN_KEEP_OUT:
            why[i] = (
                f"blocked: {barred[i]:.1f} m of the way to the sewer lie in a keep-out; "
                "let connections pass it"
            )
        elif ways.peak[i] > ways.carries[i]:
            why[i] = _too_much(ways.nominal[i], ways.peak[i], ways.carries[i])
        elif lacking[i] > GRID:
            why[i] = f"floor too low: the sewer would have to be {lacking[i]:.2f} m deeper"
    return why


def find_too_large(site: Site) -> dict[int, str]:
    """Why no connection carries a property's peak, by the property's row, wherever the sewer is."""
    pipes = choose_pipes(site, np.arange(len(site.properties)))
    return {
        i: _too_much(pipes.nominal[i], pipes.peak[i], pipes.carries[i])
        for i in np.flatnonzero(pipes.peak > pipes.carries).tolist()
    }


def _too_much(nominal: float, peak: float, carries: float) -> str:
    return (
        f"capacity: a peak of {LITRES * peak:.1f} L/s, the largest connection, {nominal:.0f} mm, "
        f"carries {LITRES * carries:.1f} L/s; divide {LITRES * (peak - carries):.1f} L/s among "
        "more connections"
    )


def name_pump(site: Site, why_not: Texts) -> Texts:
    """Reasons of floors that are too low with the other remedy, a pump, and its price."""
    costs = site.book.costs
    pump = f"or a pump ({costs.number('house_pump'):.0f} {costs.text('currency')})"
    return np.array([
        f"{text.removesuffix('or a pump').rstrip(' ,')}, {pump}"
        if text.startswith("floor too low") else text
        for text in why_not
    ], object)  # fmt: skip
