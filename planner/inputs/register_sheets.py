"""Reads what people wrote beside conflicts into the sheets of an earlier plan's workbook."""

from __future__ import annotations

import datetime as dt
import warnings
from pathlib import Path
from typing import Any

import openpyxl

from planner.errors import InputError
from planner.inputs.words import plain, printable, shown

SHEETS = {"conflicts": "Conflicts", "superseded": "Superseded"}
HEAD = "Conflict"  # first cell of the row of heads
WRITTEN = {"Status": "status", "Responsible": "responsible", "Note": "note"}
MOST_ABOVE = 20  # rows above the heads
LONGEST = 32_000  # characters of a text that a sheet holds in full
AWAY = "Mend it, move it away, or say --register none to begin a new register"

Words = dict[str, str]
"""What stands in each column of `WRITTEN`."""
Written = dict[str, Words]
"""Words by the number of the conflict."""


def unreadable(
    path: Path, error: object, layer: str | None = None, row: int | str | None = None
) -> InputError:
    """The refusal of a register that cannot be gone on with."""
    return InputError(
        f"the register of the earlier plan cannot be read ({plain(str(error))})", AWAY,
        file=printable(path), layer=layer, row=row,
    )  # fmt: skip


def read_sheets(path: Path) -> Written:
    """What people wrote beside each conflict.

    Parameters
    ----------
    path
        The workbook; a sheet `Superseded` may lack.

    Raises
    ------
    InputError
        It cannot be read, has no sheet `Conflicts`, a sheet has no row of heads, or a conflict
        stands there twice with different words.
    """
    try:
        rows = _rows(path)
    except Exception as error:  # noqa: BLE001  (a broken workbook may raise anything)
        raise unreadable(path, error) from None
    if SHEETS["conflicts"] not in rows:
        raise unreadable(path, f"it has no sheet {SHEETS['conflicts']}")
    found: Written = {}
    for sheet, cells in rows.items():
        for number, name, said in _of_sheet(path, sheet, cells):
            if found.setdefault(name, said) != said:
                what = f"conflict {shown(name)} stands twice, with different words"
                raise unreadable(path, what, sheet, number)
    return found


def _rows(path: Path) -> dict[str, list[list[str]]]:
    """Cells of the sheets of the register as texts; a formula as it was written."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        book = openpyxl.load_workbook(path, read_only=True, data_only=False)
        found = {}
        for name in SHEETS.values():
            if name in book.sheetnames:
                book[name].reset_dimensions()  # what a file says of its extent may be wrong
                rows = book[name].iter_rows(values_only=True)
                found[name] = [[_text(cell) for cell in row] for row in rows]
        book.close()
    return found


def _text(cell: Any) -> str:
    """A cell as a person reads it.

    Examples
    --------
    >>> _text(None), _text(3.0), _text(dt.datetime(2026, 6, 2))
    ('', '3', '2026-06-02')
    """
    if cell is None:
        return ""
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    if isinstance(cell, dt.datetime) and cell.time() == dt.time():
        return cell.date().isoformat()
    return str(cell).strip()


def _of_sheet(path: Path, sheet: str, rows: list[list[str]]) -> list[tuple[int, str, Words]]:
    """Row, number and words of each conflict of a sheet."""
    top = next((k for k, cells in enumerate(rows[: MOST_ABOVE + 1]) if cells[:1] == [HEAD]), None)
    if top is None:
        raise unreadable(path, f"it has no row of heads that begins with {HEAD}", sheet)
    for head in WRITTEN:
        if rows[top].count(head) != 1:
            times = "more than one" if head in rows[top] else "no"
            raise unreadable(path, f"it has {times} column {head}", sheet)
    found = []
    for number, cells in enumerate(rows[top + 1 :], start=top + 2):
        said = dict(zip(rows[top], cells, strict=False))
        words = {column: said.get(head, "") for head, column in WRITTEN.items()}
        if any(len(text) > LONGEST for text in words.values()):
            what = f"it has a text of more than {LONGEST} characters"
            raise unreadable(path, what, sheet, number)
        if cells and cells[0]:
            found.append((number, cells[0], words))
    return found
