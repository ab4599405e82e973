"""The interface for programs: pages, ETags, what is not there, its description."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from reports.api_document import document
from reports.found import Found
from tests.reports.live_of import Page, page_of


@pytest.fixture(scope="module")
def page(found: Found, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    made = page_of(found, tmp_path_factory.mktemp("api"))
    names = sorted(str(name) for name in found.nodes["node"])
    made.client.app.state.results = ("mark-1", [{"node": name} for name in names])  # type: ignore[attr-defined]  # Starlette's own
    yield made
    made.reader.store.close()


def test_pages_follow_one_another_without_gap(page: Page, found: Found) -> None:
    seen: list[str] = []
    after: str | None = ""
    while after is not None:
        body = page.client.get("/api/v1/nodes", params={"limit": 7, "after": after}).json()
        seen += [one["node"] for one in body["nodes"]]
        after = body["next_after"]
    assert seen == sorted(found.nodes["node"])


def test_same_look_is_not_sent_twice(page: Page) -> None:
    """RFC 9110 §15.4.5: a conditional GET is answered 304 where the tag is the same."""
    tag = page.client.get("/api/v1/report").headers["etag"]
    assert page.client.get("/api/v1/report", headers={"if-none-match": tag}).status_code == 304


@pytest.mark.parametrize("limit", ["0", "-1", "1001", "x", "٣", "1e3", ""])
def test_wrong_limit_is_said(page: Page, limit: str) -> None:
    answer = page.client.get("/api/v1/nodes", params={"limit": limit})
    assert answer.status_code == 400
    assert "expected a whole number" in answer.json()["error"]


def test_number_that_is_none_is_said(page: Page) -> None:
    assert page.client.get("/api/v1/orders", params={"before": ""}).status_code == 400


def test_unknown_node_is_404(page: Page) -> None:
    assert page.client.get("/api/v1/nodes/nobody").status_code == 404


def test_every_described_path_answers(page: Page) -> None:
    paths = document("0.1.0")["paths"]
    answers = {path: page.client.get(path.replace("{node}", "nobody")).status_code for path in paths}
    assert answers.pop("/api/v1/nodes/{node}") == 404
    assert set(answers.values()) == {200}


def test_metrics_name_no_node(page: Page) -> None:
    text = page.client.get("/metrics").text
    assert 'wakeledger_nodes{state="due"}' in text
    assert not any(line.node in text for line in page.reader.model.report.nodes)


def test_ready_only_with_a_database(page: Page, tmp_path: Path) -> None:
    assert page.client.get("/readyz").status_code == 200
    assert page.client.get("/healthz").text == "ok\n"
