"""Lines of buried services cut into straight solid pieces: arrays in, arrays out."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

SHORT = 1e-9  # [m] a piece shorter than this in plan has no direction
LEAST_MITRE = 1e-6  # [m]


class Pieces(NamedTuple):
    """Straight pieces: ends of the axis, which vertices they join, and where a line ends."""

    start: Floats  # (pieces, 3) [m]
    end: Floats  # (pieces, 3) [m]
    first: Ints  # (pieces,) vertex at the start
    open_start: Flags  # (pieces,) no piece before
    open_end: Flags  # (pieces,) no piece after


def cut_into_pieces(points: Floats, part: Ints) -> Pieces:
    """Pieces between the vertices of lines; a line of one vertex is one piece without length.

    Parameters
    ----------
    points : (vertices, 3)
        Vertices of all lines, one line after another. [m]
    part : (vertices,)
        The line of each vertex.
    """
    same = part[1:] == part[:-1]
    first = np.concatenate((np.ones(min(len(part), 1), bool), ~same))
    last = np.concatenate((~same, np.ones(min(len(part), 1), bool)))
    begin = np.flatnonzero(~last | first)
    finish = np.where(last[begin], begin, begin + 1)
    return Pieces(points[begin], points[finish], begin, first[begin], last[finish])


def hold_over_gaps(points: Floats, part: Ints) -> Floats:
    """Levels of the vertices, those not known taken from the known ones of the same line.

    In between they are straight along the line, beyond the last known one they are held. A line
    of which no level is known stays NaN.

    Parameters
    ----------
    points : (vertices, 3)
        Vertices of all lines, one line after another; the level NaN where it is not known. [m]
    part : (vertices,)
        The line of each vertex, in rising order.
    """
    lacking = np.isnan(points[:, 2])
    level = points[:, 2].copy()
    step = np.hypot(*np.diff(points[:, :2], axis=0, prepend=points[:1, :2]).T)
    along = np.cumsum(step)
    for number in np.unique(part[lacking]):
        inside = slice(*np.searchsorted(part, (number, number + 1)))
        known = ~lacking[inside]
        if known.any():
            level[inside] = np.interp(along[inside], along[inside][known], level[inside][known])
    return level


def upright_boxes(pieces: Pieces, half_width: Floats, boxed: Flags) -> tuple[Pieces, Floats]:
    """Boxes without length in plan (chambers, risers) made as long as wide, along east.

    Parameters
    ----------
    pieces
        The pieces.
    half_width : (pieces,)
        [m]
    boxed : (pieces,)
        Which pieces are boxes.

    Returns
    -------
    The pieces, and what a riser's own height adds to its half height. [m]
    """
    way = pieces.end - pieces.start
    upright = boxed & (np.hypot(way[:, 0], way[:, 1]) < SHORT)
    taller = np.where(upright, np.abs(way[:, 2]) / 2, 0.0)
    start, end = pieces.start.copy(), pieces.end.copy()
    start[upright, 2] = end[upright, 2] = (start[upright, 2] + end[upright, 2]) / 2
    start[upright, 0] -= half_width[upright]
    end[upright, 0] += half_width[upright]
    whole = Pieces(start, end, pieces.first, pieces.open_start | upright, pieces.open_end | upright)
    return whole, taller


def mitre(pieces: Pieces, half_width: Floats, boxed: Flags) -> Pieces:
    """Boxes that meet at a bend lengthened until their outer corners close.

    Beyond a turn of 90 degrees they are lengthened by their half width.

    Parameters
    ----------
    pieces
        The pieces, those of a line one after another.
    half_width : (pieces,)
        [m]
    boxed : (pieces,)
        Which pieces are boxes.
    """
    way = pieces.end - pieces.start
    length = np.hypot(way[:, 0], way[:, 1])
    joined = ~pieces.open_end[:-1] & ~pieces.open_start[1:] & boxed[:-1] & boxed[1:]
    joint = np.flatnonzero(joined & (length[:-1] > SHORT) & (length[1:] > SHORT))
    cosine = np.sum(way[joint, :2] * way[joint + 1, :2], axis=1)
    cosine = np.clip(cosine / (length[joint] * length[joint + 1]), -1.0, 1.0)
    more = half_width[joint] * np.minimum(np.tan(np.arccos(cosine) / 2), 1.0)
    joint, more = joint[more > LEAST_MITRE], more[more > LEAST_MITRE][:, None]
    start, end = pieces.start.copy(), pieces.end.copy()
    end[joint] += way[joint] / length[joint, None] * more
    start[joint + 1] -= way[joint + 1] / length[joint + 1, None] * more
    return pieces._replace(start=start, end=end)
