"""Reads what a project settles beforehand, and refuses names that its layers do not have."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import geopandas as gpd

from planner.errors import InputError
from planner.inputs.project_file import LayoutTable
from planner.inputs.words import nearest, plain, printable, shown
from planner.model import FixedChoices

POINT = 2  # numbers of a point


def read_fixed(
    table: LayoutTable, streets: gpd.GeoDataFrame, tie_ins: gpd.GeoDataFrame, path: Path
) -> FixedChoices:
    """What a project settles beforehand.

    Parameters
    ----------
    table
        The table ``[layout]``.
    streets, tie_ins
        The layers, as they were read.
    path
        The project file, for messages.

    Raises
    ------
    InputError
        A street or tie-in that is named is not in its layer, or is both asked for and forbidden.
    """
    names = set(streets["street"].astype(str))
    ids = set(tie_ins["tie_in_id"].astype(str))
    for key in ("carry", "forbid", "flow"):
        _require(key, getattr(table, key), names, "street", path)
    for key in ("tie_ins", "no_tie_ins"):
        _require(key, getattr(table, key), ids, "tie-in", path)
    for one, other in (("carry", "forbid"), ("tie_ins", "no_tie_ins")):
        both = sorted(set(getattr(table, one)) & set(getattr(table, other)))
        if both:
            raise InputError(
                f"{shown(both[0])} stands in [layout] under {one} and under {other}",
                "Take it out of one of them", file=printable(path),
            )  # fmt: skip
    for pit in table.pits:
        if len(pit) != POINT:
            raise InputError(
                f"[layout] pits holds {shown(pit)}, which is no point",
                "Give each pit as [x, y] in the CRS of the project", file=printable(path),
            )  # fmt: skip
    return FixedChoices(
        tuple(sorted(set(table.carry))), tuple(sorted(set(table.forbid))),
        tuple(sorted((name, way == "as drawn") for name, way in table.flow.items())),
        tuple(sorted(set(table.tie_ins))), tuple(sorted(set(table.no_tie_ins))),
        tuple((float(x), float(y)) for x, y in table.pits),
    )  # fmt: skip


def _require(key: str, wanted: Iterable[str], known: set[str], what: str, path: Path) -> None:
    for name in wanted:
        if name not in known:
            alike = plain(nearest(name, sorted(known)))
            raise InputError(
                f"[layout] {key} names the {what} {shown(name)}, which its layer does not have",
                f'The nearest name there is "{alike}"', file=printable(path),
            )  # fmt: skip
