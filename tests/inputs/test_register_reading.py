"""Reading an earlier register: what cannot be gone on with is refused, with what to do about it."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path
from typing import Any

import geopandas as gpd
import openpyxl
import pytest
from shapely import LineString, Point

import planner
from planner.errors import InputError
from planner.model import Register
from tests.register_folder import frame_of, row_of

CRS = "EPSG:26915"
TOP = ("Conflict", "Status", "Responsible", "Note")
Cells = tuple[tuple[object, ...], ...]


def folder(
    path: Path, *rows: dict[str, Any], crs: str | None = CRS, sheet: Cells | None = None
) -> Path:
    """A folder with conflicts in a layer and, if given, cells in a sheet below two rows of text."""
    path.mkdir(exist_ok=True)
    frame = frame_of(*rows).drop(columns=["why", "superseded_by"])
    frame.set_crs(crs).to_file(path / "plan.gpkg", layer="conflicts")
    if sheet is not None:
        book = openpyxl.Workbook()
        book.active.title = "Conflicts"
        for cells in (("Conflicts of a place",), (), *sheet):
            book.active.append(cells)
        book.save(path / "schedules.xlsx")
    return path


def read(path: Path) -> Register:
    found = planner.read_register(path)
    assert found is not None
    return found


def test_a_folder_without_a_plan_holds_no_register(tmp_path: Path) -> None:
    assert planner.read_register(tmp_path) is None


def test_status_responsible_and_note_come_from_the_sheet(tmp_path: Path) -> None:
    sheet = (TOP, ("C2", "resolved", "Ann", "moved by its owner"))
    rows = row_of("C1", 0.0, status="open", note="kept"), row_of("C2", 9.0, status="open")
    found = read(folder(tmp_path, *rows, sheet=sheet)).conflicts.set_index("conflict_id")
    assert found["status"].to_dict() == {"C1": "open", "C2": "resolved"}
    assert found["note"].to_dict() == {"C1": "kept", "C2": "moved by its owner"}


def test_columns_in_another_order_are_read_by_their_heads(tmp_path: Path) -> None:
    sheet = (("Conflict", "Note", "Mine", "Status", "Responsible"), ("C1", "n", "?", "s", "r"))
    row = read(folder(tmp_path, row_of("C1", 0.0), sheet=sheet)).conflicts.iloc[0]
    assert (row["status"], row["responsible"], row["note"]) == ("s", "r", "n")


@pytest.mark.parametrize(
    ("cell", "text"),
    [(dt.datetime(2026, 6, 2), "2026-06-02"), (5, "5"), (5.0, "5"), (2.5, "2.5"),  # noqa: DTZ001
     (True, "True"), (" padded ", "padded"), ("=A1&B1", "=A1&B1"), (None, "")],
)  # fmt: skip
def test_a_cell_that_is_no_text_is_read_as_a_person_reads_it(
    cell: object, text: str, tmp_path: Path
) -> None:
    sheet = (TOP, ("C1", "open", "", cell))
    assert read(folder(tmp_path, row_of("C1", 0.0), sheet=sheet)).conflicts["note"].iloc[0] == text


def test_a_remark_below_the_table_is_no_conflict(tmp_path: Path) -> None:
    sheet = (TOP, ("C1", "open", "", ""), (), ("Sum", None, None, None), ("Seen by Ann",))
    assert len(read(folder(tmp_path, row_of("C1", 0.0), sheet=sheet)).conflicts) == 1


def test_characters_that_no_sheet_holds_are_read_as_the_sheet_would_hold_them(
    tmp_path: Path,
) -> None:
    found = read(folder(tmp_path, row_of("C1", 0.0, note=" bell\x07 "))).conflicts
    assert found["note"].iloc[0] == "bell\ufffd"


TWICE = (TOP, ("C1", "open", "", ""), ("C1", "resolved", "", ""))
REFUSALS: dict[str, tuple[dict[str, Any], Cells | None, str]] = {
    "number_missing": ({"conflict_id": ""}, None, r"layer conflicts, row 1: .*without a number"),
    "no_such_conflict": ({}, (TOP, ("C9", "open", "", "")), r"\"C9\", which plan.gpkg does not"),
    "two_opinions": ({}, TWICE, r"layer Conflicts, row 5: .*\"C1\" stands twice"),
    "no_heads": ({}, (("Number", "Status"),), "no row of heads that begins with Conflict"),
    "no_note": ({}, (TOP[:3], ("C1", "open", "")), "no column Note"),
    "two_notes": ({}, ((*TOP, "Note"),), "more than one column Note"),
    "long_text": ({}, (TOP, ("C1", "", "", "x" * 32_500)), "more than 32000 characters"),
    "long_layer": ({"note": "x" * 40_000}, None, "more than 32000 characters"),
}


@pytest.mark.parametrize("case", REFUSALS.values(), ids=REFUSALS)
def test_what_is_not_clear_is_refused_with_a_remedy(
    case: tuple[dict[str, Any], Cells | None, str], tmp_path: Path
) -> None:
    change, sheet, message = case
    made = folder(tmp_path / "earlier", row_of("C1", 0.0) | change, sheet=sheet)
    with pytest.raises(InputError, match=message) as error:
        planner.read_register(made)
    assert "--register none" in str(error.value)
    assert re.search(r"file .*(plan\.gpkg|schedules\.xlsx)", str(error.value))


@pytest.mark.parametrize("shape", [None, Point(), LineString([(0, 0), (1, 1)])])
def test_a_conflict_without_a_point_is_refused(shape: object, tmp_path: Path) -> None:
    rows = row_of("C1", 0.0), row_of("C2", 0.0) | {"geometry": shape}
    with pytest.raises(InputError, match=r'row 2: .*"C2" has no point'):
        planner.read_register(folder(tmp_path, *rows))


def test_a_number_that_stands_in_both_layers_is_refused(tmp_path: Path) -> None:
    made = folder(tmp_path, row_of("C1", 0.0))
    frame_of(row_of("C1", 50.0, why="gone")).set_crs(CRS).to_file(
        made / "plan.gpkg", layer="superseded"
    )
    with pytest.raises(InputError, match='"C1" stands twice'):
        planner.read_register(made)


def test_a_plan_without_the_layer_is_refused(tmp_path: Path) -> None:
    gpd.GeoDataFrame({"a": [1]}, geometry=[Point(0, 0)], crs=CRS).to_file(
        tmp_path / "plan.gpkg", layer="pits"
    )
    with pytest.raises(InputError, match="layer conflicts"):
        planner.read_register(tmp_path)


@pytest.mark.filterwarnings("ignore:'crs' was not provided")
def test_a_layer_without_a_crs_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="CRS"):
        planner.read_register(folder(tmp_path, row_of("C1", 0.0), crs=None))


def test_an_empty_register_is_one(tmp_path: Path) -> None:
    assert read(folder(tmp_path, sheet=(TOP, ("None in this plan.",)))).conflicts.empty
