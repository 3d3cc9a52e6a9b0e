"""How figures out of a plan's summary are worded."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

MOST = 4  # names that a sentence lists


def measured(value: Any, unit: object = "") -> str:
    """A figure with its unit, as far as it is one.

    Examples
    --------
    >>> measured(0.4, "%"), measured(0.5, "1"), measured(None), measured({"gas": 0.9}, "m")
    ('0.4 %', '0.5', 'not set', 'gas 0.9 m')
    """
    if value is None:
        return "not set"
    if isinstance(value, dict):
        return ", ".join(f"{key} {measured(one, unit)}" for key, one in value.items())
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return str(value)
    text = f"{value:.6f}".rstrip("0").rstrip(".")
    return text if unit == "1" else f"{text} {unit or ''}".rstrip()


def some(names: Sequence[str], most: int = MOST) -> str:
    """Names in a row, the rest counted."""
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more
