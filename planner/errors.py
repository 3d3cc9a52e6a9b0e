"""The errors a caller can meet, drawn as a tree.

PlannerError
├── InputError   a file, layer, row or column cannot be used
├── RuleError    a rule, price or machine figure is unknown or out of range
├── NoPlanError  no plan exists, or none could be found
└── OutputError  the results cannot be written
"""

from __future__ import annotations


class PlannerError(Exception):
    """Root of all errors that `planner` raises on purpose."""


class InputError(PlannerError):
    """An input that cannot be used.

    Parameters
    ----------
    found
        What was found, with its unit.
    remedy
        What the user can do about it.
    file, layer, row, column
        Where it was found; `None` where that does not apply.
    """

    def __init__(
        self,
        found: str,
        remedy: str,
        *,
        file: str | None = None,
        layer: str | None = None,
        row: int | str | None = None,
        column: str | None = None,
    ) -> None:
        self.found = found
        self.remedy = remedy
        self.file = file
        self.layer = layer
        self.row = row
        self.column = column
        places = (("file", file), ("layer", layer), ("row", row), ("column", column))
        where = ", ".join(f"{name} {value}" for name, value in places if value is not None)
        super().__init__(f"{where}: {found}. {remedy}" if where else f"{found}. {remedy}")


class RuleError(PlannerError):
    """A rule, price or machine figure that is unknown, or has a value that cannot be."""


class NoPlanError(PlannerError):
    """No plan exists for the site; the message says what stands in the way."""


class OutputError(PlannerError):
    """The results cannot be written; what was there before is left whole."""
