"""How things that were found are worded in a message: safe to print, short, with a neighbour."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence

LONGEST = 60  # characters of a found value that are shown


def shown(value: object) -> str:
    r"""A found value as it may be printed: no control characters, cut when long.

    Examples
    --------
    >>> shown("a\x1b[31mb"), shown(3.5)
    ('"a\\x1b[31mb"', '3.5')
    """
    if isinstance(value, str):
        text = printable(value[: LONGEST + 1])
        return f'"{text[:LONGEST]}…"' if len(text) > LONGEST else f'"{text}"'
    text = printable(value)
    return text if len(text) <= LONGEST else text[:LONGEST] + "…"


def printable(text: object) -> str:
    r"""Text with every character that does not print written as an escape.

    Examples
    --------
    >>> printable("a\x1b[31m.gpkg")
    'a\\x1b[31m.gpkg'
    """
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in str(text))


def plain(value: object) -> str:
    """As `shown`, without the quotation marks."""
    return shown(str(value))[1:-1]


def nearest(name: str, known: Iterable[str]) -> str:
    """The known name most like a given one.

    Examples
    --------
    >>> nearest("street", ("streets", "zones"))
    'streets'
    """
    names = {one.lower(): one for one in sorted(known, reverse=True)}
    close = difflib.get_close_matches(name.lower(), list(names), n=1, cutoff=0.0)
    return names[close[0]] if close else next(iter(names.values()))


def alike(name: str, known: Iterable[str]) -> str:
    """The known name that a given one is probably meant to be; "" where there is none."""
    close = difflib.get_close_matches(name.lower(), sorted(known), n=1, cutoff=0.82)
    return close[0] if close else ""


def listed(names: Iterable[object], most: int = 12) -> str:
    """Names in a row, the rest counted."""
    every = [plain(name) for name in names]
    rest = f" and {len(every) - most} more" if len(every) > most else ""
    return ", ".join(every[:most]) + rest


def rows_listed(rows: Sequence[int], most: int = 10) -> str:
    """Row numbers in words: "row 3", "rows 3, 5, 8 and 4 more"."""
    return f"{'row' if len(rows) == 1 else 'rows'} {listed(rows, most)}"
