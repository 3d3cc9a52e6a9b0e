"""Rule sets are whole, sourced, and changed only in ways that make sense."""

from __future__ import annotations

from typing import Any

import pytest

from planner.errors import RuleError
from planner.model import RuleBook
from planner.rules import CHANGEABLE, RULE_SETS, default_rule_set, entries, load_book

TABLES = (*CHANGEABLE, "services")
US = "us-ten-states"


def changed(table: str = "rules", **changes: Any) -> RuleBook:
    """The US rule set with a table of a project file laid over it."""
    return load_book(US, {table: changes})


def test_both_rule_sets_have_the_same_rules() -> None:
    first, second = (list(entries(rule_set, "rules")) for rule_set in RULE_SETS)
    assert first == second


@pytest.mark.parametrize("table", TABLES)
@pytest.mark.parametrize("rule_set", RULE_SETS)
def test_every_figure_says_what_it_is_and_where_it_comes_from(rule_set: str, table: str) -> None:
    bare = [
        name
        for name, entry in entries(rule_set, table).items()
        if not entry.what or len(entry.figure.source) < len("EN 752")
    ]
    assert bare == []


@pytest.mark.parametrize("rule_set", RULE_SETS)
def test_every_price_is_marked_as_a_placeholder(rule_set: str) -> None:
    sources = {entry.figure.source for entry in entries(rule_set, "costs").values()}
    assert [source for source in sources if "no source" not in source] == []


def test_display_units_choose_the_rule_set() -> None:
    assert [default_rule_set(units) for units in ("us", "metric")] == list(RULE_SETS)


def test_unknown_display_units_are_refused() -> None:
    with pytest.raises(RuleError, match="unknown display units: 'imperial'"):
        default_rule_set("imperial")


def test_an_unknown_rule_set_names_the_nearest() -> None:
    with pytest.raises(RuleError, match="nearest known one is 'eu-metric'"):
        load_book("eu-metrics")


@pytest.mark.parametrize(
    ("table", "name", "nearest"),
    [
        ("rules", "min_covr_m", "min_cover_m"),
        ("equipment", "launch_pit_lenght_m", "launch_pit_length_m"),
        ("costs", "manhole_fix", "manhole_fixed"),
        ("traffic", "taper_shares", "taper_share"),
    ],
)
def test_an_unknown_name_names_the_nearest(table: str, name: str, nearest: str) -> None:
    with pytest.raises(RuleError, match=f"unknown name in .{table}.: '{name}'.*'{nearest}'"):
        changed(table, **{name: 1.0})


def test_a_changed_figure_says_that_the_project_changed_it() -> None:
    source = changed(min_cover_m=1.5).rules["min_cover_m"].source
    assert source.startswith("project file, in place of the rule set's 1.2 (Iowa")


def test_an_unchanged_figure_is_that_of_the_rule_set() -> None:
    assert changed(min_cover_m=1.5).rules["max_depth_m"] == load_book(US).rules["max_depth_m"]


def test_a_table_is_laid_over_the_default() -> None:
    table = changed(min_slope_pct={"200": 0.5}).rules.table("min_slope_pct")
    assert (table["200"], table["250"]) == (0.5, 0.28)


def test_one_number_stands_for_a_whole_table() -> None:
    rules = changed(max_depth_ratio=0.6).rules
    assert {rules.entry("max_depth_ratio", size) for size in ("200", "600")} == {0.6}


def test_the_metric_least_slope_is_one_in_the_nominal_size() -> None:
    table = load_book("eu-metric").rules.table("min_slope_pct")
    assert table["315"] == pytest.approx(100 / 315)


def test_none_takes_a_limit_away() -> None:
    with_limit = changed(max_leg_depth_m=6.0).rules.optional("max_leg_depth_m")
    without = changed(max_leg_depth_m="none").rules.optional("max_leg_depth_m")
    assert (with_limit, without) == (6.0, None)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"min_cover_m": "deep"}, "min_cover_m is a number .m.; found 'deep'"),
        ({"min_cover_m": True}, "min_cover_m is a number"),
        ({"min_cover_m": float("nan")}, "min_cover_m is a number"),
        ({"min_cover_m": -1.0}, "min_cover_m is -1 m; it must be at least 0"),
        ({"min_cover_m": {"200": 1.0}}, "min_cover_m is one number"),
        ({"manning_n": 0.5}, "at least 0.005 and at most 0.05"),
        ({"self_cleansing": "velocty"}, "nearest known one is 'velocity'"),
        ({"self_cleansing": 1.0}, "self_cleansing is a word"),
        ({"min_slope_pct": {"eight": 1.0}}, "a key of min_slope_pct is a number"),
        ({"min_slope_pct": {"200": "x"}}, "min_slope_pct.200 is a number"),
        ({"clearance_m": {"gaz": 1.0}}, "unknown key of clearance_m: 'gaz'.*'gas'"),
        ({"max_leg_length_m": 5.0}, "min_leg_length_m is 12 m and max_leg_length_m is 5 m"),
        ({"min_cover_m": "none"}, "min_cover_m is a number"),
    ],
)
def test_a_value_that_cannot_be_is_refused(change: dict[str, Any], message: str) -> None:
    with pytest.raises(RuleError, match=message):
        changed(**change)


def test_an_unknown_table_is_refused() -> None:
    with pytest.raises(RuleError, match=r"unknown table: 'rule'.*'rules'"):
        load_book(US, {"rule": {}})


def test_a_length_of_zero_is_refused_where_something_must_fit() -> None:
    with pytest.raises(RuleError, match="must be above 0"):
        changed("equipment", launch_pit_length_m=0.0)


def test_prices_are_in_the_currency_of_the_project() -> None:
    assert changed("costs", currency="CAD").costs["test_hole"].unit == "CAD"


def test_each_rule_set_has_its_currency() -> None:
    assert [load_book(s).costs.text("currency") for s in RULE_SETS] == ["USD", "EUR"]


def test_a_series_of_pipes_must_be_known() -> None:
    with pytest.raises(RuleError, match="nearest known one is 'pvc-sdr26'"):
        changed("equipment", pulled_back_pipe="pvc-sdr27")


def test_taking_a_book_twice_gives_the_same() -> None:
    first, second = changed(min_cover_m=2.0), changed(min_cover_m=2.0)
    assert all(dict(getattr(first, t)) == dict(getattr(second, t)) for t in TABLES)
