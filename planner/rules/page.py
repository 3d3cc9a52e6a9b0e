"""The page of all figures for `docs/rules.md`, made from the data files."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import groupby

from planner.model import Value
from planner.rules.book import RULE_SETS, Entry, entries
from planner.rules.pipes import read_series

TABLES = {
    "rules": "Design limits, `[rules]` of the project file",
    "equipment": "Plant and pits, `[equipment]`",
    "costs": "Prices, `[costs]`",
    "traffic": "Traffic control, `[traffic]`",
    "services": "Existing services (not changed by the project file)",
}

HEAD = """\
# Rules and figures

Made from the data files in `planner/rules/` by `planner.rules.rules_page()`; change those, not
this page. Every figure of the first four tables can be changed in the project file; `none` means
that there is no limit. A rule that is a table may be set to one number, for all, or to a table,
for some. Tables by nominal size hold from the size named up to the next one.

A source that reads "common practice, no source" or "from memory" has not been checked against a
standard. Prices are placeholders: ask for local bids. Local codes and the licensed engineer
decide; nothing here is permission to dig.
"""


def rules_page() -> str:
    """Markdown page of every figure: name, meaning, value in each rule set, unit, source."""
    parts = [HEAD, *(_section(table) for table in TABLES), _pipes()]
    return "\n".join(parts)


def _section(table: str) -> str:
    both = [entries(rule_set, table) for rule_set in RULE_SETS]
    rows = [
        _row(f"`{name}`", entry.what, *_values(entry, both[1][name]), entry.figure.unit,
             _sources(entry, both[1][name]))
        for name, entry in both[0].items()
    ]  # fmt: skip
    head = ("name", "what", *RULE_SETS, "unit", "source")
    return f"## {TABLES[table]}\n\n{_table(head, rows)}"


def _values(first: Entry, second: Entry) -> tuple[str, str]:
    return _show(first.figure.value), _show(second.figure.value)


def _sources(first: Entry, second: Entry) -> str:
    texts = first.figure.source, second.figure.source
    return texts[0] if texts[0] == texts[1] else f"us: {texts[0]}. eu: {texts[1]}"


def _show(value: Value) -> str:
    if value is None:
        return "none"
    if isinstance(value, dict):
        return "; ".join(f"{keys}: {number:.4g}" for keys, number in _steps(value))
    return f"{value:g}" if isinstance(value, (int, float)) else str(value)


def _steps(table: dict[str, float]) -> Iterator[tuple[str, float]]:
    """Keys and values of a table, neighbours of one value drawn together."""
    for number, group in groupby(table.items(), key=lambda item: item[1]):
        keys = [key for key, _ in group]
        numeric = keys[0].replace(".", "").isdigit()
        yield (f"from {keys[0]}" if numeric and len(keys) > 1 else ", ".join(keys)), number


def _pipes() -> str:
    rows = [
        _row(
            f"`{name}`", raw["material"], raw["standard"], ", ".join(raw["methods"]),
            "yes" if raw["pressure_rated"] else "no", _sizes(raw["sizes"]), raw["unit"],
            raw["source"],
        )
        for name, raw in read_series().items()
    ]  # fmt: skip
    head = ("series", "material", "standard", "placed", "pressure-rated",
            "nominal mm: inside / outside", "unit", "source")  # fmt: skip
    return f"## Pipes\n\n{_table(head, rows)}"


def _sizes(sizes: Iterable[tuple[float, float, float]]) -> str:
    return "; ".join(f"{size}: {inside:g} / {outside:g}" for size, inside, outside in sizes)


def _table(head: tuple[str, ...], rows: list[str]) -> str:
    return "\n".join([_row(*head), _row(*("---" for _ in head)), *rows]) + "\n"


def _row(*cells: str) -> str:
    return "| " + " | ".join(cell.replace("{currency}", "currency") for cell in cells) + " |"
