"""Reads one vector layer as it is: attributes, geometry, CRS. Nothing is judged here."""

from __future__ import annotations

import hashlib
import warnings
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
import pyogrio
import pyogrio.errors
import shapely
from numpy.typing import NDArray
from pyproj import CRS
from pyproj.exceptions import CRSError

from planner.errors import InputError
from planner.inputs.ledger import Ledger, Source
from planner.inputs.project_file import VectorTable
from planner.inputs.words import listed, nearest, plain, printable, shown

Objects = NDArray[np.object_]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
SEVERAL_LAYERS = "More than one layer"  # what pyogrio says when it takes the first of several


@dataclass(frozen=True, eq=False)
class Layer:
    """A vector layer, or the part of it that comes from one file.

    ``row`` numbers the rows of the file from 1; several parts of one row share its number.
    """

    source: Source
    table: VectorTable
    crs: CRS
    row: Ints  # (features,)
    geometry: Objects  # (features,)
    columns: dict[str, NDArray[Any]]

    def __len__(self) -> int:
        return len(self.row)

    @property
    def crs_name(self) -> str:
        """What its CRS is called."""
        authority = self.crs.to_authority(min_confidence=100)
        return ":".join(authority) if authority else shown(self.crs.name)

    def at(self, which: Bools | Ints) -> Layer:
        """The features that a mask or an index picks."""
        return replace(
            self,
            row=self.row[which],
            geometry=self.geometry[which],
            columns={name: values[which] for name, values in self.columns.items()},
        )

    def with_geometry(self, geometry: Objects) -> Layer:
        """The same features with other geometry."""
        return replace(self, geometry=geometry)

    def refuse(self, found: str, remedy: str, **place: Any) -> NoReturn:
        """Raise that this layer cannot be used."""
        raise InputError(found, remedy, file=self.source.file, layer=self.source.layer, **place)


def read_vector(base: Path, source: Source, table: VectorTable, ledger: Ledger) -> Layer:
    """Read a vector layer of the project.

    Raises
    ------
    InputError
        The file or layer is missing, unreadable or truncated, or has no geometry or CRS.
    """
    path = find_file(base, table.path, source)
    meta, wkb, values, said = _read_raw(path, source, table)
    if wkb is None:
        raise _no_geometry(source)
    rows = len(wkb)
    ledger.opened(source, rows)
    for words in sorted(said):
        ledger.note(source, "doubt", (), f"the driver says: {plain(words)}")
    crs_text = meta["crs"] or ""
    with np.errstate(invalid="ignore"):
        geometry = shapely.from_wkb(np.asarray(wkb, object), on_invalid="ignore")
    return Layer(
        source=source,
        table=table,
        crs=_parse_crs(source, crs_text),
        row=np.arange(1, rows + 1),
        geometry=np.asarray(geometry, object),
        columns={str(name): array for name, array in zip(meta["fields"], values, strict=True)},
    )


def _read_raw(path: Path, source: Source, table: VectorTable) -> tuple[Any, Any, Any, set[str]]:
    """What the driver gives, and what it says about it; the layer chosen where there are more."""
    layer = table.layer
    while True:
        with warnings.catch_warnings(record=True) as said:
            warnings.simplefilter("always")
            try:
                meta, _, wkb, values = pyogrio.raw.read(path, layer=layer, encoding=table.encoding)
            except pyogrio.errors.DataLayerError as error:
                tried, layer = layer, _choose_layer(path, source, table)
                if layer == tried:
                    raise _unreadable(source, error) from None
            except Exception as error:  # noqa: BLE001  (a driver may raise anything on a broken file)
                raise _unreadable(source, error) from None
            else:
                words = {str(one.message) for one in said}
                if layer is not None or not any(SEVERAL_LAYERS in one for one in words):
                    return meta, wkb, values, words
                layer = _choose_layer(path, source, table)


def find_file(base: Path, name: str, source: Source) -> Path:
    """Path of a file that the project names, which must be there."""
    path = base / name
    try:
        there = path.exists() and "\0" not in name and name != ""
    except (OSError, ValueError):
        there = False
    if not there:
        raise InputError(
            f"{shown(name)} is not there",
            f"Correct `path` in [{source.layer}]; paths are relative to the project file",
            file=printable(name),
            layer=source.layer,
        )
    return path


def fingerprint(path: Path) -> str:
    """SHA-256 of a file, or of all files of a folder in the order of their names."""
    digest = hashlib.sha256()
    files = sorted(one for one in path.rglob("*") if one.is_file()) if path.is_dir() else [path]
    for one in files:
        with one.open("rb") as stream:
            while block := stream.read(1 << 20):
                digest.update(block)
    return digest.hexdigest()


def _choose_layer(path: Path, source: Source, table: VectorTable) -> str:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            names = [str(name) for name, _ in pyogrio.list_layers(path)]
    except Exception as error:  # noqa: BLE001  (a driver may raise anything on a broken file)
        raise _unreadable(source, error) from None
    if not names:
        raise _unreadable(source, "it holds no layer")
    if table.layer is None:
        return source.layer if source.layer in names else _only_layer(names, source)
    if table.layer in names:
        raise _unreadable(source, f"its layer {plain(table.layer)} is broken")
    raise InputError(
        f"the file has no layer {shown(table.layer)}",
        f'It has: {listed(names)}; the nearest is "{plain(nearest(table.layer, names))}"',
        file=source.file,
        layer=source.layer,
    )


def _only_layer(names: list[str], source: Source) -> str:
    if len(names) > 1:
        raise InputError(
            f"the file has {len(names)} layers ({listed(names)}) and none is chosen",
            f'Add `layer = "…"` to [{source.layer}]',
            file=source.file,
            layer=source.layer,
        )
    return names[0]


def _parse_crs(source: Source, text: str) -> CRS:
    if not text:
        raise InputError(
            "no coordinate reference system is stated",
            "Write the CRS that the coordinates are in into the file (it is not guessed)",
            file=source.file,
            layer=source.layer,
        )
    try:
        return _crs_of(text)
    except CRSError:
        raise InputError(
            f"the coordinate reference system {shown(text)} is not known",
            "Save the file with a CRS that has an EPSG code",
            file=source.file,
            layer=source.layer,
        ) from None


@lru_cache(maxsize=64)
def _crs_of(text: str) -> CRS:
    return CRS.from_user_input(text)


def _unreadable(source: Source, error: object) -> InputError:
    return InputError(
        f"the file cannot be read ({plain(str(error))})",
        "Check that it is whole and of a vector format such as GeoPackage; export it again",
        file=source.file,
        layer=source.layer,
    )


def _no_geometry(source: Source) -> InputError:
    return InputError(
        "the layer is a table without geometry",
        "Give a layer with geometry, or choose one with `layer =`",
        file=source.file,
        layer=source.layer,
    )
