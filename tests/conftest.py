"""What holds for every test: on the build machine a test that is skipped has failed."""

from __future__ import annotations

import os
from collections.abc import Generator
from typing import Any

import pytest


def skips_fail() -> bool:
    """Whether a skip counts as a failure here."""
    return os.environ.get("CI", "").lower() in {"1", "true", "yes"}


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Turn a skip into a failure where skips fail."""
    report = yield
    if report.skipped and skips_fail() and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} was skipped, which fails here: {_reason(call)}"
    return report


def _reason(call: pytest.CallInfo[None]) -> Any:
    return call.excinfo.value if call.excinfo is not None else "no reason given"
