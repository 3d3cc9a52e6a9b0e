"""Every limit, price and machine figure as data: value, unit, source."""

from planner.rules.book import CHANGEABLE, RULE_SETS, default_rule_set, entries, load_book
from planner.rules.lookup import required_clearance, stepped, sum_of_steps
from planner.rules.page import rules_page
from planner.rules.pipes import PipeSize, pipe_sizes, pipe_table, pressure_sizes, series_sizes

__all__ = [
    "CHANGEABLE",
    "RULE_SETS",
    "PipeSize",
    "default_rule_set",
    "entries",
    "load_book",
    "pipe_sizes",
    "pipe_table",
    "pressure_sizes",
    "required_clearance",
    "rules_page",
    "series_sizes",
    "stepped",
    "sum_of_steps",
]
