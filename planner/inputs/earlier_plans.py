"""Reads plans back from the folders they were written into, each place in one frame of metres."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS, Transformer
from pyproj.exceptions import ProjError

from planner.errors import InputError
from planner.inputs.crs import axis_unit, transformer
from planner.inputs.earlier_summary import PLAN_AGAIN, read_summary, refuse_plan
from planner.inputs.words import plain, printable, shown
from planner.model import EarlierPlan, Floats

SUMMARY, LAYERS = "plan.json", "plan.gpkg"
ALTERNATIVES = "alternatives"
TEXTS: dict[str, tuple[str, ...]] = {
    "pits": ("pit_id", "kind", "street"),
    "legs": ("leg_id", "up_pit", "down_pit", "street", "method", "launch_pit"),
    "connections": ("connection_id", "property_id", "why_not"),
    "conflicts": ("subject", "utility_id", "rule", "severity"),
}
NUMBERS: dict[str, tuple[str, ...]] = {
    "pits": ("depth_m", "lanes_closed"),
    "legs": ("length_m", "invert_up_m", "invert_down_m", "diameter_mm"),
    "connections": (), "conflicts": (),
}  # fmt: skip
SHAPES = {"pits": "Point", "legs": "LineString"}


def read_plans(folders: Sequence[str | Path]) -> list[EarlierPlan]:
    """Plans of some folders; of a single one its alternatives too.

    Parameters
    ----------
    folders
        Folders that plans were written into.

    Returns
    -------
    The plans. Their summaries name their CRS under ``crs``, and say under ``carried`` whether it is
    another one than the first plan's. Pits and legs of the first lie without
    CRS in a frame of metres on the ground, and so do those of every plan whose CRS rests on the
    same datum; a plan that cannot be carried there keeps its own CRS.

    Raises
    ------
    InputError
        A folder holds no plan, or a file of it cannot be used, or there is only one plan.
    """
    places = [Path(folder) for folder in folders]
    names = _names(places)
    if len(places) == 1:
        others = _alternatives(places[0])
        places += others
        names += [f"alternative {printable(one.name)}" for one in others]
    if len(places) < 2:
        raise InputError(
            "there is one plan, and it has no alternatives beside it",
            "Give the folders of two plans or more",
            file=printable(places[0]) if places else None,
        )
    return _placed([_read(place, name) for place, name in zip(places, names, strict=True)])


def _alternatives(place: Path) -> list[Path]:
    """Folders of the plans in other streets, in the order of their numbers."""
    found = {
        one.parent for name in (SUMMARY, LAYERS) for one in place.glob(f"{ALTERNATIVES}/*/{name}")
    }
    return sorted(found, key=lambda one: (len(one.name), one.name))


def _names(places: Sequence[Path]) -> list[str]:
    """Names that tell the folders apart: as many of their last parts as that takes."""
    parts = [place.resolve().parts[1:] or place.resolve().parts for place in places]
    apart = len(set(parts))
    most = max(map(len, parts), default=1)
    count = next(n for n in range(1, most + 1) if len({one[-n:] for one in parts}) == apart)
    found: list[str] = []
    for k, one in enumerate(parts):
        name, again = printable("/".join(one[-count:])), parts[:k].count(one)
        found.append(f"{name} ({again + 1})" if again else name)
    return found


def _read(place: Path, name: str) -> EarlierPlan:
    summary = read_summary(place / SUMMARY)
    path = place / LAYERS
    if not path.is_file():
        refuse_plan("there is no such file", path)
    layers = {layer: _read_layer(path, layer) for layer in TEXTS}
    if layers["pits"].crs != layers["legs"].crs:
        refuse_plan("pits and legs lie in different coordinate reference systems", path)
    return EarlierPlan(
        name, {**summary, "crs": _crs_name(layers["legs"].crs), "carried": False}, **layers
    )


def _crs_name(crs: CRS) -> str:
    authority = crs.to_authority()
    return printable(f"{crs.name} ({':'.join(authority)})" if authority else crs.name)


def _read_layer(path: Path, layer: str) -> gpd.GeoDataFrame:
    """A layer with the columns that are compared: texts without gaps, numbers, and shapes."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            frame = gpd.read_file(path, layer=layer, engine="pyogrio")
    except Exception as error:  # noqa: BLE001  (a driver may raise anything on a broken file)
        refuse_plan(plain(str(error)), path, layer)
    needed = (*TEXTS[layer], *NUMBERS[layer], *(("served",) if layer == "connections" else ()))
    lacking = [name for name in needed if name not in frame.columns]
    if lacking or not isinstance(frame, gpd.GeoDataFrame):
        raise InputError(
            "this is no layer of a plan", PLAN_AGAIN, file=printable(path), layer=layer,
            column=lacking[0] if lacking else None,
        )  # fmt: skip
    columns: dict[str, Any] = {name: _texts(frame[name]) for name in TEXTS[layer]}
    columns |= {name: _numbers(frame, name, path, layer) for name in NUMBERS[layer]}
    if layer == "connections":
        columns["served"] = np.array(_flags(frame["served"], path), bool)
    shapes = _shapes(frame, path, layer) if layer in SHAPES else frame.geometry.array
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=frame.crs)


