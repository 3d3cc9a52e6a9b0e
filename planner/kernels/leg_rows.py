"""What a leg may do at given levels of its ends: upper rows, bands and falls."""

from __future__ import annotations

from planner.kernels.compiled import helper
from planner.kernels.programme import GUARD, Legs

FAR = 1e12  # [levels] beyond any level


@helper
def leg_allows(legs: Legs, leg: int, z: int, a: int) -> bool:
    """Whether a leg may run from level z at its upper pit to level a at its lower one.

    Parameters
    ----------
    legs
        The legs.
    leg
        Which one.
    z, a
        Levels of its ends.
    """
    if not legs.least_fall[leg] <= z - a <= legs.most_fall[leg]:
        return False
    rows = legs.rows[leg]
    for k in range(legs.row_start[rows], legs.row_start[rows + 1]):
        if (1.0 - legs.row_t[k]) * z + legs.row_t[k] * a > legs.row_h[k] + GUARD:
            return False
    for band in range(legs.band_start[rows], legs.band_start[rows + 1]):
        below, above = True, True
        for k in range(legs.band_low[band], legs.band_high[band]):
            t = legs.band_t[k]
            below = below and (1.0 - t) * z + t * a <= legs.band_h[k] + GUARD
        for k in range(legs.band_high[band], legs.band_low[band + 1]):
            t = legs.band_t[k]
            above = above and (1.0 - t) * z + t * a >= legs.band_h[k] - GUARD
        if not (below or above):
            return False
    return True
