"""A project's change of one figure: what is allowed, and how it is laid over the default."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from planner.errors import RuleError
from planner.model import Figure, Value

if TYPE_CHECKING:
    from planner.rules.book import Entry

NUMBER_KEY_DIGITS = 10  # significant digits of a number that is a key


def require_known(what: str, name: str, known: Iterable[str]) -> None:
    """Refuse a name that is not known, naming the nearest one that is.

    Raises
    ------
    RuleError
        Where the name is not known.
    """
    names = list(known)
    if name in names:
        return
    near = difflib.get_close_matches(str(name), names, n=1, cutoff=0.0)
    hint = f"The nearest known one is {near[0]!r}." if near else "None is known."
    raise RuleError(f"unknown {what}: {name!r}. {hint}")


def change_figure(name: str, entry: Entry, value: object) -> Figure:
    """Figure with a project's value in place of the default.

    A number in place of a table stands for every key; a table is laid over the default.

    Raises
    ------
    RuleError
        Where the value is of the wrong kind or out of range.
    """
    changed = _allowed(name, entry, value)
    return Figure(changed, entry.figure.unit, _changed_source(entry.figure, value))


def _changed_source(default: Figure, value: object) -> str:
    """Where a changed figure comes from, and what it stands in place of."""
    if isinstance(value, dict):
        keys = ", ".join(str(key) for key in value)
        return f"project file for {keys}; else the rule set ({default.source})"
    if isinstance(default.value, dict):
        return f"project file, in place of the rule set's table ({default.source})"
    was = "none" if default.value is None else default.value
    return f"project file, in place of the rule set's {was} ({default.source})"


def _allowed(name: str, entry: Entry, value: object) -> Value:
    default = entry.figure.value
    if entry.words is not None:
        return _word(name, entry.words, value)
    if entry.optional and value == "none":
        return None
    if isinstance(default, dict) and isinstance(value, dict):
        return default | _table(name, entry, value)
    if isinstance(value, dict):
        raise RuleError(f"{name} is one number [{entry.figure.unit}]; a table was found.")
    return _number(name, entry, value)


def _word(name: str, words: tuple[str, ...], value: object) -> str:
    if not isinstance(value, str) or not value:
        raise RuleError(f"{name} is a word; found {value!r}.")
    if words:
        require_known(f"value of {name}", value, words)
    return value


def _table(name: str, entry: Entry, table: dict[str, Any]) -> dict[str, float]:
    return {
        _key(name, entry.keys, key): _number(f"{name}.{key}", entry, value)
        for key, value in table.items()
    }


def _key(name: str, keys: tuple[str, ...] | None, key: str) -> str:
    if keys is not None:
        require_known(f"key of {name}", key, keys)
        return key
    try:
        number = float(key)
    except ValueError:
        number = math.nan
    if not 0 <= number < math.inf:
        raise RuleError(f"a key of {name} is a number in quotes or digits; found {key!r}.")
    return f"{number:.{NUMBER_KEY_DIGITS}g}"


def _number(name: str, entry: Entry, value: object) -> float:
    unit = entry.figure.unit
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise RuleError(f"{name} is a number [{unit}]; found {value!r}.")
    if value < entry.least or value <= entry.above or value > entry.most:
        low = f"above {entry.above:g}" if entry.above > -math.inf else f"at least {entry.least:g}"
        high = f" and at most {entry.most:g}" if entry.most < math.inf else ""
        raise RuleError(f"{name} is {value:g} {unit}; it must be {low}{high}.")
    return float(value)
