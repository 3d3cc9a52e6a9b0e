"""Buried services: sizes to the outside, one level each, none lost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely

from planner.inputs.datum import Usual, judge_datum
from planner.inputs.fields import Columns, fill_defaults, read_columns
from planner.inputs.ledger import Ledger
from planner.inputs.levels import (
    SAME_LEVEL,
    Vertices,
    believed,
    believed_z,
    inside_of,
    require_agreement,
    require_one_story,
    stated_tops,
    vertices_of,
    wall_thickness,
    with_heights,
)
from planner.inputs.project_file import UtilitiesTable
from planner.inputs.units import VERTICAL_UNITS
from planner.inputs.vector import Bools, Layer, Objects
from planner.inputs.words import listed
from planner.model import Figures, Floats, Ground

INSIDE_KINDS = ("sewer", "storm")  # their diameter is stated inside
ABOVE, DEEPEST_LAYER, TYPICAL = 0.5, 15.0, 1.5  # [m] what is usual of tops below the ground
Z_AXIS = 2


@dataclass(frozen=True, eq=False)
class Sizes:
    """Outside sizes of services, and the wall under their inside bottom. [m]"""

    shape: Objects  # (n,) round or box
    outside: Floats  # (n,) outside diameter, NaN of a box
    width: Floats  # (n,)
    height: Floats  # (n,)
    wall: Floats  # (n,)
    assumed: Bools  # (n,)

    @property
    def tall(self) -> Floats:
        """Outside height, of a pipe its diameter."""
        return np.where(np.isnan(self.outside), self.height, self.outside)


def read_services(
    layer: Layer, ground: Ground, defaults: Figures, ledger: Ledger
) -> tuple[Layer, Columns]:
    """Services of one file in the local frame, with the columns of a `Site`.

    Raises
    ------
    InputError
        Two levels of one service disagree, or the layer's elevations are of another datum.
    """
    columns = _with_kind(layer, read_columns(layer, ledger))
    layer, columns = _drop_doubles(layer, columns, ledger)
    columns = fill_defaults(layer, columns, ledger)
    sizes = _outside_sizes(layer, columns, defaults, ledger)
    geometry, depth, assumed = _find_levels(layer, columns, sizes, (ground, defaults), ledger)
    ready: Columns = {
        "utility_id": columns["utility_id"],
        "kind": columns["kind"],
        "owner": columns["owner"],
        "material": columns["material"],
        "shape": sizes.shape,
        "outside_diameter_m": sizes.outside,
        "width_m": sizes.width,
        "height_m": sizes.height,
        "depth_m": depth,
        "level_assumed": assumed,
        "diameter_assumed": sizes.assumed,
        "quality": columns["quality"],
        "status": columns["status"],
    }
    return layer.with_geometry(geometry), ready


def _with_kind(layer: Layer, columns: Columns) -> Columns:
    table = layer.table
    if not isinstance(table, UtilitiesTable) or table.kind is None:
        return columns
    return columns | {"kind": np.full(len(layer), table.kind, object)}


def _drop_doubles(layer: Layer, columns: Columns, ledger: Ledger) -> tuple[Layer, Columns]:
    """Leave out what is drawn twice: the same line either way round, and the same in all else."""
    box = np.column_stack([shapely.bounds(layer.geometry), shapely.length(layer.geometry)])
    suspects = np.flatnonzero(pd.DataFrame(np.round(box, 3)).duplicated(keep=False))
    if len(suspects) == 0:
        return layer, columns
    shapes = shapely.to_wkb(shapely.normalize(layer.geometry[suspects]))
    seen: set[tuple[object, ...]] = set()
    double = np.zeros(len(layer), bool)
    for i, shape in zip(suspects.tolist(), shapes, strict=True):
        key = (shape, *(str(values[i]) for values in columns.values()))
        double[i] = key in seen
        seen.add(key)
    whole = np.setdiff1d(layer.row[double], layer.row[~double])
    if len(whole):
        ledger.note(layer.source, "ignored", whole, "the same service again, equal in everything")
    return layer.at(~double), {name: values[~double] for name, values in columns.items()}


def _outside_sizes(layer: Layer, columns: Columns, defaults: Figures, ledger: Ledger) -> Sizes:
    width, height = columns["width_m"], columns["height_m"]
    box = ~np.isnan(width) | ~np.isnan(height)
    one = np.isnan(width) ^ np.isnan(height)
    if one.any():
        what = "only one of width_m and height_m is stated: the other is taken to be the same"
        ledger.note(layer.source, "assumed", layer.row[one], what)
    given = columns["diameter_m"]
    inside = np.isin(columns["kind"], INSIDE_KINDS)
    absent = np.isnan(given) & ~box
    _note_by_kind(layer, columns["kind"], absent, (defaults, "default_diameter_m"), ledger)
    usual = _by_kind(columns["kind"], defaults, "default_diameter_m")
    thin = wall_thickness(np.where(absent, inside_of(usual), given))
    wall = np.where(np.isnan(columns["wall_m"]), np.where(inside & ~box, thin, 0.0),
                    columns["wall_m"])  # fmt: skip
    outside = np.where(absent, usual, np.where(inside, given + 2 * wall, given))
    by_rule = inside & ~box & ~absent & np.isnan(columns["wall_m"])
    if by_rule.any():
        what = "diameter_m is the inside: a wall of D/12 + 25 mm is added (8 mm below 300 mm)"
        ledger.note(layer.source, "assumed", layer.row[by_rule], what, "wall_m")
    return Sizes(
        shape=np.where(box, "box", "round").astype(object),
        outside=np.where(box, np.nan, outside),
        width=np.where(np.isnan(width), height, width),
        height=np.where(np.isnan(height), width, height),
        wall=wall,
        assumed=absent,
    )


def _find_levels(
    layer: Layer,
    columns: Columns,
    sizes: Sizes,
    about: tuple[Ground, Figures],
    ledger: Ledger,
) -> tuple[Objects, Floats, Bools]:
    """Geometry with Z where a service has elevations, its depth where it has not, and assumed."""
    ground, defaults = about
    at = vertices_of(layer, ground)
    surface = at.median(at.ground, len(layer))
    stated = stated_tops(columns, sizes.tall, sizes.wall)
    drawn = at.median(at.z, len(layer))
    _judge_elevations(layer, (*stated.values(), drawn), surface, ledger)
    tops = {name: believed(layer, top, surface - top, name, ledger) for name, top in stated.items()}
    top = require_agreement(layer, tops, ledger)
    z, has_z = believed_z(layer, at, ledger)
    if has_z.any():
        _note_z_unit(layer, has_z, ledger)
    _require_z_agrees(layer, top, (at, z, has_z))
    raised = has_z | ~np.isnan(top)
    z = np.where(has_z[at.owner], z, top[at.owner])
    to_top = at.median(at.ground - z, len(layer))
    depth = columns["depth_m"]
    middle = np.where(raised, surface - to_top, np.nan)
    require_one_story(layer, middle, depth, to_top, ledger)
    assumed = ~raised & np.isnan(depth)
    _note_by_kind(layer, columns["kind"], assumed, (defaults, "default_depth_m"), ledger)
    usual = _by_kind(columns["kind"], defaults, "default_depth_m")
    depth = np.where(raised, np.nan, np.where(assumed, usual, depth))
    return with_heights(layer.geometry, at, z, raised), depth, assumed


def _judge_elevations(
    layer: Layer, tops: Sequence[Floats], surface: Floats, ledger: Ledger
) -> None:
    usual = Usual("services", ABOVE, DEEPEST_LAYER, TYPICAL)
    for top in tops:
        judge_datum(layer, top, surface, usual, ledger)


def _require_z_agrees(layer: Layer, top: Floats, drawn: tuple[Vertices, Floats, Bools]) -> None:
    """A stated elevation lies within the Z of its line, where it has both."""
    at, z, has_z = drawn
    both = has_z & ~np.isnan(top)
    if not both.any():
        return
    low, high = np.full(len(layer), np.inf), np.full(len(layer), -np.inf)
    known = ~np.isnan(z)
    np.minimum.at(low, at.owner[known], z[known])
    np.maximum.at(high, at.owner[known], z[known])
    apart = both & ((top < low - SAME_LEVEL) | (top > high + SAME_LEVEL))
    if apart.any():
        i = int(np.flatnonzero(apart)[0])
        layer.refuse(
            f"two elevations of one service disagree: a column puts its top at {top[i]:.3f} m, Z"
            f" at {low[i]:.3f} to {high[i]:.3f} m",
            "Correct the row, or set `use_z = false` in its [[utilities]] table",
            row=int(layer.row[i]), column="Z",
        )  # fmt: skip


def _note_z_unit(layer: Layer, has_z: Bools, ledger: Ledger) -> None:
    """Say what unit Z is read in, where the CRS leaves room for another."""
    axes = layer.crs.axis_info
    own = axes[Z_AXIS].unit_conversion_factor if len(axes) > Z_AXIS else None
    stated = layer.table.vertical_unit
    read_as = VERTICAL_UNITS[stated or "m"]
    if own is not None and abs(own - read_as) > 1e-3:
        layer.refuse(
            f'the file\'s CRS has heights in "{axes[Z_AXIS].unit_name}", Z is to be read in'
            f' "{stated or "m"}"',
            "State `vertical_unit` in its [[utilities]] table, or correct the file",
            column="Z",
        )
    if own is None and stated is None and axes[0].unit_name not in ("metre", "degree"):
        what = "Z is read in metres, though the CRS is in feet: state `vertical_unit` if it is not"
        ledger.note(layer.source, "doubt", layer.row[has_z], what, "Z")


def _by_kind(kinds: Objects, defaults: Figures, name: str) -> Floats:
    table = defaults.table(name)
    usual = {kind: defaults.entry(name, kind) for kind in set(kinds.tolist()) if kind in table}
    return np.array([usual[kind] for kind in kinds.tolist()], np.float64)


def _note_by_kind(
    layer: Layer, kinds: Objects, absent: Bools, about: tuple[Figures, str], ledger: Ledger
) -> None:
    """Report which default by kind stands for an absent depth or diameter."""
    if not absent.any():
        return
    defaults, name = about
    used = (f"{k} {defaults.entry(name, k):g} m" for k in sorted(set(kinds[absent].tolist())))
    depth = name == "default_depth_m"
    what = (
        f"no level is stated: the usual depth of its kind is assumed ({listed(used)})"
        if depth
        else f"no diameter is stated: the usual outside of its kind is assumed ({listed(used)})"
    )
    column = "depth_m" if depth else "diameter_m"
    ledger.note(layer.source, "assumed", layer.row[absent], what, column)
