"""The ledger: what was assumed, repaired, doubted, refused and ignored, and that rows balance."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from planner.model import LedgerEntry

KINDS = ("assumed", "repaired", "doubt", "refused", "ignored")


class Source(NamedTuple):
    """A layer of the project, and the file that this part of it comes from."""

    layer: str
    file: str


class Ledger:
    """Collects entries while a project is read; a row's fate follows from its entries.

    A row is ``refused`` or ``ignored`` when an entry of that kind names it (it is then no part of
    the site), else ``repaired`` when an entry says so, else ``used``. So the counts balance by
    construction.
    """

    def __init__(self) -> None:
        self.entries: list[LedgerEntry] = []
        self.read: dict[Source, int] = {}

    def opened(self, source: Source, rows: int) -> None:
        """Record that so many rows were read of a source."""
        self.read[source] = self.read.get(source, 0) + rows

    def note(
        self, source: Source, kind: str, rows: Iterable[int], what: str, column: str = ""
    ) -> None:
        """Add one entry.

        ``rows`` are row numbers from 1, empty when the whole layer is meant, or a mapping from
        them to the numbers that stood there.
        """
        numbers = rows.tolist() if isinstance(rows, np.ndarray) else [int(row) for row in rows]
        self.entries.append(
            LedgerEntry(
                layer=source.layer,
                kind=kind,
                rows=tuple(sorted(set(numbers))),
                what=what,
                column=column,
                file=source.file,
                values=tuple(rows[row] for row in sorted(rows)) if isinstance(rows, dict) else (),
            )
        )

    def counts(self) -> dict[str, dict[str, int]]:
        """Rows read, used, repaired, refused and ignored, by layer."""
        totals: dict[str, dict[str, int]] = {}
        fates = self._fates()
        for source, read in self.read.items():
            layer = totals.setdefault(
                source.layer, dict.fromkeys(("read", "used", "repaired", "refused", "ignored"), 0)
            )
            refused, ignored, repaired = fates.get(source, (set(), set(), set()))
            ignored -= refused
            repaired -= refused | ignored
            layer["read"] += read
            layer["refused"] += len(refused)
            layer["ignored"] += len(ignored)
            layer["repaired"] += len(repaired)
            layer["used"] += read - len(refused) - len(ignored) - len(repaired)
        return totals

    def _fates(self) -> dict[Source, tuple[set[int], set[int], set[int]]]:
        places = {"refused": 0, "ignored": 1, "repaired": 2}
        fates: dict[Source, tuple[set[int], set[int], set[int]]] = {}
        for entry in self.entries:
            if entry.kind in places:
                source = Source(entry.layer, entry.file)
                fate = fates.setdefault(source, (set(), set(), set()))
                fate[places[entry.kind]].update(entry.rows)
        return fates
