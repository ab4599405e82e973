"""A real MQTT 5 broker for the demo, from a wheel: on loopback only, gone with the process that started it.

For the demo and for tests. It keeps nothing across its own restart, so it is no broker for a deployment.
"""

from __future__ import annotations

import socket
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from fleet.errors import BrokerError

PAYLOAD_LIMIT_BYTES = 262_144
SEGMENT_BYTES = 4 * 1024 * 1024
SEGMENT_COUNT = 12  # the broker keeps so much a topic filter for a slow reader: SEGMENT_BYTES × SEGMENT_COUNT
CONFIG = """
id = 0
[router]
id = 0
max_connections = 200
max_outgoing_packet_count = 400
max_segment_size = {segment_bytes}
max_segment_count = {segment_count}

[v5.1]
name = "loopback"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1
[v5.1.connections]
connection_timeout_ms = 60000
max_payload_size = {payload_bytes}
max_inflight_count = 500
dynamic_filters = true
"""


def free_port() -> int:
    """A TCP port that nothing on loopback listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def embedded_broker(port: int | None = None) -> Iterator[str]:
    """Run a broker while the block runs; gives its URL. A client must ask for a keepalive above 0.

    Raises
    ------
    BrokerError
        If the broker's wheel is missing or the broker does not come up.
    """
    try:
        from iotcore import Broker
    except ImportError as why:
        raise BrokerError(
            "demo: the embedded broker (package iotcore) can't be loaded. Install it, or name a broker with --broker."
        ) from why
    port = port or free_port()
    with tempfile.TemporaryDirectory(prefix="wakeledger-broker-") as folder:
        config = Path(folder) / "broker.toml"
        text = CONFIG.format(
            port=port, segment_bytes=SEGMENT_BYTES, segment_count=SEGMENT_COUNT, payload_bytes=PAYLOAD_LIMIT_BYTES
        )
        config.write_text(text, encoding="utf-8")
        broker = Broker(config_path=str(config))
        try:
            broker.start()
        except (OSError, RuntimeError) as why:
            raise BrokerError(
                f"demo: the embedded broker on 127.0.0.1:{port} did not start ({why}). "
                "Run it again, or name a broker with --broker."
            ) from why
        try:
            yield f"mqtt://127.0.0.1:{port}"
        finally:
            broker.stop()
