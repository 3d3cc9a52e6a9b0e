"""Reads the project file: TOML, checked key by key."""

from __future__ import annotations

import datetime as dt
import tomllib
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from planner.errors import InputError
from planner.inputs.columns import COLUMNS, column_names
from planner.inputs.units import UNITS, unit_of, units_for
from planner.inputs.words import listed, nearest, printable, shown

VerticalUnit = Literal["m", "ft", "us-ft"]
UtilityKind = Literal[
    "water", "gas", "electric", "telecom", "sewer", "storm", "reclaimed", "steam", "oil", "unknown"
]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class ProjectTable(_Table):
    """What the project calls itself, its CRS, and how it wants to be shown."""

    name: str
    crs: str
    display_units: Literal["us", "metric"]
    vertical_datum: str
    agency: str = ""
    number: str | int = ""
    designer: str = ""
    date: str | dt.date = ""
    start_date: str | dt.date = ""


class GroundTable(_Table):
    """The ground raster."""

    path: str
    vertical_unit: VerticalUnit
    vertical_datum: str | None = None


class VectorTable(_Table):
    """A vector layer, and what its columns are called there.

    ``vertical_unit`` is the unit of Z; a column's own unit stands in ``fields``. ``use_z`` says
    whether Z is a level.
    """

    path: str
    layer: str | None = None
    fields: dict[str, Any] = Field(default_factory=dict)
    vertical_datum: str | None = None
    vertical_unit: VerticalUnit | None = None
    use_z: bool = True
    encoding: str | None = None


class UtilitiesTable(VectorTable):
    """A file of buried services; its ``kind`` holds for every row."""

    kind: UtilityKind | None = None


class LayoutTable(_Table):
    """Streets, directions, tie-ins and pits that are settled beforehand."""

    carry: list[str] = Field(default_factory=list)
    forbid: list[str] = Field(default_factory=list)
    flow: dict[str, Literal["as drawn", "against"]] = Field(default_factory=dict)
    tie_ins: list[str] = Field(default_factory=list)
    no_tie_ins: list[str] = Field(default_factory=list)
    pits: list[list[float]] = Field(default_factory=list)


class ProjectFile(_Table):
    """Everything a project file may hold."""

    project: ProjectTable
    ground: GroundTable
    streets: VectorTable
    properties: VectorTable
    tie_ins: VectorTable
    right_of_way: VectorTable | None = None
    utilities: list[UtilitiesTable] = Field(default_factory=list)
    keep_out: VectorTable | None = None
    street_features: VectorTable | None = None
    boreholes: VectorTable | None = None
    zones: VectorTable | None = None
    control: VectorTable | None = None
    layout: LayoutTable = Field(default_factory=LayoutTable)
    rules: dict[str, Any] = Field(default_factory=dict)
    equipment: dict[str, Any] = Field(default_factory=dict)
    costs: dict[str, Any] = Field(default_factory=dict)
    traffic: dict[str, Any] = Field(default_factory=dict)

    def vector_tables(self) -> list[tuple[str, VectorTable]]:
        """Every vector layer that is stated, with its name; utilities as often as stated."""
        stated: list[tuple[str, VectorTable]] = []
        for name in COLUMNS:
            one = getattr(self, name)
            every = one if isinstance(one, list) else [one]
            stated += [(name, table) for table in every if table is not None]
        return stated


def read_project_file(path: Path) -> ProjectFile:
    """Read and check a project file.

    Raises
    ------
    InputError
        The file cannot be read, is no TOML, or a key is missing, unknown or of the wrong form.
    """
    content = _load_toml(path)
    try:
        parsed = ProjectFile.model_validate(content)
    except ValidationError as error:
        raise _first_fault(error, path) from None
    for name, table in parsed.vector_tables():
        _require_fields(name, table, path)
    _require_one_datum(parsed, path)
    _require_dates(parsed, path)
    return parsed


