"""A real browser opens the page: nothing is fetched, a phone needs no sideways scroll, axe finds nothing to mend."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from reports.as_html import as_html
from reports.model import ReportModel
from reports.weekly import weekly_pages

pytestmark = pytest.mark.slow
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
AXE = Path(__file__).parent / "vendor/axe.min.js"
ARGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    if CHROMIUM is None:
        pytest.skip("no Chromium here: install the package `chromium` to run the browser checks")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        opened = play.chromium.launch(executable_path=CHROMIUM, args=ARGS)
        yield opened
        opened.close()


@pytest.fixture(scope="module", params=["en", "de"])
def page_file(request: pytest.FixtureRequest, model: ReportModel, tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("page") / "report.html"
    file.write_text(as_html(model, weekly_pages(model, request.param)), encoding="utf-8")
    return file


def test_no_request_leaves_the_page(browser: Any, page_file: Path) -> None:
    page = browser.new_page()
    asked: list[str] = []
    said: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: said.append(message.text))
    page.goto(page_file.as_uri())
    assert [url for url in asked if not url.startswith("data:")] == [page_file.as_uri()]
    assert said == []


@pytest.mark.parametrize("width", [320, 794, 1280])
def test_no_sideways_scroll(browser: Any, page_file: Path, width: int) -> None:
    """WCAG 2.2, success criterion 1.4.10 (reflow): 320 CSS pixels wide without scrolling in two directions."""
    page = browser.new_page(viewport={"width": width, "height": 900})
    page.goto(page_file.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("width", [320, 1280])
def test_axe_finds_no_violation(browser: Any, page_file: Path, width: int) -> None:
    """WCAG 2.2 levels A and AA and best practice, as axe-core 4.14.1 checks them."""
    page = browser.new_context(bypass_csp=True, viewport={"width": width, "height": 900}).new_page()
    page.goto(page_file.as_uri())
    page.evaluate(AXE.read_text(encoding="utf-8"))
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    found = page.evaluate("axe.run()")
    assert [(rule["id"], rule["nodes"][0]["html"][:120]) for rule in found["violations"]] == []


def test_the_page_reads_without_script_and_filters_with_it(browser: Any, page_file: Path, model: ReportModel) -> None:
    silent = browser.new_context(java_script_enabled=False).new_page()
    silent.goto(page_file.as_uri())
    assert silent.locator("h1").is_visible() and not silent.locator(".find").is_visible()
    page = browser.new_page()
    page.goto(page_file.as_uri())
    page.fill("#find-node", model.nodes[0].node)
    assert page.locator(".wall li:visible").count() == 1


def test_a_table_sorts_by_a_click_on_its_head(browser: Any, page_file: Path) -> None:
    """Dates by the calendar, shares by their size, "under 1 %" below 1 %; the second click turns it round."""
    page = browser.new_page()
    page.goto(page_file.as_uri())
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    table = page.locator("section.first details table")
    table.locator("th button").nth(3).click()
    months = (page.locator("html").get_attribute("data-months") or "").split(" ")
    days = [text.replace("\u00a0", " ").split(" ") for text in table.locator("td:nth-child(4)").all_inner_texts()]
    dates = [(int(day[2]), months.index(day[1]), int(day[0].strip("."))) for day in days if len(day) == 3]
    assert len(dates) > 5 and dates == sorted(dates)
    assert table.locator("th").nth(3).get_attribute("aria-sort") == "ascending"
    table.locator("th button").nth(0).click()
    table.locator("th button").nth(0).click()
    names = table.locator("td:nth-child(1)").all_inner_texts()
    assert names == sorted(names, reverse=True)
