"""Streets: their columns, and the repairs that make them meet where they meet."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely

from planner.inputs.fields import Columns, fill_defaults, read_columns
from planner.inputs.joins import REACH, crossings_without_vertex, join_ends, split_at_own_vertices
from planner.inputs.ledger import Ledger
from planner.inputs.other_layers import end_no_cut
from planner.inputs.vector import Bools, Ints, Layer
from planner.inputs.words import listed
from planner.model import Floats

VERGE = 6.0  # [m] right of way beyond the lanes where its width is not stated
SAME_LINE = 1.0  # [m] two streets nowhere further apart are one, drawn twice
PARALLEL = 8.0  # [m] two one-way streets of a name nowhere further apart are doubted
SPIKE = 1e-3  # [m] vertices nearer than this along a line are one


def read_streets(layer: Layer, date: str, ledger: Ledger) -> tuple[Layer, Columns]:
    """Streets whose joining ends share exactly equal vertices, with the columns of a `Site`.

    Parameters
    ----------
    layer
        Lines in the local frame.
    date
        The project's date as ISO text, "" where it has none.
    ledger
        Takes what was assumed, repaired and doubted.
    """
    columns = read_columns(layer, ledger)
    layer = _without_doubled_vertices(layer, ledger)
    layer, columns = _merge_doubles(layer, columns, ledger)
    columns = _fill(layer, columns, ledger)
    columns = end_no_cut(layer, columns, date, ledger)
    layer, columns = _join(layer, columns, ledger)
    layer, columns = _open_rings(layer, columns, ledger)
    _note_crossings(layer, columns, ledger)
    return layer, columns


def _fill(layer: Layer, columns: Columns, ledger: Ledger) -> Columns:
    filled = fill_defaults(layer, columns, ledger)
    lanes_wide = filled["lanes"] * filled["lane_width_m"]
    width = filled["row_width_m"]
    absent = np.isnan(width)
    if absent.any():
        what = f"row_width_m is absent: lanes x lane width + {VERGE:g} m is taken"
        ledger.note(layer.source, "assumed", layer.row[absent], what, "row_width_m")
    narrow = width < lanes_wide
    if narrow.any():
        what = "row_width_m is less than the lanes are wide: one of them is wrong"
        ledger.note(layer.source, "doubt", layer.row[narrow], what, "row_width_m")
    return filled | {"row_width_m": np.where(absent, lanes_wide + VERGE, width)}


def _without_doubled_vertices(layer: Layer, ledger: Ledger) -> Layer:
    xy, owner = shapely.get_coordinates(layer.geometry, return_index=True)
    near = (np.hypot(*np.diff(xy, axis=0).T) < SPIKE) & (np.diff(owner) == 0)
    if not near.any():
        return layer
    keep = np.append(True, ~near)
    which = np.unique(owner[1:][near])
    geometry = layer.geometry.copy()
    for i in which.tolist():
        mine = xy[(owner == i) & keep]
        geometry[i] = shapely.LineString(mine) if len(mine) > 1 else geometry[i]
    ledger.note(layer.source, "repaired", layer.row[which], "a vertex drawn twice is left out")
    return layer.with_geometry(geometry)


def _merge_doubles(layer: Layer, columns: Columns, ledger: Ledger) -> tuple[Layer, Columns]:
    """One street where it was drawn twice; two one-way halves become one street with both lanes."""
    first, second, gap = _alongside(layer)
    same = gap <= SAME_LINE
    _doubt_parallel(layer, columns, (first[~same], second[~same]), ledger)
    dropped = np.zeros(len(layer), bool)
    merged = {name: values.copy() for name, values in columns.items()}
    for pair in zip(first[same].tolist(), second[same].tolist(), strict=True):
        a, b = sorted(pair, key=lambda i: shapely.normalize(layer.geometry[i]).wkb)
        if dropped[a] or dropped[b]:
            continue
        dropped[b] = True
        one_way = _is_true(columns["one_way"][a]) and _is_true(columns["one_way"][b])
        if one_way and _opposed(layer, a, b):
            merged["one_way"][a] = False
            merged["lanes"][a] = _lanes(columns, a) + _lanes(columns, b)
        _fill_from(merged, a, b)
        what = f"the street is drawn twice (row {layer.row[b]} again): used once"
        ledger.note(layer.source, "repaired", [int(layer.row[a])], what)
    whole = np.setdiff1d(layer.row[dropped], layer.row[~dropped])
    if len(whole):
        ledger.note(layer.source, "ignored", whole, "the street is drawn twice: the first is used")
    return layer.at(~dropped), {name: values[~dropped] for name, values in merged.items()}


def _lanes(columns: Columns, i: int) -> float:
    lanes = float(columns["lanes"][i])
    return 1.0 if np.isnan(lanes) else lanes


def _is_true(value: object) -> bool:
    return value is True or value is np.True_


def _fill_from(columns: Columns, a: int, b: int) -> None:
    """What the kept street does not say is taken from its double."""
    for values in columns.values():
        if values.dtype == np.float64:
            values[a] = values[b] if np.isnan(values[a]) else values[a]
        elif values[a] is None or values[a] == "":
            values[a] = values[b]


def _alongside(layer: Layer) -> tuple[Ints, Ints, Floats]:
    """Pairs of streets that run alongside each other in full, and how far apart at most. [m]"""
    lines = layer.geometry
    first, second = shapely.STRtree(lines).query(lines, predicate="dwithin", distance=PARALLEL)
    once = first < second
    first, second = first[once], second[once]
    boxes = np.abs(shapely.bounds(lines[first]) - shapely.bounds(lines[second])).max(axis=1)
    lengths = np.abs(shapely.length(lines[first]) - shapely.length(lines[second]))
    alike = (boxes <= PARALLEL) & (lengths <= 2 * PARALLEL)
    first, second = first[alike], second[alike]
    gap = shapely.hausdorff_distance(lines[first], lines[second])
    shorter = np.minimum(shapely.length(lines[first]), shapely.length(lines[second]))
    near = (gap <= PARALLEL) & (shorter > 2 * gap)
    return first[near], second[near], gap[near]


def _opposed(layer: Layer, a: int, b: int) -> bool:
    one, other = (shapely.get_coordinates(layer.geometry[i])[[0, -1]] for i in (a, b))
    straight = np.hypot(*(one - other).T).sum()
    return bool(np.hypot(*(one - other[::-1]).T).sum() < straight)


def _doubt_parallel(
    layer: Layer, columns: Columns, pairs: tuple[Ints, Ints], ledger: Ledger
) -> None:
    for a, b in zip(*(side.tolist() for side in pairs), strict=True):
        name = columns["street"][a]
        if name and name == columns["street"][b]:
            what = "two streets of one name run side by side within 8 m: both are used"
            ledger.note(layer.source, "doubt", [int(layer.row[a]), int(layer.row[b])], what)


def _join(layer: Layer, columns: Columns, ledger: Ledger) -> tuple[Layer, Columns]:
    joined = join_ends(layer.geometry)
    if len(joined.moved):
        what = (
            f"an end within {REACH:g} m of another street shares no vertex with it: moved onto it"
            f" (by up to {joined.furthest:.3f} m)"
        )
        ledger.note(layer.source, "repaired", layer.row[joined.moved], what)
    if len(joined.split):
        what = "another street ends on this one: a vertex is added there"
        ledger.note(layer.source, "repaired", layer.row[joined.split], what)
    return _without_collapsed(layer.with_geometry(joined.lines), columns, ledger)


def _without_collapsed(layer: Layer, columns: Columns, ledger: Ledger) -> tuple[Layer, Columns]:
    """Leave out streets shorter than the reach, of which both ends moved to one place."""
    gone = shapely.length(layer.geometry) == 0
    if not gone.any():
        return layer, columns
    what = f"shorter than {REACH:g} m, between ends that are taken to meet: left out"
    ledger.note(layer.source, "ignored", layer.row[gone], what)
    return layer.at(~gone), {name: values[~gone] for name, values in columns.items()}


def _open_rings(layer: Layer, columns: Columns, ledger: Ledger) -> tuple[Layer, Columns]:
    """Streets that close or touch themselves, in pieces that do not."""
    xy, owner = shapely.get_coordinates(layer.geometry, return_index=True)
    again = pd.DataFrame({"line": owner, "x": xy[:, 0], "y": xy[:, 1]}).duplicated().to_numpy()
    repeats: Bools = np.bincount(owner[again], minlength=len(layer)) > 0
    if not repeats.any():
        return layer, columns
    pieces, which = [], []
    for i, line in enumerate(layer.geometry):
        own = split_at_own_vertices(line) if repeats[i] else [line]
        pieces += own
        which += [i] * len(own)
    what = "the street closes on itself or passes a place twice: cut there, all of it is used"
    ledger.note(layer.source, "repaired", layer.row[repeats], what)
    geometry = np.empty(len(pieces), object)
    geometry[:] = pieces
    place = np.array(which)
    cut = {name: values[place] for name, values in columns.items()}
    return layer.at(place).with_geometry(geometry), cut


def _note_crossings(layer: Layer, columns: Columns, ledger: Ledger) -> None:
    pairs = crossings_without_vertex(layer.geometry)
    if pairs:
        rows = {int(layer.row[i]) for pair in pairs for i in pair}
        names = (
            " and ".join(columns["street"][i] or f"row {layer.row[i]}" for i in pair)
            for pair in pairs
        )
        what = f"streets cross without a shared vertex, so without a junction: {listed(names, 6)}"
        ledger.note(layer.source, "doubt", rows, what)
    _note_self_crossings(layer, ledger)


def _note_self_crossings(layer: Layer, ledger: Ledger) -> None:
    crossed = ~shapely.is_simple(layer.geometry)
    if crossed.any():
        what = "the street crosses itself without a vertex, so without a junction"
        ledger.note(layer.source, "doubt", layer.row[crossed], what)
