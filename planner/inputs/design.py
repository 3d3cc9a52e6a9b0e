"""Reads the file of a drawn design: its pits, its legs and, where they are there, connections."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError

from planner.errors import InputError
from planner.inputs.vector import fingerprint
from planner.inputs.words import listed, nearest, plain, printable, shown
from planner.model import InputFile

LAYERS = ("pits", "legs")
MAY_LACK = ("connections",)


@dataclass(frozen=True, eq=False)
class DesignFile:
    """Layers of a design as they stand in their file, and what the file was."""

    pits: gpd.GeoDataFrame
    legs: gpd.GeoDataFrame
    connections: gpd.GeoDataFrame | None
    inputs: tuple[InputFile, ...]


def read_design(path: str | Path) -> DesignFile:
    """Read the layers ``pits`` and ``legs`` of a design, and ``connections`` if there are any.

    Parameters
    ----------
    path
        A GeoPackage, or any file of several layers that the driver opens.

    Raises
    ------
    InputError
        The file or a layer is missing or cannot be read; rows and columns are judged where the
        design is checked.
    """
    path = Path(path)
    names = _layer_names(path)
    frames = {layer: _read_layer(path, _find(path, names, layer)) for layer in LAYERS}
    there = [layer for layer in MAY_LACK if layer in {name.lower() for name in names}]
    frames |= {layer: _read_layer(path, _find(path, names, layer)) for layer in there}
    digest = fingerprint(path)
    files = tuple(
        InputFile(printable(path.name), digest, len(frame), layer)
        for layer, frame in frames.items()
    )
    return DesignFile(frames["pits"], frames["legs"], frames.get("connections"), files)


@contextmanager
def naming_file(path: str | Path) -> Iterator[None]:
    """Put the design's file into the messages of what is judged after reading."""
    try:
        yield
    except InputError as error:
        raise InputError(
            error.found, error.remedy, file=error.file or printable(path), layer=error.layer,
            row=error.row, column=error.column,
        ) from None  # fmt: skip


def _layer_names(path: Path) -> list[str]:
    if "\0" in str(path) or not path.exists():
        raise InputError(
            "the design is not there", "Give the path of the file with --design",
            file=printable(path),
        )  # fmt: skip
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return [str(name) for name, _ in pyogrio.list_layers(path)]
    except Exception as error:  # noqa: BLE001  (a driver may raise anything on a broken file)
        raise _unreadable(path, error) from None


def _unreadable(path: Path, error: object, layer: str | None = None) -> InputError:
    return InputError(
        f"the design cannot be read ({plain(str(error))})",
        "Check that it is whole, and a GeoPackage with the layers pits and legs",
        file=printable(path), layer=layer,
    )  # fmt: skip


def _find(path: Path, names: list[str], layer: str) -> str:
    """Name of a layer as the file spells it."""
    if layer in names:
        return layer
    alike = [name for name in names if name.lower() == layer]
    if alike:
        return alike[0]
    there = f'It has: {listed(names)}; the nearest is "{plain(nearest(layer, names))}"'
    raise InputError(
        f"the design has no layer {shown(layer)}", there if names else "It has no layer at all",
        file=printable(path), layer=layer,
    )  # fmt: skip


def _read_layer(path: Path, layer: str) -> gpd.GeoDataFrame:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            meta, _, wkb, values = pyogrio.raw.read(path, layer=layer)
    except Exception as error:  # noqa: BLE001  (a driver may raise anything on a broken file)
        raise _unreadable(path, error, layer) from None
    if wkb is None:
        raise InputError(
            "the design's layer is a table without geometry", "Give it with its points or lines",
            file=printable(path), layer=layer,
        )  # fmt: skip
    with np.errstate(invalid="ignore"):
        shapes = shapely.from_wkb(np.asarray(wkb, object), on_invalid="ignore")
    columns = {str(name): column for name, column in zip(meta["fields"], values, strict=True)}
    columns.pop("geometry", None)
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=_crs(path, layer, meta["crs"] or ""))


def _crs(path: Path, layer: str, text: str) -> CRS | None:
    try:
        return CRS.from_user_input(text) if text else None
    except CRSError:
        raise InputError(
            f"the coordinate reference system {shown(text)} is not known",
            "Save the file with a CRS that has an EPSG code", file=printable(path), layer=layer,
        ) from None  # fmt: skip
