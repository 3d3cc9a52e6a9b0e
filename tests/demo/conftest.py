"""The demo, planned once for all tests that look at its plan."""

from __future__ import annotations

import pytest

from tests.demo.command import PROJECT, Run, run


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Run:
    directory = tmp_path_factory.mktemp("demo") / "out"
    done = run("plan", str(PROJECT), "--out", str(directory), "--json")
    return Run(directory, done.returncode, done.stdout, done.stderr)
