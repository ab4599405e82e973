"""Sending to a real SMTP server under TLS: mails arrive whole; a certificate nobody vouches for is refused."""

from __future__ import annotations

import shutil
import socket
import ssl
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, LoginPassword

from fleet.errors import BrokerError
from reports.send import send_mail

MAIL = b"Subject: battery risk\r\nMessage-ID: <2026-W48@example.org>\r\n\r\n9 nodes\r\n.\r\nend\r\n"
OPENSSL = shutil.which("openssl")
Serve = Callable[..., str]


class Box:
    """What the server was handed."""

    def __init__(self) -> None:
        self.mails: list[tuple[str, list[str], bytes]] = []

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802 - the server's name for it
        self.mails.append((envelope.mail_from, list(envelope.rcpt_tos), bytes(envelope.content)))
        return "250 taken"


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A certificate for 127.0.0.1 that only its own file vouches for; and its key."""
    if OPENSSL is None:
        pytest.skip("no openssl here: install the package `openssl` to run the TLS checks of mail")
    folder = tmp_path_factory.mktemp("certificate")
    cert, key = folder / "cert.pem", folder / "key.pem"
    wish = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2", "-subj", "/CN=mail"]
    names = ["-addext", "subjectAltName=IP:127.0.0.1", "-keyout", str(key), "-out", str(cert)]
    subprocess.run([OPENSSL, "req", "-x509", *wish, *names], check=True, capture_output=True)
    return cert, key


@pytest.fixture
def box() -> Box:
    return Box()


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listening:
        return int(listening.getsockname()[1])


@pytest.fixture
def serve(certificate: tuple[Path, Path], box: Box) -> Iterator[Serve]:
    """Starts a server: STARTTLS as RFC 3207 has it, or TLS from the first byte as RFC 8314 has it; gives its URL."""
    started: list[Controller] = []
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(*certificate)

    def check(server: SMTP, session: Any, envelope: Any, mechanism: str, data: Any) -> AuthResult:
        good = isinstance(data, LoginPassword) and (data.login, data.password) == (b"ledger", b"s3cret")
        return AuthResult(success=good, handled=False)

    def start(scheme: str, *, login: bool = False) -> str:
        port = free_port()
        wishes: dict[str, Any] = {"authenticator": check, "auth_required": True} if login else {}
        if scheme == "smtps":
            made = Controller(box, hostname="127.0.0.1", port=port, ssl_context=context, **wishes)
        else:
            made = Controller(
                box, hostname="127.0.0.1", port=port, tls_context=context, require_starttls=True, **wishes
            )
        made.start()
        started.append(made)
        return f"{scheme}://{'ledger@' if login else ''}127.0.0.1:{port}"

    yield start
    for one in started:
        one.stop()


def send(url: str, trusted: Path | None = None, password_file: Path | None = None) -> None:
    context = ssl.create_default_context(cafile=str(trusted)) if trusted else None
    send_mail(
        MAIL,
        url=url,
        sender="ledger@example.org",
        recipients=["crew@example.org", "boss@example.org"],
        password_file=password_file,
        context=context,
    )


@pytest.mark.parametrize("scheme", ["smtp", "smtps"])
def test_a_mail_arrives_whole_under_tls(scheme: str, serve: Serve, box: Box, certificate: tuple[Path, Path]) -> None:
    """RFC 5321 §4.5.2: a line of one dot inside a mail is doubled on the way and arrives as it was."""
    send(serve(scheme), certificate[0])
    assert box.mails == [("ledger@example.org", ["crew@example.org", "boss@example.org"], MAIL)]


@pytest.mark.parametrize("scheme", ["smtp", "smtps"])
def test_a_certificate_nobody_vouches_for_gets_no_mail(scheme: str, serve: Serve, box: Box) -> None:
    with pytest.raises(BrokerError, match=r"not taken.*CERTIFICATE_VERIFY_FAILED"):
        send(serve(scheme))
    assert box.mails == []


def test_a_certificate_of_another_name_gets_no_mail(serve: Serve, box: Box, certificate: tuple[Path, Path]) -> None:
    """RFC 9525 §6: the name we asked for must be one the certificate holds."""
    url = serve("smtps").replace("127.0.0.1", "localhost")
    with pytest.raises(BrokerError, match=r"Hostname mismatch|not valid for 'localhost'"):
        send(url, certificate[0])
    assert box.mails == []


def test_the_password_comes_from_its_file_and_a_wrong_one_is_refused(
    serve: Serve, box: Box, certificate: tuple[Path, Path], tmp_path: Path
) -> None:
    secret = tmp_path / "smtp-password"
    secret.write_text("s3cret\n", encoding="utf-8")
    url = serve("smtp", login=True)
    send(url, certificate[0], secret)
    assert len(box.mails) == 1
    secret.write_text("wrong\n", encoding="utf-8")
    with pytest.raises(BrokerError, match="not taken") as refused:
        send(url, certificate[0], secret)
    assert "wrong" not in str(refused.value)
    assert len(box.mails) == 1
