"""The page of everything a project file and its layers may hold, for `docs/inputs.md`."""

from __future__ import annotations

from collections.abc import Iterable

from planner.inputs.columns import COLUMNS, GEOMETRY, Column
from planner.inputs.page_words import HEAD, LAYERS, TAIL, WHAT
from planner.inputs.units import UNITS, unit_of, units_for
from planner.model import Value
from planner.rules import RULE_SETS, entries

TABLES = ("rules", "equipment", "costs", "traffic")


def inputs_page() -> str:
    """Markdown page of the project file, every layer, column, unit and default, and every key.

    Made new with ``python -m planner.inputs.page > docs/inputs.md``.
    """
    layers = (_layer(name) for name in COLUMNS)
    keys = (_keys(table) for table in TABLES)
    return "\n".join([HEAD.format(units=_units()), *layers, TAIL, *keys])


def _units() -> str:
    measures = dict.fromkeys(unit.measure for unit in UNITS.values())
    return "; ".join(
        f"{measure}: " + " ".join(f"`{name}`" for name, unit in UNITS.items() if unit[0] == measure)
        for measure in measures
    )


def _layer(name: str) -> str:
    forms = " or ".join(GEOMETRY[name])
    text = f"### `{name}` ({forms})\n\n{LAYERS[name]}\n"
    if not COLUMNS[name]:
        return text
    rows = (_column(name, column) for column in COLUMNS[name])
    return f"{text}\n{_table(('column', 'what', 'unit', 'when absent', 'believed'), rows)}"


def _column(layer: str, column: Column) -> tuple[str, ...]:
    what = WHAT.get(f"{layer}.{column.name}") or WHAT[column.name]
    if column.words:
        what += ": " + " ".join(f"`{word}`" for word in column.words)
    unit = unit_of(column.name)
    others = [one for one in units_for(column.name) if one != unit]
    units = f"{unit} (or {', '.join(others)})" if others else unit
    return f"`{column.name}`", what, units, _absence(layer, column), _range(column)


def _absence(layer: str, column: Column) -> str:
    if column.required:
        return "refused"
    if column.default is not None:
        words = {True: "yes", False: "no"}
        value = words[column.default] if column.form == "flag" else column.default
        return f"{value:g}" if isinstance(value, float) else str(value).replace(",", ", ")
    own = WHAT.get(f"{layer}.{column.name} absent") or WHAT.get(f"{column.name} absent")
    return column.absent or own or ""


def _range(column: Column) -> str:
    if column.low is None or column.high is None:
        return "not 0" if column.zero_absent else ""
    return f"{column.low:g} to {column.high:g}{', not 0' if column.zero_absent else ''}"


def _keys(table: str) -> str:
    first, second = (entries(rule_set, table) for rule_set in RULE_SETS)
    rows = (
        (f"`{name}`", entry.what, _shown(entry.figure.value), _shown(second[name].figure.value),
         entry.figure.unit)
        for name, entry in first.items()
    )  # fmt: skip
    return f"### `[{table}]`\n\n{_table(('key', 'what', *RULE_SETS, 'unit'), rows)}"


def _shown(value: Value | dict[str, object]) -> str:
    if isinstance(value, dict):
        return "; ".join(f"{key}: {_shown(one)}" for key, one in value.items())  # type: ignore[arg-type]
    if value is None:
        return "none"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _table(head: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    head = list(head)
    lines = [head, ["---"] * len(head), *rows]
    return "".join(f"| {' | '.join(cells)} |\n" for cells in lines)


if __name__ == "__main__":
    import sys

    sys.stdout.write(inputs_page())
