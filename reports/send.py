"""A report's mail over SMTP, always under TLS."""

from __future__ import annotations

import smtplib
import ssl
from pathlib import Path
from urllib.parse import unquote, urlsplit

from fleet.errors import BrokerError, ReportError

LIMIT_BYTES = 8_000_000
TIMEOUT_S = 60
PORTS = {"smtp": 587, "smtps": 465}


def send_mail(
    mail: bytes,
    *,
    url: str,
    sender: str,
    recipients: list[str],
    password_file: Path | None,
    context: ssl.SSLContext | None = None,
) -> None:
    """Hand the mail to the server of that URL: `smtp://user@host:587` (STARTTLS) or `smtps://user@host:465`.

    Raises
    ------
    ReportError
        If the mail is too large, nobody is to get it, or the URL is not one of SMTP.
    BrokerError
        If the server can't be reached or refuses the mail.
    """
    where = urlsplit(url)
    if where.scheme not in PORTS or not where.hostname:
        raise ReportError(f"report.smtp_url {url!r}: expected smtp://user@host or smtps://user@host. Mend fleet.toml.")
    if not recipients:
        raise ReportError("report.mail_to: nobody to send to. Name at least one address in fleet.toml.")
    if len(mail) > LIMIT_BYTES:
        raise ReportError(
            f"mail: {len(mail):,} bytes; at most {LIMIT_BYTES:,} are sent. Hand the files on another way."
        )
    secret = password_file.read_text(encoding="utf-8").strip() if password_file else None
    host, port = where.hostname, where.port or PORTS[where.scheme]
    try:
        with _connected(where.scheme, host, port, context or ssl.create_default_context()) as server:
            if where.username and secret:
                server.login(unquote(where.username), secret)
            server.sendmail(sender, recipients, mail)
    except (OSError, smtplib.SMTPException) as why:
        raise BrokerError(f"{host}:{port}: the mail was not taken: {why}. Look at report.smtp_url.") from why


def _connected(scheme: str, host: str, port: int, context: ssl.SSLContext) -> smtplib.SMTP:
    """A connection under TLS; a server that offers none is left."""
    if scheme == "smtps":
        return smtplib.SMTP_SSL(host, port, timeout=TIMEOUT_S, context=context)
    server = smtplib.SMTP(host, port, timeout=TIMEOUT_S)
    try:
        server.starttls(context=context)
    except (OSError, smtplib.SMTPException):
        server.close()
        raise
    return server
