"""The page of figures on disk is the one that the data files make."""

from __future__ import annotations

from pathlib import Path

from planner.rules import RULE_SETS, entries, rules_page

PAGE = Path(__file__).parents[2] / "docs" / "rules.md"


def test_the_page_on_disk_is_current() -> None:
    assert PAGE.read_text(encoding="utf-8") == rules_page()


def test_the_page_has_a_row_for_every_rule() -> None:
    rows = {line.split("|")[1].strip() for line in rules_page().splitlines() if "|" in line}
    assert {f"`{name}`" for name in entries(RULE_SETS[0], "rules")} <= rows
