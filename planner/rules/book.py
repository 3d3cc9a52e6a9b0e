"""The rule book: figures read from the data files, with a project's changes laid over them."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources
from typing import Any, cast

from planner.errors import RuleError
from planner.model import Figure, Figures, RuleBook, Value
from planner.rules.changes import change_figure, require_known
from planner.rules.pipes import nominal_sizes, series_names

RULE_SETS = ("us-ten-states", "eu-metric")
CHANGEABLE = ("rules", "equipment", "costs", "traffic")  # tables of the project file


@dataclass(frozen=True)
class Entry:
    """One entry of a data file: its figure, what it means, and which values it may take."""

    figure: Figure
    what: str
    least: float = 0.0
    above: float = -math.inf
    most: float = math.inf
    words: tuple[str, ...] | None = None  # `None`: not a word; empty: any word
    keys: tuple[str, ...] | None = None  # `None`: any number as a key
    optional: bool = False  # "none" is allowed


def default_rule_set(display_units: str) -> str:
    """Name of the rule set that a project takes when it names none.

    Raises
    ------
    RuleError
        Where the display units are neither ``us`` nor ``metric``.
    """
    sets = {"us": "us-ten-states", "metric": "eu-metric"}
    require_known("display units", display_units, sets)
    return sets[display_units]


def load_book(rule_set: str, changes: Mapping[str, Mapping[str, Any]] | None = None) -> RuleBook:
    """Read a rule set and lay a project's changes over it.

    Parameters
    ----------
    rule_set
        One of `RULE_SETS`.
    changes
        By ``rules``, ``equipment``, ``costs`` and ``traffic``: name to number, word or table.

    Raises
    ------
    RuleError
        Where a name is not known (the nearest one is named), or a value cannot be.
    """
    require_known("rule set", rule_set, RULE_SETS)
    changes = changes or {}
    for table in changes:
        require_known("table", table, CHANGEABLE)
    tables = {name: _changed(rule_set, name, changes.get(name, {})) for name in CHANGEABLE}
    require_agreement(tables["rules"])
    tables["costs"] = _name_currency(tables["costs"])
    services = {name: entry.figure for name, entry in entries(rule_set, "services").items()}
    return RuleBook(rule_set=rule_set, services=Figures(services), **tables)


def _changed(rule_set: str, table: str, changes: Mapping[str, Any]) -> Figures:
    known = entries(rule_set, table)
    figures = {name: entry.figure for name, entry in known.items()}
    for name, value in changes.items():
        require_known(f"name in [{table}]", name, known)
        figures[name] = change_figure(name, known[name], value)
    return Figures(figures)


def require_agreement(rules: Figures) -> None:
    """Refuse pairs of limits that leave nothing between them.

    Raises
    ------
    RuleError
        Where the least is above the greatest.
    """
    pairs = (
        ("min_leg_length_m", "max_leg_length_m"),
        ("min_manhole_drop_m", "max_manhole_drop_m"),
        ("min_velocity_m_per_s", "max_velocity_m_per_s"),
        ("min_slope_pct", "max_slope_pct"),
    )
    for low, high in pairs:
        least = min(rules.table(low).values())
        most = max(rules.table(high).values())
        if least > most:
            unit = rules[high].unit
            raise RuleError(
                f"{low} is {least:g} {unit} and {high} is {most:g} {unit}: nothing lies between. "
                "Change one of them."
            )


def _name_currency(costs: Figures) -> Figures:
    currency = costs.text("currency")
    return Figures(
        {
            name: figure._replace(unit=figure.unit.replace("{currency}", currency))
            for name, figure in costs.items()
        }
    )


@cache
def entries(rule_set: str, table: str) -> Mapping[str, Entry]:
    """Entries of a table (``rules``, ``equipment``, ``costs``, ``traffic``, ``services``)."""
    stem = rule_set if table == "rules" else table
    text = resources.files("planner.rules").joinpath(f"{stem}.toml").read_text("utf-8")
    return {name: _entry(raw, rule_set) for name, raw in tomllib.loads(text).items()}


def _entry(raw: Mapping[str, Any], rule_set: str) -> Entry:
    value = _value(raw, rule_set)
    entry = Entry(
        figure=Figure(value, raw["unit"], raw["source"]),
        what=raw["what"],
        words=_words(raw, value),
        keys=_keys(raw, value),
        optional=raw.get("optional", False),
    )
    limits = {name: raw[name] for name in ("least", "above", "most") if name in raw}
    return replace(entry, **limits)


def _value(raw: Mapping[str, Any], rule_set: str) -> Value:
    if "over_nominal" in raw:
        return {f"{size:g}": raw["over_nominal"] / size for size in nominal_sizes()}
    if "value_by_set" in raw:
        return cast("Value", raw["value_by_set"][rule_set])
    value = raw["value"]
    if raw.get("optional") and value == "none":
        return None
    return _spread(value) if raw.get("spread") else cast("Value", value)


def _spread(table: Mapping[str, float]) -> dict[str, float]:
    """Give every nominal size the entry of the largest listed size that is not above it."""
    listed = {float(key): value for key, value in table.items()}
    sizes = sorted(set(nominal_sizes()) | set(listed))
    return {f"{size:g}": listed[max(key for key in listed if key <= size)] for size in sizes}


def _words(raw: Mapping[str, Any], value: Value) -> tuple[str, ...] | None:
    if not isinstance(value, str):
        return None
    named: dict[str, Callable[[], tuple[str, ...]]] = {"pipe series": series_names, "any": tuple}
    words = raw["words"]
    return named[words]() if isinstance(words, str) else tuple(words)


def _keys(raw: Mapping[str, Any], value: Value) -> tuple[str, ...] | None:
    """Keys that a changed table may have; `None` stands for any positive number."""
    keys = raw.get("keys", tuple(value) if isinstance(value, dict) else ())
    return None if isinstance(keys, str) else tuple(keys)
