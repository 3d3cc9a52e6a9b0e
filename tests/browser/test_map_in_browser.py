"""The map in a real browser: no request, no message, hands and keys work, hostile text is inert."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from playwright.sync_api import Browser, Dialog, Page, sync_playwright

from planner.outputs.map import draw_map
from tests.outputs.payloads import PAYLOADS
from tests.outputs.plan_fixture import make_fixture_plan, with_text

pytestmark = pytest.mark.browser
WIDE, PHONE = {"width": 1400, "height": 900}, {"width": 390, "height": 844}


class Opened(NamedTuple):
    """An open page, and all that it asked for or complained of."""

    page: Page
    requests: list[str]
    messages: list[str]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None and not os.environ.get("CI"):
        pytest.skip("no chromium on this machine; where CI is set this is a failure")
    assert chromium is not None, "chromium is needed: apt-get install chromium"
    with sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def map_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_page(tmp_path_factory.mktemp("map"), draw_map(make_fixture_plan()))


def write_page(folder: Path, text: str) -> Path:
    file = folder / "map.html"
    file.write_text(text, encoding="utf-8")
    return file


def open_map(browser: Browser, file: Path, size: dict[str, int] | None = None) -> Opened:
    page = browser.new_page(viewport=size or WIDE)
    opened = Opened(page, [], [])

    def refuse(dialog: Dialog) -> None:
        opened.messages.append(dialog.message)
        dialog.dismiss()

    page.on("request", lambda request: opened.requests.append(request.url))
    page.on("console", lambda message: opened.messages.append(message.text))
    page.on("pageerror", lambda error: opened.messages.append(str(error)))
    page.on("dialog", refuse)
    page.goto(file.as_uri())
    page.wait_for_selector(".labels text")
    return opened


def is_quiet(opened: Opened) -> bool:
    outside = [url for url in opened.requests[1:] if not url.startswith("data:")]
    return not outside and not opened.messages


def find(page: Page, text: str) -> None:
    page.fill("#search-text", text)
    page.press("#search-text", "Enter")


def switch(page: Page, name: str) -> Any:
    return page.locator(f'input[data-switch="{name}"]')


@pytest.mark.parametrize("size", [WIDE, PHONE])
def test_the_page_asks_for_nothing_and_says_nothing(
    browser: Browser, map_file: Path, size: dict[str, int]
) -> None:
    opened = open_map(browser, map_file, size)
    opened.page.mouse.move(200, 400)
    opened.page.click("#overview-button")
    opened.page.press("body", "Escape")
    opened.page.evaluate("void map_plan.setZoom(19, {animate: false})")
    opened.page.wait_for_timeout(200)
    assert is_quiet(opened), opened[1:]
    opened.page.close()


@pytest.mark.parametrize("size", [WIDE, PHONE])
def test_the_caution_the_scale_and_north_are_in_sight(
    browser: Browser, map_file: Path, size: dict[str, int]
) -> None:
    page = open_map(browser, map_file, size).page
    for name in ("#caution", ".leaflet-control-scale-line", "#north"):
        place = page.locator(name).first.bounding_box()
        assert place is not None
        assert place["y"] + place["height"] <= size["height"]
    assert "permission to dig" in page.inner_text("#caution")
    assert page.evaluate("document.documentElement.scrollWidth") == size["width"]
    page.close()


def test_the_entry_of_the_legend_is_the_switch(browser: Browser, map_file: Path) -> None:
    page = open_map(browser, map_file).page
    legs = page.locator(".leaflet-leg-pane path[role=button]")
    assert legs.count() == 4
    switch(page, "leg").uncheck()
    assert legs.count() == 0
    switch(page, "leg").check()
    assert legs.count() == 4
    page.close()


def test_a_service_is_shown_when_both_its_kind_and_its_quality_are(
    browser: Browser, map_file: Path
) -> None:
    page = open_map(browser, map_file).page
    services = page.locator(".leaflet-service-pane path.leaflet-interactive")
    everything = services.count()
    switch(page, "quality-D").uncheck()
    without_records = services.count()
    switch(page, "service-gas").uncheck()
    assert everything > without_records == services.count()
    page.close()


def test_a_click_on_a_leg_tells_what_it_is_and_what_binds_it(
    browser: Browser, map_file: Path
) -> None:
    page = open_map(browser, map_file).page
    page.evaluate("void map_plan.setZoom(18, {animate: false})")
    place = page.locator(".leaflet-leg-pane path[role=button]").nth(1).bounding_box()
    assert place is not None
    page.mouse.click(place["x"] + place["width"] * 0.35, place["y"] + place["height"] * 0.65)
    told = page.inner_text("#column")
    assert "Leg" in told
    assert "Fixed by: the slope limit" in told
    assert "Invert, upper end" in told
    page.close()


def test_a_click_beside_everything_closes_the_column(browser: Browser, map_file: Path) -> None:
    page = open_map(browser, map_file).page
    find(page, "P1")
    assert page.is_visible("#column")
    page.mouse.click(300, 120)
    assert page.is_hidden("#column")
    page.close()


@pytest.mark.parametrize(
    ("typed", "noun", "name"),
    [
        ("l2", "Leg", "L2"),
        ("P3", "Pit", "P3"),
        ("h12", "Property", "H12"),
        ("tannery", "Street", "Tannery Road"),
        ("e9", "Service", "E9"),
        ("mh 12", "Tie-in", "MH 12"),
    ],
)
def test_search_finds_and_shows(
    browser: Browser, map_file: Path, typed: str, noun: str, name: str
) -> None:
    page = open_map(browser, map_file).page
    before = page.evaluate("map_plan.getZoom()")
    find(page, typed)
    assert page.inner_text("#column h2") == f"{noun}{name}"
    assert page.evaluate("map_plan.getZoom()") >= min(before, 19.5) or noun == "Street"
    page.close()


def test_search_switches_on_what_it_finds(browser: Browser, map_file: Path) -> None:
    page = open_map(browser, map_file).page
    switch(page, "pit-launch").uncheck()
    find(page, "P1")
    assert switch(page, "pit-launch").is_checked()
    page.close()


def test_the_keyboard_alone_opens_and_closes_details(browser: Browser, map_file: Path) -> None:
    page = open_map(browser, map_file).page
    leg = page.locator('.leaflet-leg-pane path[aria-label^="Leg L3"]')
    leg.focus()
    page.keyboard.press("Enter")
    assert page.inner_text("#column h2") == "LegL3"
    page.keyboard.press("Escape")
    assert page.is_hidden("#column")
    assert page.evaluate("document.activeElement.getAttribute('aria-label')").startswith("Leg L3")
    page.close()


def test_links_lead_from_a_leg_to_its_pit_and_back(browser: Browser, map_file: Path) -> None:
    page = open_map(browser, map_file).page
    find(page, "L2")
    page.locator("#column button.link", has_text="P2").first.click()
    assert page.inner_text("#column h2") == "PitP2"
    page.locator("#column button.link", has_text="L2").first.click()
    assert page.inner_text("#column h2") == "LegL2"
    page.close()


def test_the_overview_says_what_breaks_a_rule_and_who_is_not_served(
    browser: Browser, map_file: Path
) -> None:
    page = open_map(browser, map_file).page
    page.click("#overview-button")
    told = page.inner_text("#column")
    for words in ("Something breaks a rule.", "10 of 14", "Properties not served", "H11"):
        assert words in told
    page.close()


def test_labels_do_not_lie_on_each_other(browser: Browser, map_file: Path) -> None:
    page = open_map(browser, map_file).page
    page.evaluate("void map_plan.setZoom(18.5, {animate: false})")
    overlaps = page.evaluate(OVERLAPS)
    assert overlaps["count"] > 10
    assert overlaps["pairs"] == []
    page.close()


OVERLAPS = """() => {
  const level = [...document.querySelectorAll(".labels text:not(.in-mark)")]
    .filter((text) => !text.getAttribute("transform").includes("rotate"))
    .map((text) => [text.textContent, text.getBoundingClientRect()]);
  const all = document.querySelectorAll(".labels text").length;
  const pairs = [];
  level.forEach(([name, a], place) => level.slice(place + 1).forEach(([other, b]) => {
    const apart = a.right <= b.left || b.right <= a.left || a.bottom <= b.top || b.bottom <= a.top;
    if (!apart) pairs.push([name, other]);
  }));
  return { count: all, pairs: pairs };
}"""


@pytest.mark.parametrize("payload", PAYLOADS)
def test_hostile_text_is_shown_as_it_is_and_does_nothing(
    browser: Browser, tmp_path: Path, payload: str
) -> None:
    opened = open_map(
        browser, write_page(tmp_path, draw_map(with_text(make_fixture_plan(), payload)))
    )
    page = opened.page
    assert page.text_content("#project-name") == payload
    told = page.evaluate(CHOOSE_EACH)
    assert len(told) >= 16
    for noun, (written, shown) in told.items():
        assert payload in shown, noun
        assert [text for text in written if text not in shown] == [], noun
    page.click("#overview-button")
    assert payload in (page.text_content("#column") or "")
    assert page.evaluate("document.querySelectorAll('img[src=x]').length") == 0
    assert is_quiet(opened), opened[1:]
    page.close()


CHOOSE_EACH = """() => {
  const text = document.getElementById("search-text");
  const column = document.getElementById("column");
  const layers = JSON.parse(document.getElementById("data-layers").textContent);
  const told = {};
  layers.filter((layer) => layer.noun && layer.id !== "ledger").forEach((layer) => {
    const feature = layer.sets[0].features[0];
    text.value = layer.noun.toLowerCase() + " " + feature.id;
    text.dispatchEvent(new Event("input"));
    text.dispatchEvent(new KeyboardEvent("keydown", { key: "Enter" }));
    const shown = [...column.querySelectorAll("dd")].map((element) => element.textContent);
    const title = column.querySelector("h2").lastChild.textContent;
    told[layer.noun] = [feature.values.filter(Boolean), [title, ...shown]];
  });
  return told;
}"""
