"""Coordinate reference systems: what a project's must be, and the ways between two of them."""

from __future__ import annotations

import math
import warnings
from functools import lru_cache
from typing import Any

import numpy as np
import shapely
from pyproj import CRS, Proj, Transformer
from pyproj.exceptions import CRSError, ProjError
from pyproj.transformer import TransformerGroup

from planner.errors import InputError
from planner.inputs.ledger import Ledger
from planner.inputs.vector import Bools, Layer
from planner.inputs.words import shown
from planner.model import EARTH_RADIUS, FOOT, US_SURVEY_FOOT, Floats, Frame

MOST_STRETCH = 0.001  # scale may be off by 1 in 1,000 at the site
LOCAL_GRID = 1e-4  # [m] local coordinates are rounded to this
ORIGIN_SHIFT = 0.3137  # [m] keeps whole and half metres away from where the origin's rounding flips
EXACT, NEAR_ENOUGH = 1.0, 5.0  # [m] accuracy that is not worth a word, and not worth a doubt
AXES = {"east", "north"}


def read_project_crs(text: str, file: str) -> CRS:
    """The project's CRS, which must be projected, in a length unit, east and north.

    Raises
    ------
    InputError
        It is unknown, geographic, or its axes are not east and north.
    """
    place = {"file": file, "column": "crs"}
    try:
        crs = CRS.from_user_input(text).to_2d()
    except CRSError:
        raise InputError(
            f"the project's CRS {shown(text)} is not known",
            'State an EPSG code, for example "EPSG:26915"',
            **place,
        ) from None
    if crs.is_geographic or not crs.is_projected:
        kind = "geographic (degrees)" if crs.is_geographic else "not projected"
        raise InputError(
            f"the project's CRS {shown(text)} is {kind}",
            "State a projected one in metres or feet, such as the site's UTM or State Plane zone",
            **place,
        )
    axes = {axis.direction for axis in crs.axis_info[:2]}
    if axes != AXES:
        raise InputError(
            f"the axes of the project's CRS {shown(text)} point {' and '.join(sorted(axes))}",
            "State one whose axes point east and north",
            **place,
        )
    return crs


def axis_unit(crs: CRS) -> float:
    """Metres per unit of a projected CRS."""
    return float(crs.axis_info[0].unit_conversion_factor)


def shown_foot(crs: CRS, ground_unit: str) -> float:
    """The foot that people are shown: the survey foot where the CRS or the ground is in it. [m]"""
    in_survey_feet = math.isclose(axis_unit(crs), US_SURVEY_FOOT, rel_tol=1e-9)
    return US_SURVEY_FOOT if in_survey_feet or ground_unit == "us-ft" else FOOT


def point_scale(crs: CRS, x: float, y: float) -> float:
    """Mean of the meridional and the parallel scale of a CRS at a point of it; NaN where none."""
    projection = Proj(crs)
    try:
        factors = projection.get_factors(*projection(x, y, inverse=True))
    except ProjError:
        return math.nan
    return float((factors.meridional_scale + factors.parallel_scale) / 2)


def require_true_scale(crs: CRS, text: str, x: float, y: float, file: str) -> float:
    """Point scale at the site, refused when it is off by more than 1 in 1,000.

    Raises
    ------
    InputError
        The CRS stretches lengths at the site, as web mercator does.
    """
    scale = point_scale(crs, x, y)
    if abs(scale - 1) <= MOST_STRETCH:
        return scale
    stretch = (scale - 1) * 100
    found = (
        f"the project's CRS {shown(text)} stretches lengths at the site by {stretch:+.2f} %"
        if math.isfinite(scale) and scale < 1e6
        else f"the site lies outside the reach of the project's CRS {shown(text)}"
    )
    raise InputError(
        found,
        "State a CRS made for the site, such as its UTM or State Plane zone (web mercator is none)",
        file=file,
        column="crs",
    )


@lru_cache(maxsize=64)
def transformer(here: CRS, there: CRS) -> Transformer | None:
    """The way from one CRS to another in the plane, x first; `None` where they are the same."""
    here, there = here.to_2d(), there.to_2d()
    if here.equals(there, ignore_axis_order=True):
        return None
    return Transformer.from_crs(here, there, always_xy=True)


