"""Finds the level of each buried service: one of five ways to state it becomes one of two."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from planner.inputs.fields import Columns
from planner.inputs.ledger import Ledger
from planner.inputs.units import VERTICAL_UNITS
from planner.inputs.vector import Bools, Ints, Layer, Objects
from planner.inputs.words import rows_listed
from planner.kernels.ground import sample_ground
from planner.model import Floats, Ground

DEEPEST = 15.0  # [m] ground to top; a level further down is not believed
HIGHEST = 0.10  # [m] above the ground; a level further up is not believed
SAME_LEVEL = 0.05  # [m] two elevations of one service agree to this
SAME_DEPTH = 0.50  # [m] an elevation and a depth of one service agree to this
ABSENT_Z = (0.0, -9999.0, 9999.0, -999.0, -99999.0, 99999.0)
THIN_WALL, WALL_STEP = 0.008, 0.300  # [m] wall of small pipes, and the diameter it holds below
WALL_SHARE, WALL_EXTRA = 1 / 12, 0.025  # wall of concrete pipe B: D/12 + 25 mm


@dataclass(frozen=True, eq=False)
class Vertices:
    """All vertices of a layer in one row, and the ground under them."""

    x: Floats  # (vertices,) [m, local]
    y: Floats  # (vertices,) [m, local]
    z: Floats  # (vertices,) [m] NaN where there is none
    owner: Ints  # (vertices,) place of the feature in the layer
    ground: Floats  # (vertices,) [m] NaN where there is none

    def median(self, values: Floats, features: int) -> Floats:
        """Median of a value over the vertices of each feature; NaN where it has none."""
        if np.isnan(values).all():
            return np.full(features, np.nan)
        order = np.lexsort((values, self.owner))
        kept = order[~np.isnan(values[order])]
        count = np.bincount(self.owner[kept], minlength=features)
        start = np.concatenate([[0], np.cumsum(count)[:-1]])
        low, high = start + (count - 1) // 2, start + count // 2
        out = np.full(features, np.nan)
        some = count > 0
        out[some] = (values[kept[low[some]]] + values[kept[high[some]]]) / 2
        return out


def vertices_of(layer: Layer, ground: Ground) -> Vertices:
    """Vertices of a layer in the local frame, with the ground under each."""
    xyz, owner = shapely.get_coordinates(layer.geometry, include_z=True, return_index=True)
    x, y = np.ascontiguousarray(xyz[:, 0]), np.ascontiguousarray(xyz[:, 1])
    return Vertices(x, y, _heights(layer, xyz[:, 2]), owner, ground_at(ground, x, y))


def ground_at(ground: Ground, x: Floats, y: Floats) -> Floats:
    """Ground at points of the local frame. [m]"""
    return sample_ground(
        ground.values, ground.mesh_x0, ground.mesh_y0, ground.mesh_step,
        ground.mesh_col, ground.mesh_row, x, y,
    )  # fmt: skip


def _heights(layer: Layer, z: Floats) -> Floats:
    """Z in metres, NaN where it stands for nothing."""
    if not layer.table.use_z:
        return np.full(len(z), np.nan)
    z = np.where(np.isin(z, ABSENT_Z) | ~np.isfinite(z) | (np.abs(z) > 1e30), np.nan, z)
    unit = layer.table.vertical_unit
    return z * VERTICAL_UNITS[unit] if unit else z


def wall_thickness(inside: Floats) -> Floats:
    """Wall of a sewer or storm pipe of which only the inside diameter is known.

    Parameters
    ----------
    inside : (n,)
        Inside diameter. [m]

    Returns
    -------
    (n,)
        Wall: D/12 + 25 mm from 300 mm up, as of concrete pipe, 8 mm below. [m]

    Examples
    --------
    >>> wall_thickness(np.array([0.6, 0.2])).tolist()
    [0.075, 0.008]
    """
    return np.where(inside >= WALL_STEP, inside * WALL_SHARE + WALL_EXTRA, THIN_WALL)


def inside_of(outside: Floats) -> Floats:
    """Inside diameter that goes with an outside diameter by `wall_thickness`. [m]

    Examples
    --------
    >>> inside_of(np.array([0.75, 0.216])).round(6).tolist()
    [0.6, 0.2]
    """
    thick = (outside - 2 * WALL_EXTRA) / (1 + 2 * WALL_SHARE)
    return np.where(thick >= WALL_STEP, thick, outside - 2 * THIN_WALL)


def stated_tops(columns: Columns, height: Floats, wall: Floats) -> dict[str, Floats]:
    """Elevation of the outside top by each column that states one; NaN where it does not. [m]

    Parameters
    ----------
    columns
        Canonical columns of the services.
    height : (n,)
        Outside height, which of a pipe is its outside diameter. [m]
    wall : (n,)
        Thickness between the inside bottom and the outside bottom. [m]
    """
    return {
        "top_elev_m": columns["top_elev_m"],
        "centre_elev_m": columns["centre_elev_m"] + height / 2,
        "invert_elev_m": columns["invert_elev_m"] - wall + height,
    }


def require_agreement(layer: Layer, tops: dict[str, Floats], ledger: Ledger) -> Floats:
    """The one elevation of each service; NaN where it has none. [m]

    Raises
    ------
    InputError
        Two elevations of one service disagree.
    """
    every = np.stack(list(tops.values()))
    stated = ~np.isnan(every)
    low = np.min(np.where(stated, every, np.inf), axis=0)
    high = np.max(np.where(stated, every, -np.inf), axis=0)
    several = stated.sum(axis=0) > 1
    apart = several & (high - low > SAME_LEVEL)
    if apart.any():
        i = int(np.flatnonzero(apart)[0])
        names = [name for name, one in zip(tops, stated[:, i], strict=True) if one]
        values = ", ".join(f"{name} puts its top at {tops[name][i]:.3f} m" for name in names)
        layer.refuse(
            f"two elevations of one service disagree: {values}"
            + (f" ({rows_listed(layer.row[apart].tolist())})" if apart.sum() > 1 else ""),
            "Correct the row, or leave a column out by mapping it to false in [utilities.fields]",
            row=int(layer.row[i]), column=names[0],
        )  # fmt: skip
    if several.any():
        what = "the level is stated more than once, and agrees: the first is taken"
        ledger.note(layer.source, "assumed", layer.row[several], what)
    first = np.argmax(stated, axis=0)
    return np.where(stated.any(axis=0), every[first, np.arange(every.shape[1])], np.nan)


def believed(
    layer: Layer, tops: Floats, depth_to_top: Floats, column: str, ledger: Ledger
) -> Floats:
    """Elevations less those that are not believed, which are listed.

    Parameters
    ----------
    tops, depth_to_top : (n,)
        Elevation of the outside top, and the ground above it less that. [m]
    """
    above, deep = depth_to_top < -HIGHEST, depth_to_top > DEEPEST
    for odd, words in ((above, "above the ground"), (deep, "below the ground")):
        which = odd & ~np.isnan(tops)
        if which.any():
            worst = float(np.nanmax(np.abs(depth_to_top[which])))
            what = f"the top lies up to {worst:.2f} m {words}: treated as absent"
            ledger.note(layer.source, "doubt", layer.row[which], what, column)
    return np.where(above | deep, np.nan, tops)


def believed_z(layer: Layer, at: Vertices, ledger: Ledger) -> tuple[Floats, Bools]:
    """Z of each vertex, gaps filled along its line, and which features have Z.

    A vertex whose Z is not believed has none; between vertices that have one it is interpolated
    along the line, beyond them the nearest is held.
    """
    down = at.ground - at.z
    odd = (down < -HIGHEST) | (down > DEEPEST)
    if odd.any():
        rows = layer.row[np.unique(at.owner[odd])]
        worst = float(np.nanmax(np.abs(down[odd])))
        what = (
            f"Z lies up to {worst:.2f} m off the ground (more than {HIGHEST:g} m above or"
            f" {DEEPEST:g} m below): treated as absent"
        )
        ledger.note(layer.source, "doubt", rows, what, "Z")
    z = np.where(odd, np.nan, at.z)
    count = np.bincount(at.owner, minlength=len(layer))
    known = np.bincount(at.owner, weights=~np.isnan(z), minlength=len(layer))
    partly = (known > 0) & (known < count)
    if partly.any():
        what = "Z is missing at some vertices: taken from those beside them, along the line"
        ledger.note(layer.source, "repaired", layer.row[partly], what, "Z")
        z = _interpolate(z, at, np.flatnonzero(partly))
    return z, known > 0


def _interpolate(z: Floats, at: Vertices, features: Ints) -> Floats:
    filled = z.copy()
    start = np.searchsorted(at.owner, features, "left")
    stop = np.searchsorted(at.owner, features, "right")
    for first, last in zip(start, stop, strict=True):
        part = slice(first, last)
        steps = np.hypot(np.diff(at.x[part]), np.diff(at.y[part]))
        along = np.concatenate([[0.0], np.cumsum(steps)])
        known = ~np.isnan(z[part])
        filled[part] = np.interp(along, along[known], z[part][known])
    return filled


def with_heights(geometry: Objects, at: Vertices, z: Floats, which: Bools) -> Objects:
    """Geometry with Z where a mask says so, flat elsewhere."""
    high = shapely.has_z(geometry)
    out = geometry.copy()
    if high.any():
        out[high] = shapely.force_2d(geometry[high])
    if not which.any():
        return out
    mine = which[at.owner]
    raised = shapely.force_3d(out[which])
    xyz = np.column_stack([at.x[mine], at.y[mine], z[mine]])
    out[which] = shapely.set_coordinates(raised, xyz)
    return out


def require_one_story(
    layer: Layer, tops: Floats, depths: Floats, to_top: Floats, ledger: Ledger
) -> None:
    """A depth and an elevation of one service agree.

    Parameters
    ----------
    tops, depths : (n,)
        Elevation of the outside top, and the stated depth to it. [m]
    to_top : (n,)
        Depth to the top by the elevation and the ground. [m]

    Raises
    ------
    InputError
        They disagree by more than half a metre.
    """
    both = ~np.isnan(tops) & ~np.isnan(depths)
    apart = both & (np.abs(to_top - depths) > SAME_DEPTH)
    if apart.any():
        i = int(np.flatnonzero(apart)[0])
        layer.refuse(
            f"the level is stated twice and disagrees: depth_m is {depths[i]:.2f} m, the elevation"
            f" puts the top {to_top[i]:.2f} m below the ground"
            + (f" ({rows_listed(layer.row[apart].tolist())})" if apart.sum() > 1 else ""),
            "Correct the row, or leave a column out by mapping it to false in [utilities.fields]"
            " (of Z: `use_z = false`)",
            row=int(layer.row[i]), column="depth_m",
        )  # fmt: skip
    if both.any():
        what = "depth and elevation are both stated, and agree: the elevation is taken"
        ledger.note(layer.source, "assumed", layer.row[both], what)
