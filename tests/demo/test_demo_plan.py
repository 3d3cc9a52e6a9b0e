"""The demo plan, made by the command line in a process of its own."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest
from playwright.sync_api import sync_playwright

from tests.demo.command import PROJECT, Run, run
from tests.independent.arithmetic import audit, unreported

FILES = ("plan.gpkg", "plan.json", "map.html", "schedules.xlsx")


def test_the_exit_status_follows_from_the_plan(demo: Run) -> None:
    assert demo.status == (0 if demo.summary["status"] == "ok" else 1), demo.told


def test_every_file_is_there(demo: Run) -> None:
    assert [name for name in FILES if not (demo.directory / name).stat().st_size] == []


def test_standard_output_is_the_summary_and_nothing_else(demo: Run) -> None:
    assert json.loads(demo.printed) == demo.summary


def test_no_warning_and_no_traceback_is_told(demo: Run) -> None:
    assert "Warning" not in demo.told
    assert "Traceback" not in demo.told


def test_the_audit_finds_nothing_that_the_plan_does_not_report(demo: Run) -> None:
    assert unreported(audit(PROJECT, demo.directory), demo.summary) == []


def test_nearly_every_property_is_served(demo: Run) -> None:
    totals = demo.summary["totals"]
    assert 80 <= totals["properties"] <= 150
    assert totals["served"] >= 0.9 * totals["properties"]


def test_inputs_tells_of_every_layer_and_has_a_status_of_its_own() -> None:
    done = run("inputs", str(PROJECT))
    told = done.stdout + done.stderr
    assert done.returncode in {0, 1}, told
    assert all(layer in told for layer in ("streets", "utilities", "properties", "tie_ins"))


def test_a_second_run_gives_the_same_summary(demo: Run, tmp_path: Path) -> None:
    run("plan", str(PROJECT), "--out", str(tmp_path / "again"))
    again = json.loads((tmp_path / "again" / "plan.json").read_text("utf-8"))
    assert {**again, "timings_s": None} == {**demo.summary, "timings_s": None}


@pytest.mark.browser
@pytest.mark.parametrize("size", [(1400, 900), (390, 844)], ids=["desk", "phone"])
def test_the_map_opens_without_a_request_or_a_message(demo: Run, size: tuple[int, int]) -> None:
    page_file = (demo.directory / "map.html").as_uri()
    requests: list[str] = []
    messages: list[str] = []
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=find_browser(), args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": size[0], "height": size[1]})
        page.on("request", lambda request: requests.append(request.url))
        page.on("console", lambda message: messages.append(message.text))
        page.on("pageerror", lambda error: messages.append(str(error)))
        page.goto(page_file)
        page.wait_for_timeout(500)
        wide = page.evaluate("document.documentElement.scrollWidth")
        browser.close()
    assert [url for url in requests if not url.startswith("data:")] == [page_file]
    assert messages == []
    assert wide <= size[0]


def find_browser() -> str:
    found = os.environ.get("PITLINE_CHROMIUM") or shutil.which("chromium")
    if not found:
        pytest.skip("no Chromium on this machine: python3 tests/run.py fetches one")
    return found
