"""How we prove who we are to the broker: TLS files and the password file."""

from __future__ import annotations

import ssl
from pathlib import Path

from fleet.errors import BrokerError
from fleet.settings import Broker


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
