"""Cleans the geometry of a layer: the wrong form refused, several parts taken apart, repairs."""

from __future__ import annotations

import numpy as np
import shapely

from planner.inputs.columns import GEOMETRY
from planner.inputs.crs import LOCAL_GRID, is_placed
from planner.inputs.ledger import Ledger
from planner.inputs.vector import Bools, Layer, Objects

POINT, LINE, POLYGON = "point", "line", "polygon"
FORMS = np.array([POINT, LINE, LINE, POLYGON, POINT, LINE, POLYGON, "other"], object)
"""What each of shapely's type numbers is a form of."""
FIRST_MULTIPLE = 4  # shapely's type numbers from here on are of several parts
ONE_PLACE = ("properties", "tie_ins", "boreholes", "control")  # a row is one thing in one place
ELSEWHERE = 5000.0  # [m] a layer that is nowhere nearer to the streets lies elsewhere on earth


def keep_placed(layer: Layer, ledger: Ledger) -> Layer:
    """The features that have a place; the others are refused, row by row.

    Raises
    ------
    InputError
        No row of a layer that has rows can be placed.
    """
    placed = is_placed(layer)
    if placed.all():
        return layer
    drawn = ~(shapely.is_missing(layer.geometry) | shapely.is_empty(layer.geometry))
    if drawn.any() and not placed.any():
        layer.refuse(
            f"its coordinates lie outside the reach of its CRS ({layer.crs_name}) or the project's",
            "Correct the CRS of the layer",
        )
    what = "no geometry that can be placed: the row is not used"
    ledger.note(layer.source, "refused", layer.row[~placed], what)
    return layer.at(placed)


def require_near(layer: Layer, bounds: tuple[float, float, float, float]) -> None:
    """Refuse a layer of which nothing is near the streets.

    Parameters
    ----------
    layer
        In the local frame.
    bounds
        Bounding box of the streets. [m, local]
    """
    if len(layer) == 0:
        return
    distance = shapely.distance(layer.geometry, shapely.box(*bounds))
    nearest = float(np.nanmin(distance))
    if nearest > ELSEWHERE:
        layer.refuse(
            f"the layer lies elsewhere: its nearest row is {nearest / 1000:,.1f} km from the "
            f"streets (its CRS is {layer.crs_name})",
            "Correct the CRS of the layer, or give the file of this site",
            row=int(layer.row[int(np.nanargmin(distance))]),
        )


def take_apart(layer: Layer, ledger: Ledger) -> Layer:
    """One part a feature, of a form that the layer takes, and of some size.

    Parts of a row share its attributes and its number. Lines without length and polygons without
    area are ignored, and said.
    """
    parts, which = _parts(layer)
    several = np.bincount(which, minlength=len(layer)) > 1
    apart = layer.at(which).with_geometry(parts)
    apart = _of_form(apart, ledger)
    apart = _of_some_size(_made_valid(apart, ledger), ledger)
    if several.any():
        one = layer.source.layer in ONE_PLACE
        what = f"several parts: {'the largest' if one else 'each'} is used"
        ledger.note(layer.source, "repaired", layer.row[several], what)
        apart = _largest_parts(apart) if one else apart
    if GEOMETRY[layer.source.layer] == (LINE,) or POLYGON in GEOMETRY[layer.source.layer]:
        apart = _flat(apart, ledger)
    return apart


def _parts(layer: Layer) -> tuple[Objects, np.ndarray]:
    """Single parts and the place of the feature that each comes from; nested ones too."""
    geometry, which = layer.geometry, np.arange(len(layer))
    while (shapely.get_type_id(geometry) >= FIRST_MULTIPLE).any():
        geometry, inner = shapely.get_parts(geometry, return_index=True)
        which = which[inner]
    return geometry, which


def _largest_parts(layer: Layer) -> Layer:
    """One feature a row: its largest part, the first of equals."""
    order = np.lexsort((np.arange(len(layer)), -shapely.area(layer.geometry), layer.row))
    first = np.unique(layer.row[order], return_index=True)[1]
    return layer.at(np.sort(order[first]))


def _of_form(layer: Layer, ledger: Ledger) -> Layer:
    wanted = GEOMETRY[layer.source.layer]
    types = shapely.get_type_id(layer.geometry)
    fits = np.isin(FORMS, wanted)[types]
    if fits.all():
        return layer
    wrong = np.setdiff1d(layer.row[~fits], layer.row[fits])
    forms = sorted(set(FORMS[types[~fits]]))
    words = f"a {' and a '.join(forms)} where the layer takes {'s or '.join(wanted)}s"
    if not fits.any():
        layer.refuse(f"every row is {words}", "Give the layer in that form", row=int(layer.row[0]))
    if len(wrong):
        ledger.note(layer.source, "refused", wrong, f"{words}: the row is not used")
    partly = np.intersect1d(layer.row[~fits], layer.row[fits])
    if len(partly):
        ledger.note(layer.source, "repaired", partly, f"{words}: that part is not used")
    return layer.at(fits)


def _of_some_size(layer: Layer, ledger: Ledger) -> Layer:
    types = shapely.get_type_id(layer.geometry)
    nothing = (FORMS == LINE)[types] & (shapely.length(layer.geometry) < LOCAL_GRID)
    nothing |= (FORMS == POLYGON)[types] & (shapely.area(layer.geometry) < LOCAL_GRID)
    if not nothing.any():
        return layer
    whole = np.setdiff1d(layer.row[nothing], layer.row[~nothing])
    partly = np.intersect1d(layer.row[nothing], layer.row[~nothing])
    if len(whole):
        ledger.note(layer.source, "ignored", whole, "no length or area: nothing is there")
    if len(partly):
        ledger.note(layer.source, "repaired", partly, "a part without length or area is left out")
    return layer.at(~nothing)


def _flat(layer: Layer, ledger: Ledger) -> Layer:
    high = shapely.has_z(layer.geometry)
    if not high.any():
        return layer
    ledger.note(layer.source, "repaired", layer.row[high], "Z is not used here: left out")
    return layer.with_geometry(shapely.force_2d(layer.geometry))


def _made_valid(layer: Layer, ledger: Ledger) -> Layer:
    """Polygons that cross or touch themselves, made valid; what is left of them are polygons."""
    is_polygon = shapely.get_type_id(layer.geometry) == 3
    broken: Bools = is_polygon & ~shapely.is_valid(layer.geometry)
    if not broken.any():
        return layer
    geometry = layer.geometry.copy()
    geometry[broken] = shapely.make_valid(geometry[broken], method="structure", keep_collapsed=True)
    what = "a polygon that crosses or touches itself is made valid"
    ledger.note(layer.source, "repaired", layer.row[broken], what)
    parts, which = _parts(layer.with_geometry(geometry))
    made = layer.at(which).with_geometry(parts)
    collapsed = broken[which] & (shapely.get_type_id(parts) != 3)
    lost = np.setdiff1d(made.row[collapsed], made.row[~collapsed])
    if len(lost):
        what = "nothing is left of the polygon when it is made valid"
        ledger.note(layer.source, "ignored", lost, what)
    return made.at(~collapsed)
