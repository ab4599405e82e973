"""How we prove who we are to the broker: TLS files and the password file."""

from __future__ import annotations

import ssl
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import urlsplit

from fleet.errors import BrokerError
from fleet.settings import Broker

PORTS = {"mqtt": 1883, "mqtts": 8883}


def tls_context(settings: Broker) -> ssl.SSLContext:
    """The TLS context that the settings describe; certificates are checked.

    Raises
    ------
    BrokerError
        If a file can't be used.
    """
    try:
        context = ssl.create_default_context(cafile=settings.ca_file)
        if settings.cert_file is not None:
            context.load_cert_chain(settings.cert_file, settings.key_file)
    except (OSError, ssl.SSLError) as why:
        raise BrokerError(f"broker.ca_file, cert_file, key_file: {why}. Give readable PEM files.") from why
    return context


def password(settings: Broker) -> str | None:
    """The password from its file, which nobody else may read.

    Raises
    ------
    BrokerError
        If the file can't be read, or others can read it.
    """
    if settings.password_file is None:
        return None
    path = Path(settings.password_file)
    try:
        if path.stat().st_mode & 0o077:
            raise BrokerError(f"{path}: others can read it. chmod 600 {path}")
        return path.read_text(encoding="utf-8").rstrip("\r\n")
    except OSError as why:
        raise BrokerError(f"broker.password_file: {why}. Write the password into a 0600 file.") from why


def connect_to(client: Any, settings: Broker, timeout_s: float = 10.0) -> None:
    """Let a paho client connect as the settings say, with a session that ends with the connection.

    Raises
    ------
    BrokerError
        If the broker can't be reached.
    """
    url = address_of(settings)
    if url.secure:
        client.tls_set_context(tls_context(settings))
    if settings.user is not None:
        client.username_pw_set(settings.user, password(settings))
    client.connect_timeout = timeout_s
    try:
        client.connect(url.host, url.port, keepalive=max(settings.keepalive_s, 1))
    except (OSError, ssl.SSLError) as why:
        raise BrokerError(f"{settings.url}: {why}. Is the broker running, and is broker.url right?") from why


class Address(NamedTuple):
    """Where the broker is."""

    host: str
    port: int
    secure: bool


def address_of(settings: Broker) -> Address:
    """Host and port of `broker.url`.

    Raises
    ------
    BrokerError
        If it is no MQTT URL.

    Examples
    --------
    >>> address_of(Broker(url="mqtts://broker.example"))
    Address(host='broker.example', port=8883, secure=True)
    """
    try:
        url = urlsplit(settings.url)
        port = url.port
    except ValueError:
        port, url = None, urlsplit("")
    if url.scheme not in PORTS or not url.hostname:
        raise BrokerError(f"broker.url: {settings.url!r}: expected mqtt://host[:port] or mqtts://host[:port].")
    return Address(url.hostname, port or PORTS[url.scheme], url.scheme == "mqtts")
