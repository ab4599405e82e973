"""Starting brokers on loopback for tests and benches."""

from __future__ import annotations

import shutil
import socket
import subprocess
import time
from pathlib import Path

MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")

EMBEDDED = """\
id = 0
[router]
id = 0
max_connections = 100
max_outgoing_packet_count = 200
max_segment_size = 104857600
max_segment_count = 10
[v5.1]
name = "v5"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1
[v5.1.connections]
connection_timeout_ms = 60000
max_payload_size = 262144
max_inflight_count = 100
dynamic_filters = true
"""


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def wait_for_port(port: int) -> None:
    until = time.monotonic() + 10
    while time.monotonic() < until:
        try:
            with socket.create_connection(("127.0.0.1", port), 0.2):
                return
        except OSError:
            time.sleep(0.02)
    raise RuntimeError(f"nothing listens on {port}")


def start_mosquitto(folder: Path, port: int) -> subprocess.Popen[bytes]:
    assert MOSQUITTO is not None
    config = folder / f"mosquitto-{port}.conf"
    config.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 1000000\nmax_inflight_messages 20000\n"
        f"user root\nsys_interval 1\npersistence true\npersistence_location {folder}/\n"
    )
    broker = subprocess.Popen([MOSQUITTO, "-c", str(config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    wait_for_port(port)
    return broker
