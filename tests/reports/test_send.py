"""Sending: only under TLS, never too large, never to nobody."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator

import pytest

from fleet.errors import BrokerError, ReportError
from reports.send import LIMIT_BYTES, send_mail

MAIL = b"Subject: x\r\n\r\nx\r\n"


@pytest.fixture
def server_without_tls() -> Iterator[tuple[str, list[bytes]]]:
    """An SMTP server that offers no STARTTLS; what it was told."""
    told: list[bytes] = []
    listening = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        link, _ = listening.accept()
        with link:
            link.sendall(b"220 here\r\n")
            while data := link.recv(4096):
                told.append(data)
                link.sendall(b"250 fine\r\n" if not data.upper().startswith(b"QUIT") else b"221 bye\r\n")

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    yield f"smtp://127.0.0.1:{listening.getsockname()[1]}", told
    listening.close()
    thread.join(5)


def send(url: str, mail: bytes = MAIL, recipients: tuple[str, ...] = ("crew@example.org",)) -> None:
    send_mail(mail, url=url, sender="a@example.org", recipients=list(recipients), password_file=None)


def test_a_server_without_tls_gets_neither_mail_nor_address(server_without_tls: tuple[str, list[bytes]]) -> None:
    """RFC 3207 §4: STARTTLS must be advertised before it is used; without it we leave."""
    url, told = server_without_tls
    with pytest.raises(BrokerError, match="not taken"):
        send(url)
    assert b"crew@example.org" not in b"".join(told)


def test_wrong_wishes_are_refused_before_any_connection() -> None:
    with pytest.raises(ReportError, match="expected smtp://"):
        send("http://example.org")
    with pytest.raises(ReportError, match="nobody to send to"):
        send("smtp://example.org", recipients=())
    with pytest.raises(ReportError, match="at most"):
        send("smtp://example.org", mail=b"x" * (LIMIT_BYTES + 1))
