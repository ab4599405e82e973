"""Alerts: once a change, quiet hours, the signature, addresses that must not be reached, delivery to a real server."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from http.server import BaseHTTPRequestHandler, HTTPServer

import pytest

from fleet.errors import ReportError, SetupError
from reports.alerts import changes, is_quiet, message, signature, told_state
from reports.alerts_send import post, safe_address
from reports.model import ReportModel


def test_each_change_is_told_once(model: ReportModel) -> None:
    first = changes(model, {})
    assert {one["now"] for one in first} <= {"due", "silent"}
    assert changes(model, {line.node: told_state(line) for line in model.nodes}) == []


def test_leaving_due_is_the_all_clear(model: ReportModel) -> None:
    line = next(line for line in model.nodes if told_state(line) == "holds")
    told = {one.node: told_state(one) for one in model.nodes} | {line.node: "due"}
    assert [(one["node"], one["all_clear"]) for one in changes(model, told)] == [(line.node, True)]


def test_same_changes_have_the_same_number(model: ReportModel) -> None:
    assert message(model, changes(model, {}))[0] == message(model, changes(model, {}))[0]


def test_signature_is_hmac_sha256() -> None:
    """Source: OpenSSL 3, `printf '12.x' | openssl dgst -sha256 -hmac Jefe`."""
    assert signature(b"Jefe", 12, b"x") == "fb6d2f41b7073846c15426925fffb761ad3135bd1c5db33c2e010c7f8bf33efe"


@pytest.mark.parametrize(("hour", "quiet"), [(21, False), (22, True), (2, True), (6, False)])
def test_quiet_hours_go_over_midnight(hour: int, quiet: bool) -> None:
    assert is_quiet("22:00-06:00", datetime(2026, 11, 24, hour)) is quiet  # noqa: DTZ001  # local wall time is meant


def test_wrong_quiet_hours_are_said() -> None:
    with pytest.raises(SetupError, match=r"expected e\.g\. 22:00-06:00"):
        is_quiet("at night", datetime(2026, 11, 24))  # noqa: DTZ001  # local wall time is meant


@pytest.mark.parametrize(
    "url",
    [
        "http://192.0.2.7/x",
        "ftp://example.org/x",
        "https://user:pw@example.org/",
        "https:///x",
        "file:///etc/passwd",
        "https://localhost/x",
    ],
)
def test_unsafe_address_is_refused(url: str) -> None:
    """Addresses: RFC 5737 (documentation), RFC 6761 §6.3 (localhost is loopback)."""
    with pytest.raises(SetupError):
        safe_address(url)


@dataclass
class Receiver:
    """What a server got, and what it answers."""

    url: str
    answers: list[int]
    got: list[tuple[dict[str, str], bytes]] = field(default_factory=list)


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    answers = Receiver("", [])

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"]))
            answers.got.append(({key.lower(): value for key, value in self.headers.items()}, body))
            self.send_response(answers.answers.pop(0))
            self.send_header("location", "http://127.0.0.1:1/")
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:
            return

    server = HTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    answers.url = f"http://127.0.0.1:{server.server_port}/hook?a=b"
    yield answers
    server.shutdown()
    thread.join(5)
    server.server_close()


def test_delivered_after_a_failure_with_the_same_number(receiver: Receiver) -> None:
    receiver.answers = [503, 204]
    post(receiver.url, b"k" * 32, "n1", b"{}", at_s=7, wait=lambda _: None)
    assert [headers["idempotency-key"] for headers, _ in receiver.got] == ["n1", "n1"]
    assert receiver.got[0][0]["x-wakeledger-signature"] == f"sha256={signature(b'k' * 32, 7, b'{}')}"


def test_redirect_is_not_followed(receiver: Receiver) -> None:
    receiver.answers = [302]
    with pytest.raises(ReportError, match="it answered 302"):
        post(receiver.url, b"k" * 32, "n1", b"{}", at_s=7, wait=lambda _: None)
    assert len(receiver.got) == 1
