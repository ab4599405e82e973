"""Publishing as fast as a broker takes it: one MQTT 5 connection, QoS 1, many messages a write, a bounded window.

A general client spends 100 µs a message on locks and queues; this needs only CONNECT, PUBLISH and PUBACK.
"""

from __future__ import annotations

import socket
import struct
from collections.abc import Iterable
from types import TracebackType
from urllib.parse import urlsplit

from fleet.errors import BrokerError

WINDOW_COUNT = 1000
BATCH_COUNT = 200
KEEPALIVE_S = 60
TIMEOUT_S = 60.0
Message = tuple[float, str, bytes]


def host_and_port(url: str) -> tuple[str, int]:
    """Where an MQTT URL points.

    >>> host_and_port("mqtt://127.0.0.1:1884")
    ('127.0.0.1', 1884)
    """
    parts = urlsplit(url if "//" in url else f"mqtt://{url}")
    return parts.hostname or "127.0.0.1", parts.port or 1883


class BulkPublisher:
    """One connection that publishes messages with the time they are said to arrive at as user property `at`.

    Raises
    ------
    BrokerError
        If the broker can't be reached, refuses, or goes away.
    """

    def __init__(self, url: str, *, client_id: str = "wakeledger-demo-nodes") -> None:
        self._url = url
        self._packet_id = 0
        self._open: int = 0
        self._rest = b""
        try:
            self._socket = socket.create_connection(host_and_port(url), timeout=TIMEOUT_S)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._window_count = self._connect(client_id)
        except OSError as why:
            raise BrokerError(f"demo: no broker at {url} ({why}). Start it, or leave --broker out.") from why

    def __enter__(self) -> BulkPublisher:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, why: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            self.drain()
            self._socket.sendall(b"\xe0\x00")  # DISCONNECT, MQTT 5.0 §3.14
        self._socket.close()

    def send(self, messages: Iterable[Message]) -> int:
        """Publish all of them; gives their number. Returns when all are written, some perhaps not acknowledged."""
        packets: list[bytes] = []
        count = 0
        for at_s, topic, payload in messages:
            self._packet_id = self._packet_id % 65_535 + 1
            packets.append(publish_packet(topic, payload, self._packet_id, at_s))
            if len(packets) == min(BATCH_COUNT, self._window_count):
                count += self._flush(packets)
                packets = []
        return count + self._flush(packets)

    def drain(self) -> None:
        """Wait until the broker has acknowledged everything."""
        while self._open:
            self._take_acknowledgements()

    def _flush(self, packets: list[bytes]) -> int:
        while self._open + len(packets) > self._window_count:
            self._take_acknowledgements()
        try:
            self._socket.sendall(b"".join(packets))
        except OSError as why:
            raise self._gone(why) from why
        self._open += len(packets)
        return len(packets)

    def _take_acknowledgements(self) -> None:
        try:
            chunk = self._socket.recv(65_536)
        except OSError as why:
            raise self._gone(why) from why
        if not chunk:
            raise self._gone("connection closed")
        data = self._rest + chunk
        place = 0
        while place + 2 <= len(data) and place + 2 + data[place + 1] <= len(data):
            self._open -= data[place] == 0x40  # PUBACK, MQTT 5.0 §3.4
            if data[place] == 0xE0:
                raise self._gone("broker said goodbye")
            place += 2 + data[place + 1]
        self._rest = data[place:]

    def _connect(self, client_id: str) -> int:
        """CONNECT and CONNACK (MQTT 5.0 §3.1, §3.2); gives how many messages may be unacknowledged."""
        body = b"\x00\x04MQTT\x05\x02" + struct.pack(">H", KEEPALIVE_S) + b"\x00" + _text(client_id)
        self._socket.sendall(b"\x10" + _length(len(body)) + body)
        head = self._exactly(2)
        rest = self._exactly(head[1])
        if head[0] != 0x20 or rest[1] != 0:
            raise BrokerError(f"demo: the broker at {self._url} refused (code {rest[1]:#x}). Allow the demo's nodes.")
        limit = receive_maximum(rest[3:])
        return min(WINDOW_COUNT, limit)

    def _exactly(self, count: int) -> bytes:
        data = b""
        while len(data) < count:
            chunk = self._socket.recv(count - len(data))
            if not chunk:
                raise ConnectionError("closed during CONNECT")
            data += chunk
        return data

    def _gone(self, why: object) -> BrokerError:
        return BrokerError(f"demo: the broker at {self._url} went away ({why}). Look at its log and run it again.")


def publish_packet(topic: str, payload: bytes, packet_id: int, at_s: float) -> bytes:
    """One PUBLISH at QoS 1 with the user property `at` (MQTT 5.0 §3.3).

    >>> publish_packet("a/b", b"x", 1, 2.5).hex(" ")
    '32 13 00 03 61 2f 62 00 01 0a 26 00 02 61 74 00 03 32 2e 35 78'
    """
    prop = b"\x26\x00\x02at" + _text(repr(round(at_s, 3)))
    body = _text(topic) + struct.pack(">H", packet_id) + _length(len(prop)) + prop + payload
    return b"\x32" + _length(len(body)) + body


def receive_maximum(properties: bytes) -> int:
    """Receive Maximum among CONNACK's properties; 65 535 where it is not told (MQTT 5.0 §3.2.2.3.3)."""
    sizes = {0x11: 4, 0x21: 2, 0x24: 1, 0x25: 1, 0x27: 4, 0x22: 2, 0x28: 1, 0x29: 1, 0x2A: 1, 0x13: 2}
    place = 0
    while place < len(properties):
        kind = properties[place]
        if kind == 0x21:
            return int(struct.unpack_from(">H", properties, place + 1)[0])
        if kind not in sizes:
            break
        place += 1 + sizes[kind]
    return 65_535


def _text(text: str) -> bytes:
    raw = text.encode()
    return struct.pack(">H", len(raw)) + raw


def _length(value: int) -> bytes:
    """Variable byte integer (MQTT 5.0 §1.5.5)."""
    out = bytearray()
    while True:
        value, digit = divmod(value, 128)
        out.append(digit | (0x80 if value else 0))
        if not value:
            return bytes(out)
