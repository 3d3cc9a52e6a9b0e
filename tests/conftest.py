"""What holds for every test: benchmarks run only when named, and a skip may be a failure."""

from __future__ import annotations

import os
from collections.abc import Generator
from pathlib import Path
from typing import Any

import pytest

BENCHMARKS = Path(__file__).parent / "benchmarks"


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """Leave the benchmarks out of a run that does not name them."""
    named = any("benchmarks" in str(argument) for argument in config.args)
    return True if collection_path == BENCHMARKS and not named else None


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
