"""Text of records in the workbook: it stays a text, whatever it looks like."""

from __future__ import annotations

import re
import zipfile
from dataclasses import replace
from pathlib import Path

import pytest

from planner.model import PLAN_COLUMNS, Plan
from planner.outputs.workbook import write_workbook
from planner.outputs.workbook_text import (
    LONGEST,
    MOST_IN_MARGIN,
    margin_text,
    plain_text,
    units_of,
)
from tests.outputs.payloads import PAYLOADS
from tests.outputs.plan_fixture import CODES, is_text, make_fixture_plan, with_text
from tests.outputs.workbook_reading import SHEETS, read_back, texts

COMMANDS = (
    "=1+1", "+1", "-1+2", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "=cmd|' /c calc'!A0",
    "=HYPERLINK(1)", '=DDE("cmd";"/c calc")', "{=1+1}", "https://www.w3.org", "mailto:a@b.org",
    "file:///etc/passwd", "internal:Pits!A1", "1e5", "0012", "TRUE", "#REF!",
)  # fmt: skip
MARKUP = ("<r></t></si><b></r>", "<r><t>a</t></r>", "_x0041_", "</t></si>", "&amp;", "]]>")


@pytest.fixture(scope="module")
def plan() -> Plan:
    return make_fixture_plan()


@pytest.mark.parametrize("text", [*COMMANDS, *MARKUP, *PAYLOADS])
def test_a_text_stays_a_text_in_every_column(plan: Plan, text: str, tmp_path: Path) -> None:
    spoiled = with_text(plan, text)
    found = read_back(spoiled, tmp_path, formulas=True)
    for sheet, layer in SHEETS.items():
        frame = getattr(spoiled, layer)
        hit = [
            c for c in PLAN_COLUMNS[layer] if is_text(frame[c]) and c not in CODES.get(layer, ())
        ]
        first = [cell.value for cell in found[sheet][5]]
        assert hit
        assert first.count(text.replace("\r", "\n")) == len(hit)


@pytest.mark.parametrize("text", COMMANDS)
def test_nothing_in_the_records_becomes_a_formula_or_a_link(
    plan: Plan, text: str, tmp_path: Path
) -> None:
    found = read_back(with_text(plan, text), tmp_path, formulas=True)
    formulas = [c.value for s in found for row in s for c in row if c.data_type == "f"]
    assert all(re.fullmatch(r"=SUM\([A-Z]+\d+:[A-Z]+\d+\)", str(f)) for f in formulas)
    assert not any(c.hyperlink for s in found for row in s for c in row)
    with zipfile.ZipFile(tmp_path / "s.xlsx") as parts:
        links = [n for n in parts.namelist() if "external" in n.lower() or "connections" in n]
        told = b"".join(parts.read(n) for n in parts.namelist() if n.endswith(".rels"))
    assert links == []
    assert b"External" not in told


def test_a_text_that_begins_like_a_command_is_marked_as_text(plan: Plan, tmp_path: Path) -> None:
    cells = [c for row in read_back(with_text(plan, "=1+1"), tmp_path)["Pits"] for c in row]
    marked = [c.quotePrefix for c in cells if c.value == "=1+1"]
    assert marked
    assert all(marked)


def test_what_is_no_character_is_replaced(plan: Plan, tmp_path: Path) -> None:
    text = "a\x00\udc80\ufffe\u202eb"
    assert "a\ufffd\ufffd\ufffd\ufffdb" in texts(read_back(with_text(plan, text), tmp_path))


@pytest.mark.parametrize("text", ["x" * 40_000, "\N{PILE OF POO}" * 20_000], ids=["x", "pairs"])
def test_what_is_too_long_for_a_cell_is_shortened_and_says_so(
    plan: Plan, text: str, tmp_path: Path
) -> None:
    found = [t for t in texts(read_back(with_text(plan, text), tmp_path)) if isinstance(t, str)]
    longest = max(found, key=units_of)
    assert LONGEST - 1 <= units_of(longest) <= LONGEST
    assert longest.endswith("(shortened)")


def test_what_fits_a_cell_is_whole(plan: Plan, tmp_path: Path) -> None:
    text = "x" * LONGEST
    assert text in texts(read_back(with_text(plan, text), tmp_path))
    assert plain_text(text) == text


@pytest.mark.parametrize(
    "name", ["B&G works", "R&[Picture]", "&Lleft &Rright &P", '&"Arial"&24', "&"]
)
def test_an_ampersand_above_the_page_is_one(plan: Plan, name: str, tmp_path: Path) -> None:
    project = replace(plan.site.project, name=name, vertical_datum=name)
    write_workbook(replace(plan, site=replace(plan.site, project=project)), tmp_path / "s.xlsx")
    with zipfile.ZipFile(tmp_path / "s.xlsx") as parts:
        sheet = parts.read("xl/worksheets/sheet2.xml").decode()
    header = re.search("<oddHeader>(.*?)</oddHeader>", sheet)
    assert header
    shown = header[1].replace("&amp;", "&").replace("&quot;", '"').replace("\u2060", "")
    escaped = name.replace("&", "&&")
    assert shown == f"&L{escaped}&RLevels: {escaped}"


@pytest.mark.parametrize("name", ["&" * 500, "\N{PILE OF POO}" * 500, "x\n" * 500])
def test_a_long_name_is_cut_above_the_page(plan: Plan, name: str, tmp_path: Path) -> None:
    assert units_of(margin_text(name)) <= MOST_IN_MARGIN
    assert margin_text(name).endswith("…")
    project = replace(plan.site.project, name=name, vertical_datum=name)
    found = read_back(replace(plan, site=replace(plan.site, project=project)), tmp_path)
    assert found["Pits"].oddHeader.left.text
