"""Turns a file's columns into canonical ones: mapped, converted, judged, defaults filled."""

from __future__ import annotations

from typing import Any, NoReturn, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from planner.inputs.columns import COLUMNS, SENTINELS, Column, column_names
from planner.inputs.ledger import Ledger
from planner.inputs.project_file import iso_date
from planner.inputs.units import factor_to, unit_of
from planner.inputs.vector import Bools, Layer, Objects
from planner.inputs.words import alike, listed, nearest, plain, rows_listed, shown
from planner.model import Floats

Columns = dict[str, NDArray[Any]]
TRUE_WORDS = frozenset(("true", "t", "yes", "y", "1", "on"))
FALSE_WORDS = frozenset(("false", "f", "no", "n", "0", "off"))
ENDLESS = 1e30  # a number so large stands for nothing
TRUNCATED = 10  # characters of a column name that a shapefile keeps


def read_columns(layer: Layer, ledger: Ledger) -> Columns:
    """Canonical columns of a layer: numbers NaN, text and dates "" where absent, no defaults yet.

    Raises
    ------
    InputError
        A mapped column is not in the file, or a required value is absent.
    """
    columns: Columns = {}
    taken: set[str] = set()
    for spec in COLUMNS[layer.source.layer]:
        name, unit = _find_column(layer, spec, ledger)
        taken.add(name)
        raw = layer.columns[name] if name else None
        columns[spec.name] = _read_column(layer, spec, raw, unit, ledger)
    _note_near_misses(layer, taken, ledger)
    return columns


def fill_defaults(layer: Layer, columns: Columns, ledger: Ledger) -> Columns:
    """Columns with each absent value replaced by its default, which is reported."""
    filled = dict(columns)
    for spec in COLUMNS[layer.source.layer]:
        absent = is_absent(columns[spec.name])
        if not absent.any():
            continue
        if spec.default is not None:
            values = columns[spec.name].copy()
            values[absent] = spec.default
            filled[spec.name] = values
            note_default(layer, spec.name, absent, spec.default, ledger)
        elif spec.absent:
            ledger.note(
                layer.source, "assumed", layer.row[absent],
                f"{spec.name} is absent: {spec.absent}", spec.name,
            )  # fmt: skip
    if "one_way" in filled or "may_launch" in filled or "casing_required" in filled:
        for name in ("one_way", "bus_route", "may_launch", "casing_required"):
            if name in filled:
                filled[name] = filled[name].astype(bool)
    return filled


def note_default(layer: Layer, column: str, absent: Bools, value: object, ledger: Ledger) -> None:
    """Report that a default stands for the absent values of a column."""
    unit = unit_of(column)
    worded = "yes" if value is True else "no" if value is False else f"{value:g}" if isinstance(
        value, float
    ) else str(value)  # fmt: skip
    ledger.note(
        layer.source, "assumed", layer.row[absent],
        f"{column} is absent: {worded}{' ' + unit if unit else ''} is taken", column,
    )  # fmt: skip


def is_absent(values: NDArray[Any]) -> Bools:
    """Which values of a canonical column are absent."""
    if values.dtype == np.float64:
        return cast("Bools", np.isnan(values))
    if values.dtype == np.bool_:
        return np.zeros(len(values), bool)
    nothing: Any = None  # numpy compares each value with it, which its types do not foresee
    return cast("Bools", np.equal(values, "") | np.equal(values, nothing))


def _find_column(layer: Layer, spec: Column, ledger: Ledger) -> tuple[str, str]:
    """Name and stated unit of the file's column for a canonical one; "" where there is none."""
    target = layer.table.fields.get(spec.name, spec.name)
    if target is False:
        return "", ""
    if spec.name in layer.table.fields:
        name = target if isinstance(target, str) else str(target["column"])
        unit = "" if isinstance(target, str) else str(target.get("unit") or "")
        return _require_column(layer, spec, name), unit
    if spec.name in layer.columns:
        return spec.name, ""
    found = _same_but_for_case(layer, spec.name)
    if not found and layer.source.file.lower().endswith((".shp", ".dbf", ".zip")):
        found = _same_but_for_case(layer, spec.name[:TRUNCATED])
        if found:
            what = f"the column {shown(found)} is read as {spec.name} (shapefiles cut names)"
            ledger.note(layer.source, "assumed", (), what, spec.name)
    return found, ""


