"""Writes a plan's schedules as a workbook: numbers as numbers, every text inert."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import xlsxwriter

from planner.model import Plan
from planner.outputs.display import Display
from planner.outputs.workbook_front import write_front
from planner.outputs.workbook_pen import Pen
from planner.outputs.workbook_quantities import cost_of, quantities_of
from planner.outputs.workbook_sheet import write_schedule
from planner.outputs.workbook_tables import tables_of
from planner.outputs.workbook_text import plain_text, shortened

CREATED = dt.datetime(2000, 1, 1)  # noqa: DTZ001  (a stamp of the format: same plan, same bytes)
OPTIONS = {
    "strings_to_numbers": False, "strings_to_formulas": False, "strings_to_urls": False,
    "in_memory": False,
}  # fmt: skip
MOST_IN_TITLE = 250  # UTF-16 units of the file's title


def write_workbook(plan: Plan, path: Path) -> None:
    """Write `schedules.xlsx`.

    Parameters
    ----------
    plan
        The plan.
    path
        The file.

    Raises
    ------
    OSError
        Where it cannot be written.
    """
    project, totals = plan.site.project, plan.summary.get("totals", {})
    show = Display.of(project, str(totals.get("currency", "")))
    title = shortened(plain_text(project.name), MOST_IN_TITLE)
    try:
        with xlsxwriter.Workbook(str(path), OPTIONS) as book:
            book.set_properties({"created": CREATED, "title": title})
            pen = Pen(book, project, show)
            write_front(pen, plan)
            for table in (*tables_of(plan, show), quantities_of(plan, show), cost_of(plan, show)):
                write_schedule(pen, table)
    except xlsxwriter.exceptions.FileCreateError as error:
        raise OSError(
            *(error.args[0].args if isinstance(error.args[0], OSError) else error.args)
        ) from error