def _texts(column: pd.Series) -> pd.Series:
    known = zip(column, column.isna(), strict=True)
    return pd.Series(["" if missing else str(value) for value, missing in known], dtype=object)


def _numbers(frame: gpd.GeoDataFrame, name: str, path: Path, layer: str) -> Floats:
    """A column of numbers; of a pit one may be absent, which is NaN."""
    given = frame[name]
    found: Floats = pd.to_numeric(given, errors="coerce").to_numpy(float, na_value=np.nan)
    absent = given.isna().to_numpy() & (layer == "pits")
    wrong = np.flatnonzero(~np.isfinite(found) & ~absent)
    if len(wrong):
        row = int(wrong[0])
        words = "nothing" if given.isna().iloc[row] else shown(given.iloc[row])
        refuse_plan(f"{words} is no number", path, layer, row=row + 1, column=name)
    return found


def _flags(column: pd.Series, path: Path) -> list[bool]:
    found = []
    for row, value in enumerate(column.astype(object).where(column.notna(), other=None), 1):
        if value not in (0, 1):
            words = "nothing" if value is None else shown(value)
            refuse_plan(
                f"{words} is neither true nor false", path, "connections", row=row,
                column="served",
            )  # fmt: skip
        found.append(bool(value))
    return found


def _shapes(frame: gpd.GeoDataFrame, path: Path, layer: str) -> Any:
    """Points, or lines of two points, in the plane."""
    if frame.crs is None:
        refuse_plan("it states no coordinate reference system", path, layer)
    if not frame.crs.is_projected:
        refuse_plan(
            f"its coordinate reference system {_crs_name(frame.crs)} is not projected", path, layer
        )
    shapes = shapely.force_2d(frame.geometry.to_numpy())
    for row, shape in enumerate(shapes, 1):
        kind = shape.geom_type if shape is not None and not shape.is_empty else "nothing"
        if kind != SHAPES[layer]:
            refuse_plan(f"it holds {kind}, not {SHAPES[layer]}", path, layer, row=row)
        if not np.isfinite(shapely.get_coordinates(shape)).all():
            refuse_plan("it has a coordinate that is no number", path, layer, row=row)
        if kind == "LineString" and (count := len(shape.coords)) != 2:
            refuse_plan(f"a leg is straight, not a line of {count} points", path, layer, row=row)
    return shapes


def _placed(plans: list[EarlierPlan]) -> list[EarlierPlan]:
    """Plans in the frame of the first: metres on the ground from its south-western corner."""
    crs, scale = plans[0].legs.crs, axis_unit(plans[0].legs.crs)
    first = (plans[0].pits, plans[0].legs)
    every = np.concatenate([shapely.get_coordinates(one.geometry.to_numpy()) for one in first])
    origin = np.floor(every.min(axis=0)) if len(every) else np.zeros(2)
    scale /= float(plans[0].summary["grid_to_ground"])
    return [_carried(plan, crs, origin, scale) for plan in plans]


def _carried(plan: EarlierPlan, crs: CRS, origin: Floats, scale: float) -> EarlierPlan:
    """A plan in a frame of metres, or as it is where there is no exact way to it."""
    if not _on_one_datum(plan.legs.crs, crs):
        return plan
    try:
        way = transformer(plan.legs.crs, crs)
        moved = [_moved(one, way, origin, scale) for one in (plan.pits, plan.legs)]
    except ProjError:
        return plan
    summary = {**plan.summary, "carried": way is not None}
    return replace(plan, summary=summary, pits=moved[0], legs=moved[1])


def _moved(
    frame: gpd.GeoDataFrame, way: Transformer | None, origin: Floats, scale: float
) -> gpd.GeoDataFrame:
    def move(xy: Floats) -> Floats:
        there = xy if way is None else way.transform(xy[:, 0], xy[:, 1], errcheck=True)
        return (np.asarray(there).reshape(2, -1).T if way else xy) * scale - origin * scale

    moved = shapely.transform(frame.geometry.to_numpy(), move)
    return frame.set_crs(None, allow_override=True).set_geometry(moved)


def _on_one_datum(one: CRS, other: CRS) -> bool:
    """Whether two CRS rest on the same datum, so that the way between them is exact."""
    if one.equals(other, ignore_axis_order=True):
        return True
    below = [crs.to_2d().geodetic_crs for crs in (one, other)]
    datums = [crs.datum if crs is not None else None for crs in below]
    return None not in datums and datums[0] == datums[1]
