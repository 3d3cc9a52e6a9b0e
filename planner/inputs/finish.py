"""Makes each layer of a `Site`: in the local frame, cleaned, with its columns."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from planner.errors import InputError
from planner.inputs.columns import COLUMNS, IDS
from planner.inputs.crs import to_local
from planner.inputs.fields import Columns
from planner.inputs.ledger import Ledger, Source
from planner.inputs.names import unique_names
from planner.inputs.other_layers import (
    read_boreholes,
    read_control,
    read_features,
    read_keep_outs,
    read_properties,
    read_tie_ins,
    read_zones,
)
from planner.inputs.place import REACH, Box, Place
from planner.inputs.shapes import require_near, take_apart
from planner.inputs.streets import read_streets
from planner.inputs.utilities import read_services
from planner.inputs.vector import Layer
from planner.model import LAYER_COLUMNS, Ground, RuleBook

TIE_IN_REACH = 30.0  # [m] a tie-in belongs to the nearest street within this
NEEDED = ("streets", "properties", "tie_ins")
CLIPPED = ("utilities", "keep_out", "street_features", "zones", "right_of_way")


def finish_layers(
    layers: list[tuple[str, Layer]], place: Place, about: tuple[RuleBook, str], ledger: Ledger
) -> dict[str, gpd.GeoDataFrame]:
    """Every layer of a `Site`, in the local frame."""
    parts: dict[str, list[tuple[Layer, Columns]]] = {name: [] for name in LAYER_COLUMNS}
    for name, layer in layers:
        local = to_local(layer, place.frame)
        if name != "streets":
            require_near(local, place.streets)
        if name in CLIPPED:
            local = _within_reach(local, place.reach, ledger)
        parts[name].append(_finish(take_apart(local, ledger), place.ground, about, ledger))
    for name, column in IDS.items():
        own = [layer for layer, _ in parts[name]]
        names = unique_names(own, [columns[column] for _, columns in parts[name]], column, ledger)
        parts[name] = [
            (layer, columns | {column: new})
            for (layer, columns), new in zip(parts[name], names, strict=True)
        ]
    return {name: _frame_of(name, parts[name]) for name in LAYER_COLUMNS}


def _within_reach(layer: Layer, reach: Box, ledger: Ledger) -> Layer:
    bounds = shapely.bounds(layer.geometry)
    beyond = (bounds[:, 0] > reach[2]) | (bounds[:, 2] < reach[0])
    beyond |= (bounds[:, 1] > reach[3]) | (bounds[:, 3] < reach[1])
    if not beyond.any():
        return layer
    what = f"further than {REACH:g} m from the box of streets, properties and tie-ins"
    ledger.note(layer.source, "ignored", layer.row[beyond], what)
    return layer.at(~beyond)


def _finish(
    layer: Layer, ground: Ground, about: tuple[RuleBook, str], ledger: Ledger
) -> tuple[Layer, Columns]:
    book, date = about
    columns: Columns = {}
    match layer.source.layer:
        case "streets":
            layer, columns = read_streets(layer, date, ledger)
        case "utilities":
            layer, columns = read_services(layer, ground, book.services, ledger)
        case "properties":
            columns = read_properties(layer, ground, ledger)
        case "tie_ins":
            columns = read_tie_ins(layer, ground, ledger)
        case "keep_out":
            layer, columns = read_keep_outs(layer, date, ledger)
        case "street_features":
            columns = read_features(layer, book.services, ledger)
        case "boreholes":
            columns = read_boreholes(layer, ledger)
        case "zones":
            columns = read_zones(layer, date, ledger)
        case "control":
            columns = read_control(layer, ground, ledger)
    _require_rows(layer)
    return layer, columns


def _require_rows(layer: Layer) -> None:
    """Refuse a layer that a plan cannot do without and of which nothing is left."""
    if layer.source.layer in NEEDED and len(layer.row) == 0:
        raise InputError(
            "no row of the layer can be used",
            "Give at least one row with a geometry that has a length or an area where it needs one",
            file=layer.source.file,
            layer=layer.source.layer,
        )


def _frame_of(name: str, parts: list[tuple[Layer, Columns]]) -> gpd.GeoDataFrame:
    """One frame of a layer's parts, with its columns, ``row`` and ``file``."""
    names = LAYER_COLUMNS[name]
    if not parts:
        empty = {column: _no_values(name, column) for column in (*names, "row", "file")}
        return gpd.GeoDataFrame(pd.DataFrame(empty), geometry=np.empty(0, object))
    data = {column: np.concatenate([columns[column] for _, columns in parts]) for column in names}
    data["row"] = np.concatenate([layer.row for layer, _ in parts])
    data["file"] = np.concatenate(
        [np.full(len(layer), layer.source.file, object) for layer, _ in parts]
    )
    geometry = np.concatenate([layer.geometry for layer, _ in parts])
    return gpd.GeoDataFrame(pd.DataFrame(data), geometry=geometry)


def _no_values(layer: str, column: str) -> NDArray[Any]:
    """No values, of the type that the column's values have."""
    forms = {spec.name: spec.form for spec in COLUMNS[layer]}
    if column == "row":
        return np.empty(0, np.int64)
    if column.endswith("_assumed") or forms.get(column) == "flag":
        return np.empty(0, bool)
    number = forms.get(column) == "number" or column == "outside_diameter_m"
    return np.empty(0, np.float64 if number else object)


def note_far_from_streets(
    frames: dict[str, gpd.GeoDataFrame], longest: float, ledger: Ledger
) -> None:
    """Doubt properties and tie-ins off any street, and properties of a street that is not there."""
    streets, properties, tie_ins = (frames[n] for n in ("streets", "properties", "tie_ins"))
    lines = shapely.MultiLineString(list(streets.geometry))
    shapely.prepare(lines)
    for layer, frame, far, words in (
        (
            "properties",
            properties,
            longest,
            "further from any street than a connection may be long",
        ),
        ("tie_ins", tie_ins, TIE_IN_REACH, "further from any street than a tie-in may be"),
    ):
        off = ~shapely.dwithin(lines, frame.geometry.to_numpy(), far)
        if off.any():
            furthest = shapely.distance(lines, frame.geometry.to_numpy()[off]).max()
            what = f"{words} ({far:g} m): up to {furthest:,.1f} m"
            source = Source(layer, str(frame["file"].iloc[0]))
            ledger.note(source, "doubt", frame["row"].to_numpy()[off], what)
    known = set(streets["street"]) | {""}
    strange = ~properties["street"].isin(known).to_numpy()
    if strange.any():
        what = "street names no street of the project: served from the nearest"
        source = Source("properties", str(properties["file"].iloc[0]))
        ledger.note(source, "doubt", properties["row"].to_numpy()[strange], what, "street")