def _same_but_for_case(layer: Layer, name: str) -> str:
    lower = name.lower()
    return next((own for own in layer.columns if own.lower() == lower), "")


def _require_column(layer: Layer, spec: Column, name: str) -> str:
    found = name if name in layer.columns else _same_but_for_case(layer, name)
    if not found:
        _refuse_column(layer, spec, name)
    return found


def _refuse_column(layer: Layer, spec: Column, name: str) -> NoReturn:
    remedy = "Correct the mapping in the project file"
    if layer.columns:
        near = plain(nearest(name, layer.columns))
        remedy = f'The file has: {listed(layer.columns)}; the nearest is "{near}". {remedy}'
    layer.refuse(f"the file has no column {shown(name)}", remedy, column=spec.name)


def _note_near_misses(layer: Layer, taken: set[str], ledger: Ledger) -> None:
    """Doubt a column that is not read but is called nearly as one that is absent."""
    missing = [name for name in column_names(layer.source.layer) if name not in layer.columns]
    missing = [name for name in missing if name not in layer.table.fields]
    for own in layer.columns:
        if own in taken or not (near := alike(own, missing)):
            continue
        ledger.note(
            layer.source, "doubt", (),
            f'the column {shown(own)} is not read; if it is "{near}", map it in [fields]', near,
        )  # fmt: skip


def _read_column(
    layer: Layer, spec: Column, raw: NDArray[Any] | None, unit: str, ledger: Ledger
) -> NDArray[Any]:
    if spec.form == "number":
        if raw is None:
            return np.full(len(layer), np.nan)
        return _read_numbers(layer, spec, raw, unit, ledger)
    if raw is None:
        return np.full(len(layer), None if spec.form == "flag" else "", object)
    readers = {"flag": _flag, "date": _date, "word": _word, "words": _words}
    if spec.form == "text":
        return _read_texts(raw)
    return _read_words(layer, spec, raw, readers[spec.form], ledger)


def _read_texts(raw: NDArray[Any]) -> Objects:
    codes, distinct = _distinct(raw)
    meaning = np.empty(len(distinct), object)
    meaning[:] = [v.strip() if type(v) is str else _text(v) for v in distinct.tolist()]
    return meaning[codes] if len(distinct) else np.empty(0, object)


def _distinct(raw: NDArray[Any]) -> tuple[NDArray[np.intp], NDArray[Any]]:
    """The distinct values of a column, and which of them each row has."""
    values = np.array(_dated(raw), object) if raw.dtype.kind == "M" else raw
    try:
        codes, distinct = pd.factorize(values, use_na_sentinel=False)
    except TypeError:  # values that are lists
        values = np.array([*map(_hashable, values.tolist()), None], object)[:-1]
        codes, distinct = pd.factorize(values, use_na_sentinel=False)
    return codes, np.asarray(distinct)


def _read_numbers(
    layer: Layer, spec: Column, raw: NDArray[Any], unit: str, ledger: Ledger
) -> Floats:
    """Numbers in the column's own unit; what is no number or cannot be is absent, and said."""
    values = _to_numbers(layer, spec, raw, ledger)
    finite = np.isfinite(values)
    sentinel = finite & (np.isin(values, SENTINELS) | (np.abs(values) >= ENDLESS))
    if spec.zero_absent:
        sentinel |= values == 0.0
    unknown = (sentinel, "stands for a value that is not known")
    _doubt_values(layer, spec, values, unknown, ledger)
    factor = factor_to(spec.name, unit) if unit else 1.0
    values = np.where(sentinel | ~finite, np.nan, values) * factor
    odd = np.zeros(len(values), bool)
    if spec.low is not None and spec.high is not None:
        odd = (values < spec.low) | (values > spec.high)
        bounds = f"is not between {spec.low:g} and {spec.high:g}"
        _doubt_values(layer, spec, values, (odd, bounds), ledger)
    return np.where(odd, np.nan, values)