def _load_toml(path: Path) -> dict[str, Any]:
    try:
        raw = path.read_bytes()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise InputError(
            f"the project file cannot be read ({reason})",
            "Give the path of an existing TOML file",
            file=printable(path),
        ) from None
    try:
        return tomllib.loads(raw.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise InputError(
            f"the project file is not UTF-8 text (byte {error.start})",
            "Save it as UTF-8",
            file=printable(path),
        ) from None
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        raise InputError(
            f"the project file is no valid TOML: {error}", "Correct that line", file=printable(path)
        ) from None


def _first_fault(error: ValidationError, path: Path) -> InputError:
    """The first fault that pydantic found, unknown keys before all else, in the user's words."""
    faults = sorted(error.errors(), key=lambda fault: fault["type"] != "extra_forbidden")
    fault = faults[0]
    keys = [str(part) for part in fault["loc"] if isinstance(part, str)]
    where = _table_of(keys[:-1])
    key = keys[-1] if keys else ""
    if fault["type"] == "extra_forbidden":
        near = nearest(key, _keys_at(keys[:-1]))
        return InputError(
            f"{shown(key)} in {where} is not a known key",
            f'The nearest known key is "{near}"; correct or remove it',
            file=printable(path),
        )
    if fault["type"] == "missing":
        kind = f"the table [{key}]" if len(keys) == 1 else f'"{key}" in {where}'
        return InputError(f"{kind} is missing", _how_to_state(keys), file=printable(path))
    if fault["type"] == "list_type" and key == "utilities":
        return InputError(
            "[utilities] is one table",
            "Write [[utilities]], once for each file",
            file=printable(path),
        )
    return InputError(
        f'"{".".join(keys)}" is {shown(fault["input"])}',
        f"{fault['msg'].replace('Input should be', 'It should be')}",
        file=printable(path),
    )


def _table_of(keys: list[str]) -> str:
    if not keys:
        return "the project file"
    return "[[utilities]]" if keys[0] == "utilities" else f"[{'.'.join(keys)}]"


def _keys_at(keys: list[str]) -> list[str]:
    models: dict[str, type[BaseModel]] = {
        "project": ProjectTable,
        "ground": GroundTable,
        "utilities": UtilitiesTable,
    }
    model = models.get(keys[0], VectorTable) if keys else ProjectFile
    return list(model.model_fields)


def _how_to_state(keys: list[str]) -> str:
    remedies = {
        "vertical_unit": 'State the unit of elevations: "m", "ft" or "us-ft"; it is not guessed',
        "vertical_datum": 'State the vertical datum, for example "NAVD88"',
        "display_units": 'State "us" or "metric"',
        "crs": 'State the CRS, for example "EPSG:26915"',
        "path": "State the file, relative to the project file",
    }
    return remedies.get(keys[-1], "Add it to the project file")


def _require_fields(name: str, table: VectorTable, path: Path) -> None:
    """Every mapped field is a column of its layer, and its unit one that the column takes."""
    for column, target in table.fields.items():
        if column not in column_names(name):
            known = column_names(name)
            raise InputError(
                f"{shown(column)} in [{name}.fields] is not a column of this layer",
                f'The nearest known column is "{nearest(column, known)}"'
                if known
                else "The layer has no columns; remove the mapping",
                file=printable(path),
                layer=name,
                column=column,
            )
        _require_target(name, column, target, path)


def _require_target(name: str, column: str, target: object, path: Path) -> None:
    place = {"file": printable(path), "layer": name, "column": column}
    if isinstance(target, str) or target is False:
        return
    if not isinstance(target, dict) or not isinstance(target.get("column"), str):
        raise InputError(
            f"the mapping of {column} is {shown(target)}",
            'Give the name of the file\'s column, or { column = "NAME", unit = "ft" }',
            **place,
        )
    if odd := sorted(set(target) - {"column", "unit"}):
        raise InputError(
            f"{shown(odd[0])} in the mapping of {column} is not a known key",
            f'The nearest known key is "{nearest(odd[0], ("column", "unit"))}"',
            **place,
        )
    unit = target.get("unit")
    if unit is None or unit in units_for(column):
        return
    allowed = listed(units_for(column)) or "none, for the column has no unit"
    known = "" if isinstance(unit, str) and unit in UNITS else " known"
    raise InputError(
        f"the unit {shown(unit)} is not a{known} unit of {column}"
        + (f" (which is in {unit_of(column)})" if unit_of(column) else ""),
        f"Units it takes: {allowed}",
        **place,
    )


def _require_one_datum(parsed: ProjectFile, path: Path) -> None:
    own = parsed.project.vertical_datum
    stated: list[tuple[str, str | None]] = [("ground", parsed.ground.vertical_datum)]
    stated += [(name, table.vertical_datum) for name, table in parsed.vector_tables()]
    for layer, datum in stated:
        if datum is not None and _datum_key(datum) != _datum_key(own):
            raise InputError(
                f"vertical datum {shown(datum)}, but the project's is {shown(own)}",
                "Convert the elevations to the project's datum, or correct the name",
                file=printable(path),
                layer=layer,
                column="vertical_datum",
            )


def _datum_key(name: str) -> str:
    return "".join(name.split()).casefold()


def _require_dates(parsed: ProjectFile, path: Path) -> None:
    for key in ("date", "start_date"):
        value = getattr(parsed.project, key)
        if value != "" and not iso_date(value):
            raise InputError(
                f'"project.{key}" is {shown(value)}',
                'Write the date as year-month-day, for example "2027-05-01"',
                file=printable(path),
            )


def iso_date(value: object) -> str:
    """A date as ISO text; "" when it is none.

    Examples
    --------
    >>> iso_date("2027-05-01"), iso_date("1 May")
    ('2027-05-01', '')
    """
    if isinstance(value, dt.datetime):
        return value.date().isoformat()
    if isinstance(value, dt.date):
        return value.isoformat()
    try:
        return dt.date.fromisoformat(str(value).strip()[:10].replace("/", "-")).isoformat()
    except ValueError:
        return ""
