"""The page: every view for any fleet, and everything that must not get in."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from fleet.errors import SetupError
from fleet.store.for_live import events_of
from fleet.store.setup import read_notes
from reports.found import Found
from reports.serve_access import Role, Token, check_bind, read_tokens
from tests.reports.fleet_of import fleet_of
from tests.reports.live_of import BASE, HOSTILE, Page, page_of

VIEWS = ("/", "/wall", "/advice", "/orders", "/visits", "/intake")
PUSHES = (
    "/push/draft",
    "/push/send",
    "/push/hold",
    "/push/putback",
    "/push/swap",
    "/push/undo",
    "/push/note",
    "/push/withdraw",
)
SECRET = "s" * 32
OWN = {"origin": BASE, "sec-fetch-site": "same-origin"}


@pytest.fixture(scope="module")
def page(found: Found, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    made = page_of(found, tmp_path_factory.mktemp("page"))
    yield made
    made.reader.store.close()


@pytest.fixture(scope="module")
def csrf(page: Page) -> str:
    node_id = page.reader.model.report.nodes[0].node_id
    found = re.search(r'name="csrf" value="([^"]+)"', page.client.get(f"/nodes/{node_id}").text)
    assert found is not None
    return found[1]


@pytest.mark.parametrize("count", [0, 1])
def test_every_view_renders_for_a_small_fleet(count: int, tmp_path: Path) -> None:
    made = page_of(fleet_of(count), tmp_path)
    assert {made.client.get(view).status_code for view in VIEWS} == {200}
    made.reader.store.close()


@pytest.mark.parametrize("view", VIEWS)
def test_view_renders(page: Page, view: str) -> None:
    answer = page.client.get(view)
    assert answer.status_code == 200
    assert answer.text.count("<h1") == 1


def test_every_state_of_node_has_a_page(page: Page) -> None:
    lines = {line.state: line for line in page.reader.model.report.nodes}
    answers = [page.client.get(f"/nodes/{line.node_id}") for line in lines.values()]
    assert [answer.status_code for answer in answers] == [200] * len(lines)
    assert "/nodes/999999" not in answers[0].text


def test_node_that_is_not_there(page: Page) -> None:
    assert page.client.get("/nodes/999999").status_code == 404


def test_due_filters_and_pages(page: Page) -> None:
    line = page.reader.model.report.nodes[0]
    text = page.client.get("/", params={"q": line.node.lower(), "page": "99999999999"}).text
    assert "1 nodes by need" in text


def test_headers_are_strict(page: Page) -> None:
    headers = page.client.get("/").headers
    assert headers["content-security-policy"].startswith("default-src 'none'; script-src 'self'")
    assert headers["x-content-type-options"] == "nosniff"
    assert "unsafe" not in headers["content-security-policy"]


def test_page_carries_no_style_that_the_policy_forbids(page: Page) -> None:
    node_id = page.reader.model.report.nodes[0].node_id
    for path in (*VIEWS, f"/nodes/{node_id}"):
        text = page.client.get(path).text
        assert " style=" not in text
        assert "<style" not in text
        assert not re.search(r"<script(?! src=)", text)


def test_foreign_host_is_refused(page: Page) -> None:
    assert page.client.get("/", headers={"host": "evil.example"}).status_code == 400
    assert page.client.get("/healthz", headers={"host": "evil.example:8737"}).status_code == 400


def test_cookie_is_strict(found: Found, tmp_path: Path) -> None:
    made = page_of(found, tmp_path)
    cookie = made.client.get("/orders").headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    made.reader.store.close()


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"origin": "https://evil.example", "sec-fetch-site": "cross-site"},
        {"origin": BASE, "sec-fetch-site": "same-site"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:9999", "sec-fetch-site": "same-origin"},
    ],
)
def test_push_from_elsewhere_is_refused(page: Page, csrf: str, headers: dict[str, str]) -> None:
    fields = {"csrf": csrf, "node_id": str(page.reader.model.report.nodes[0].node_id), "text": "x"}
    assert page.client.post("/push/note", data=fields, headers=headers).status_code == 403
    assert read_notes(page.reader.store) == []


def test_push_without_the_sessions_token_is_refused(page: Page) -> None:
    fields = {"csrf": "x", "node_id": "1", "text": "x"}
    assert page.client.post("/push/note", data=fields, headers=OWN).status_code == 403


def test_note_and_swap_are_kept_with_who(page: Page, csrf: str) -> None:
    node_id = page.reader.model.report.nodes[0].node_id
    fields = {"csrf": csrf, "node_id": str(node_id)}
    page.client.post("/push/note", data={**fields, "text": HOSTILE}, headers=OWN)
    answer = page.client.post("/push/swap", data={**fields, "note": "two new cells"}, headers=OWN)
    assert answer.headers["location"] == f"/nodes/{node_id}"
    assert [one["told_by"] for one in read_notes(page.reader.store)] == ["anna"]
    told = events_of(page.reader.store, node_id)
    assert [(one["what"], one["note"], one["told_by"]) for one in told] == [("swap", "two new cells", "anna")]
    page.client.post("/push/undo", data={**fields, "event_id": str(told[0]["event_id"])}, headers=OWN)
    assert events_of(page.reader.store, node_id) == []
    assert "<script>alert" not in page.client.get(f"/nodes/{node_id}").text


def test_release_needs_the_number_of_nodes(page: Page, csrf: str) -> None:
    answer = page.client.post("/push/send", data={"csrf": csrf, "count": "3"}, headers=OWN)
    assert answer.status_code == 409
    assert "Nothing was sent" in answer.text


def test_too_large_form_is_refused(page: Page, csrf: str) -> None:
    fields = {"csrf": csrf, "text": "x" * 300_000}
    assert page.client.post("/push/note", data=fields, headers=OWN).status_code == 413


def test_look_only_has_no_push(found: Found, tmp_path: Path) -> None:
    made = page_of(found, tmp_path, look_only=True)
    assert {made.client.post(path, headers=OWN).status_code for path in PUSHES} == {404}
    node_id = made.reader.model.report.nodes[0].node_id
    assert "/push/" not in "".join(made.client.get(path).text for path in (*VIEWS, f"/nodes/{node_id}"))
    made.reader.store.close()


def test_hostile_names_are_text(tmp_path: Path) -> None:
    found = fleet_of(3)
    nodes = found.nodes.copy()
    nodes["node"] = [HOSTILE, "[red]a[/]", "b\x00\u2066"]
    nodes["site"] = "<img src=x onerror=alert(1)>"
    made = page_of(replace(found, nodes=nodes), tmp_path)
    paths = [*VIEWS, *(f"/nodes/{node_id}" for node_id in nodes["node_id"])]
    text = "".join(made.client.get(path).text for path in paths)
    assert "<script>alert" not in text
    assert "<img src=x" not in text
    assert "\u202e" not in text
    assert "[red]a[/]" in text
    made.reader.store.close()


def test_token_opens_the_page_with_its_role(found: Found, tmp_path: Path) -> None:
    made = page_of(found, tmp_path, tokens=[Token(Role.LOOK, "ben", SECRET)])
    assert made.client.get("/").headers["location"] == "/login"
    assert made.client.get("/events").status_code == 401
    assert made.client.get("/api/v1/nodes").status_code == 401
    assert made.client.post("/login", data={"token": SECRET}).status_code == 403  # no origin
    assert made.client.post("/login", data={"token": SECRET}, headers=OWN).headers["location"] == "/"
    text = made.client.get("/orders").text
    assert "ben" in text
    assert "looking only" in text
    made.reader.store.close()


def test_wrong_token_stays_out(found: Found, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("reports.serve.WRONG_TOKEN_WAIT_S", 0.0)
    made = page_of(found, tmp_path, tokens=[Token(Role.PUSH, "ben", SECRET)])
    assert made.client.post("/login", data={"token": "x" * 32}, headers=OWN).status_code == 403
    assert made.client.get("/").status_code == 303
    made.reader.store.close()


def test_token_file_open_to_others_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "tokens"
    path.write_text(f"push anna {SECRET}\n")
    path.chmod(0o644)
    with pytest.raises(SetupError, match="expected mode 0600"):
        read_tokens(path)
    path.chmod(0o600)
    assert read_tokens(path) == (Token(Role.PUSH, "anna", SECRET),)


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.7", "van.example"])
def test_address_that_others_reach_needs_a_guard(host: str) -> None:
    with pytest.raises(SetupError, match="others can reach it"):
        check_bind(host, tokens=False, proxy=False)
    check_bind(host, tokens=True, proxy=False)