def _to_numbers(layer: Layer, spec: Column, raw: NDArray[Any], ledger: Ledger) -> Floats:
    if raw.dtype.kind in "iufb":
        return raw.astype(np.float64)
    if raw.dtype.kind == "M":
        layer.refuse("the column holds dates", "Give a column of numbers", column=spec.name)
    text = [v.strip() if isinstance(v, str) else v for v in raw.tolist()]
    values = pd.to_numeric(pd.Series(text, dtype=object), errors="coerce").to_numpy(np.float64)
    wrong = np.isnan(values) & np.array([v not in (None, "") for v in text], bool)
    nan_words = {"nan", "none", "null", "n/a", "na", "-", "unknown"}
    wrong &= np.array([str(v).lower() not in nan_words for v in text], bool)
    if wrong.any():
        found = listed({shown(text[i])[1:-1] for i in np.flatnonzero(wrong)[:20]}, 4)
        what = f"{spec.name} is no number ({found}): treated as absent"
        ledger.note(layer.source, "doubt", layer.row[wrong], what, spec.name)
    return values


def _doubt_values(
    layer: Layer, spec: Column, values: Floats, doubted: tuple[Bools, str], ledger: Ledger
) -> None:
    odd, why = doubted
    if not odd.any():
        return
    unit = unit_of(spec.name)
    found = listed((f"{v:g}" for v in np.unique(values[odd])), 4)
    what = f"{spec.name} is {found}{' ' + unit if unit else ''}, which {why}: treated as absent"
    stood = dict(zip(layer.row[odd].tolist(), values[odd].tolist(), strict=True))
    ledger.note(layer.source, "doubt", stood, what, spec.name)


def _read_words(
    layer: Layer, spec: Column, raw: NDArray[Any], reader: Any, ledger: Ledger
) -> Objects:
    """Read each distinct value once; one that cannot be read is absent, and said."""
    codes, distinct = _distinct(raw)
    meaning = np.empty(len(distinct), object)
    meaning[:] = [reader(_hashable(v), spec) for v in distinct.tolist()]
    read = meaning[codes] if len(distinct) else np.empty(0, object)
    strange = np.fromiter((v is NotImplemented for v in meaning), bool, len(meaning))
    if strange.any():
        wrong = strange[codes]
        found = listed(sorted(plain(v) for v in distinct[strange].tolist()), 4)
        known = f" (it takes {', '.join(spec.words)})" if spec.words else ""
        what = f"{spec.name} is {found}{known}: treated as absent"
        ledger.note(layer.source, "doubt", layer.row[wrong], what, spec.name)
        read[wrong] = None if spec.form == "flag" else ""
    return read


def _dated(raw: NDArray[Any]) -> list[Any]:
    days = np.datetime_as_string(raw, unit="D")
    return ["" if day == "NaT" else str(day) for day in days]


def _hashable(value: object) -> Any:
    """The value itself, or its text where it is a list, or the same key for every NaN."""
    if value is None or value != value:  # noqa: PLR0124  (NaN is the value that differs from itself)
        return None
    return value if isinstance(value, (str, int, float, bool)) else str(value)


def _text(value: object) -> str:
    if value is None or value != value:  # noqa: PLR0124
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()


def _flag(value: object, _spec: Column) -> Any:
    if value is None or value == "":
        return None
    word = _text(value).lower()
    return True if word in TRUE_WORDS else False if word in FALSE_WORDS else NotImplemented


def _date(value: object, _spec: Column) -> Any:
    if value is None or value == "":
        return ""
    return iso_date(value) or NotImplemented


def _word(value: object, spec: Column) -> Any:
    word = _text(value)
    if not word:
        return ""
    known = {one.lower(): one for one in spec.words}
    return known.get(word.lower().replace(" ", "_"), NotImplemented)


def _words(value: object, spec: Column) -> Any:
    words = [word.strip().lower().replace(" ", "_") for word in _text(value).split(",")]
    words = [word for word in words if word]
    if any(word not in spec.words for word in words):
        return NotImplemented
    return ",".join(word for word in spec.words if word in words)


def require_values(layer: Layer, columns: Columns, remedy: str) -> None:
    """Refuse a layer in which a required value is absent."""
    for spec in COLUMNS[layer.source.layer]:
        if not spec.required:
            continue
        absent = is_absent(columns[spec.name])
        if absent.any():
            rows = layer.row[absent]
            layer.refuse(
                f"{spec.name} is absent in {rows_listed(rows.tolist())}",
                remedy, row=int(rows[0]), column=spec.name,
            )  # fmt: skip
