"""One signed POST to the webhook that the settings name: by TLS, to a checked address, no redirect followed."""

from __future__ import annotations

import http.client
import socket
import ssl
import time
from collections.abc import Callable
from ipaddress import ip_address
from pathlib import Path
from urllib.parse import urlsplit

from fleet.errors import ReportError, SetupError
from reports.alerts import signature

WAITS_S = (0.0, 2.0, 8.0)
TIMEOUT_S = 10.0
SHORTEST_KEY = 16


def safe_address(url: str) -> tuple[str, str, int]:
    """Host, address to connect to, and port of a webhook.

    A name must stand for public addresses only, so that it can't be bent to a machine inside; an address that is
    written out is taken as meant. Plain HTTP goes to this machine only.

    Raises
    ------
    SetupError
        If it is not such a URL.
    """
    parts = urlsplit(url)
    host = parts.hostname or ""
    if parts.scheme not in ("http", "https") or not host or parts.username is not None:
        raise SetupError(f"alerts.webhook_url: {url!r}; expected https://host/path without a user in it.")
    port = parts.port or (443 if parts.scheme == "https" else 80)
    try:
        literal = ip_address(host)
    except ValueError:
        address = _resolved(host, port)
    else:
        address = str(literal)
    if parts.scheme == "http" and not ip_address(address).is_loopback:
        raise SetupError(f"alerts.webhook_url: {url!r} is plain HTTP; expected https, or http://127.0.0.1.")
    return host, address, port


def _resolved(host: str, port: int) -> str:
    try:
        found = [str(one[4][0]) for one in socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)]
    except OSError as why:
        raise SetupError(f"alerts.webhook_url: {host}: no such host ({why}). Is this machine connected?") from why
    inside = [one for one in found if not ip_address(one.split("%")[0]).is_global]
    if inside:
        raise SetupError(
            f"alerts.webhook_url: {host} stands for {inside[0]}, which is not public. "
            "If that is meant, write the address instead of the name."
        )
    return found[0]


class _Pinned(http.client.HTTPSConnection):
    """TLS to the address that was checked, for the name that was asked for."""

    def __init__(self, host: str, address: str, port: int) -> None:
        super().__init__(host, port, timeout=TIMEOUT_S)
        self.address = address

    def connect(self) -> None:
        """Connect to the checked address; the certificate must be the host's."""
        plain = socket.create_connection((self.address, self.port), TIMEOUT_S)
        self.sock = ssl.create_default_context().wrap_socket(plain, server_hostname=self.host)


def read_key(path: Path) -> bytes:
    """The key that signs messages.

    Raises
    ------
    SetupError
        If it is missing or short.
    """
    if not path.is_file():
        raise SetupError(f"alerts.webhook_key_file: {path} is not there. `openssl rand -hex 32` makes a key.")
    key = path.read_bytes().strip()
    if len(key) < SHORTEST_KEY:
        raise SetupError(f"{path}: {len(key)} bytes; expected at least {SHORTEST_KEY}.")
    return key


def post(
    url: str, key: bytes, number: str, body: bytes, *, at_s: int, wait: Callable[[float], None] = time.sleep
) -> None:
    """Send it, again after a while where that may help.

    Raises
    ------
    ReportError
        If it was refused or the host can't be reached.
    """
    said = ""
    for pause_s in WAITS_S:
        wait(pause_s)
        try:
            status = _once(url, key, number, body, at_s)
        except (OSError, http.client.HTTPException) as why:
            said = str(why)
            continue
        if 200 <= status < 300:
            return
        said = f"it answered {status}"
        if status < 500 and status != 429:
            break
    raise ReportError(f"alerts.webhook_url: not delivered: {said}. It is told with the next run.")


def _once(url: str, key: bytes, number: str, body: bytes, at_s: int) -> int:
    host, address, port = safe_address(url)
    parts = urlsplit(url)
    conn = (
        _Pinned(host, address, port)
        if parts.scheme == "https"
        else http.client.HTTPConnection(address, port, timeout=TIMEOUT_S)
    )
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    headers = {
        "Host": parts.netloc,
        "Content-Type": "application/json",
        "Idempotency-Key": number,
        "X-Wakeledger-Timestamp": str(at_s),
        "X-Wakeledger-Signature": f"sha256={signature(key, at_s, body)}",
    }
    try:
        conn.request("POST", path, body, headers)
        return conn.getresponse().status
    finally:
        conn.close()
