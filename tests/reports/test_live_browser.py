"""A real browser before the live page: every view in both themes and widths, live update, keys, zoom."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import pytest
import uvicorn

from fleet.clock import now_s
from reports.found import Found
from reports.live import by_need
from tests.reports import test_browser
from tests.reports.live_of import FoundReader, page_of

pytestmark = pytest.mark.slow
browser = test_browser.browser
VIEWS = ("/", "/wall", "/advice", "/orders", "/visits", "/intake", "/nodes/1", "/nodes/3", "/nodes/5")


@dataclass(frozen=True)
class Served:
    """A page on a port of its own."""

    url: str
    reader: FoundReader


@pytest.fixture(scope="module")
def served(found: Found, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    made = page_of(found, tmp_path_factory.mktemp("browser"))
    server = uvicorn.Server(uvicorn.Config(made.client.app, log_level="error", timeout_graceful_shutdown=1))
    listening = socket.socket()
    listening.bind(("127.0.0.1", 0))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    yield Served(f"http://127.0.0.1:{listening.getsockname()[1]}", made.reader)
    server.should_exit = True
    thread.join(10)
    listening.close()
    made.reader.store.close()


@pytest.mark.parametrize("width", [320, 1280])
def test_every_view_asks_only_its_host_and_does_not_scroll_sideways(browser: Any, served: Served, width: int) -> None:
    """WCAG 2.2, success criterion 1.4.10 (reflow): 320 CSS pixels wide without scrolling in two directions."""
    page = browser.new_page(viewport={"width": width, "height": 900})
    asked: list[str] = []
    said: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: said.append(message.text))
    for view in VIEWS:
        page.goto(served.url + view)
        assert page.evaluate("() => document.documentElement.scrollWidth") <= width, view
    assert [url for url in asked if not url.startswith((served.url, "data:"))] == []
    assert said == []


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("width", [320, 1280])
def test_axe_finds_no_violation(browser: Any, served: Served, theme: str, width: int) -> None:
    """WCAG 2.2 levels A and AA and best practice, as axe-core 4.14.1 checks them."""
    context = browser.new_context(bypass_csp=True, color_scheme=theme, viewport={"width": width, "height": 900})
    page = context.new_page()
    found = []
    for view in VIEWS:
        page.goto(served.url + view)
        page.evaluate(test_browser.AXE.read_text(encoding="utf-8"))
        told = page.evaluate("() => axe.run()")
        found += [(view, rule["id"], rule["nodes"][0]["html"][:160]) for rule in told["violations"]]
    assert found == []


def test_a_wake_shows_without_loading_the_page_again(browser: Any, served: Served) -> None:
    page = browser.new_page()
    page.goto(served.url)
    page.get_by_text("Live link: up").wait_for()
    page.wait_for_timeout(1200)  # the watcher has to have looked once
    model = served.reader.model
    line = by_need(model)[0]
    now = {**model.now, line.node_id: replace(model.now[line.node_id], heard=now_s() - 3.0)}
    served.reader.model = replace(model, now=now, mark="mark-2")
    cell = page.locator(f'[data-node="{line.node_id}"]')
    page.get_by_text("1 node heard since").wait_for(timeout=3000)
    assert cell.inner_text().endswith(" s")


def test_keys_move_filter_and_change_view(browser: Any, served: Served) -> None:
    page = browser.new_page()
    page.goto(served.url)
    page.keyboard.press("j")
    page.keyboard.press("j")
    second = by_need(served.reader.model)[1]
    assert page.evaluate("() => document.activeElement.textContent") == second.node
    page.keyboard.press("/")
    assert page.evaluate("() => document.activeElement.id") == "filter"
    page.keyboard.press("Escape")
    page.keyboard.press("2")
    page.wait_for_url("**/wall")


def test_zoom_works_with_and_without_script(browser: Any, served: Served) -> None:
    for script in (True, False):
        page = browser.new_context(java_script_enabled=script).new_page()
        page.goto(f"{served.url}/nodes/1")
        page.get_by_role("link", name="1 year").click()
        page.wait_for_url("**since=*")
        page.locator("#zoomed p").first.wait_for()
