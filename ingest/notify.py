"""Words to the service manager: ready, alive, what we do (sd_notify(3): datagrams to the socket in NOTIFY_SOCKET)."""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping

from fleet.units import US_PER_S


def notify(words: str, environ: Mapping[str, str] | None = None) -> bool:
    """Tell the service manager; False where there is none, or it does not listen.

    >>> notify("READY=1", {})
    False
    """
    address = (os.environ if environ is None else environ).get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return False
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sock:
        sock.setblocking(False)  # a manager that does not read must not stop us
        try:
            sock.connect("\0" + address[1:] if address.startswith("@") else address)
            sock.sendall(words.encode())
        except OSError:
            return False
    return True


def watchdog_s(environ: Mapping[str, str] | None = None) -> float | None:
    """How often the service manager wants to hear that we are alive; None if it does not.

    >>> watchdog_s({"WATCHDOG_USEC": "30000000"}), watchdog_s({})
    (30.0, None)
    """
    text = (os.environ if environ is None else environ).get("WATCHDOG_USEC", "")
    return int(text) / US_PER_S if text.isdigit() and int(text) else None
