"""The pages for users say everything that the code says."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

from planner.inputs.columns import COLUMNS
from planner.inputs.page import TABLES, inputs_page
from planner.inputs.units import UNITS
from planner.rules import RULE_SETS, entries

ROOT = Path(__file__).parents[2]
REFUSING = {"InputError", "refuse", "_refusal"}
SHORTEST = 8  # letters of a fixed part of a message that can be looked for


def fixed_parts(node: ast.expr) -> list[str]:
    """The parts of a text expression that never change."""
    return [
        one.value.strip()
        for one in ast.walk(node)
        if isinstance(one, ast.Constant) and isinstance(one.value, str)
    ]


def said() -> Iterator[tuple[str, str]]:
    """The longest fixed part of every refusal and every ledger entry, and where it stands."""
    for path in sorted((ROOT / "planner" / "inputs").glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            message: ast.expr | None = None
            if isinstance(node, ast.Call) and node.args:
                called = node.func
                name = (
                    called.attr if isinstance(called, ast.Attribute) else getattr(called, "id", "")
                )
                if name in REFUSING:
                    message = node.args[1 if name == "_refusal" else 0]
            elif isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") in {
                "what", "found",
            }:  # fmt: skip
                message = node.value
            if message is None:
                continue
            part = max(fixed_parts(message), key=len, default="")
            if len(part) >= SHORTEST:
                yield part, f"{path.name}:{getattr(node, 'lineno', 0)}"


def flat(text: str) -> str:
    return " ".join(text.split())


def test_the_page_of_inputs_is_up_to_date() -> None:
    """Make it new with: python -m planner.inputs.page > docs/inputs.md"""
    assert (ROOT / "docs" / "inputs.md").read_text(encoding="utf-8") == inputs_page()


@pytest.mark.parametrize(("message", "place"), sorted(set(said())))
def test_every_message_stands_on_the_page_of_errors(message: str, place: str) -> None:
    page = flat((ROOT / "docs" / "errors.md").read_text(encoding="utf-8"))
    assert flat(message) in page, place


def test_the_page_of_inputs_names_every_column_unit_and_key() -> None:
    page = inputs_page()
    names = [column.name for layer in COLUMNS.values() for column in layer]
    names += [key for table in TABLES for rule_set in RULE_SETS for key in entries(rule_set, table)]
    assert all(f"`{name}`" in page for name in (*names, *UNITS))