@lru_cache(maxsize=64)
def transform_note(here: CRS, there: CRS) -> tuple[str, str]:
    """What is to be said of the way from one CRS to another: a kind of entry, and words."""
    if transformer(here, there) is None:
        return "", ""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # that a grid is missing is said below
        group = TransformerGroup(here.to_2d(), there.to_2d(), always_xy=True)
    if not group.transformers:
        return "", ""
    best = group.transformers[0]
    if "Ballpark" in best.description:
        return "doubt", (
            f"no shift is known between the datums of {here.name} and {there.name} (a grid may be"
            " missing): places may be wrong by 100 m or more"
        )
    if best.accuracy > EXACT:
        kind = "doubt" if best.accuracy > NEAR_ENOUGH else "assumed"
        return kind, f"carried from {here.name} to {there.name}, true to {best.accuracy:g} m"
    return "", ""


def to_project(layer: Layer, crs: CRS, ledger: Ledger) -> Layer:
    """A layer in the project's CRS; rows that cannot be placed lose their geometry."""
    try:
        kind, words = transform_note(layer.crs, crs)
        if kind:
            ledger.note(layer.source, kind, (), words)
        way = transformer(layer.crs, crs)
    except ProjError as error:
        layer.refuse(
            f"its CRS {layer.crs_name} cannot be transformed to the project's ({error})",
            "Export the layer in the project's CRS",
        )
    if way is None:
        return layer
    geometry = layer.geometry.copy()
    height = shapely.has_z(geometry)
    for include_z, which in ((False, ~height), (True, height)):
        if which.any():
            geometry[which] = shapely.transform(
                geometry[which], lambda xy: _move(xy, way), include_z=include_z
            )
    return layer.with_geometry(geometry)


def _move(xy: Floats, way: Transformer) -> Floats:
    moved = xy.copy()
    moved[:, 0], moved[:, 1] = way.transform(xy[:, 0], xy[:, 1], errcheck=False)
    return moved


def make_frame(crs: CRS, scale: float, height: float, bounds: Floats) -> Frame:
    """The local frame of a site.

    Parameters
    ----------
    crs, scale
        The project's CRS, and its point scale at the site's centre.
    height
        Mean ground at the streets' vertices. [m]
    bounds : (4,)
        Bounding box of the streets: least x, y, largest x, y. [units of the CRS]
    """
    unit = axis_unit(crs)
    centre = (bounds[:2] + bounds[2:]) / 2
    origin = np.floor(centre * unit + ORIGIN_SHIFT) / unit
    k = scale * EARTH_RADIUS / (EARTH_RADIUS + height)
    return Frame(crs=crs, unit=unit, x0=float(origin[0]), y0=float(origin[1]), k=float(k))


def to_local(layer: Layer, frame: Frame) -> Layer:
    """A layer in the local frame, rounded to a tenth of a millimetre."""

    def move(xy: Floats) -> Floats:
        moved = xy.copy()
        x, y = frame.to_local(xy[:, 0], xy[:, 1])
        moved[:, 0], moved[:, 1] = np.round(x / LOCAL_GRID), np.round(y / LOCAL_GRID)
        moved[:, :2] /= round(1 / LOCAL_GRID)
        return moved

    geometry: Any = layer.geometry.copy()
    height = shapely.has_z(geometry)
    for include_z, which in ((False, ~height), (True, height)):
        if which.any():
            geometry[which] = shapely.transform(geometry[which], move, include_z=include_z)
    return layer.with_geometry(geometry)


def is_placed(layer: Layer) -> Bools:
    """Which features have a geometry, with finite coordinates only."""
    xy, owner = shapely.get_coordinates(layer.geometry, return_index=True)
    placed: Bools = ~(shapely.is_missing(layer.geometry) | shapely.is_empty(layer.geometry))
    placed[owner[~np.isfinite(xy).all(axis=1)]] = False
    return placed
