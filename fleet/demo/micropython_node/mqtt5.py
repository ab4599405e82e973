"""An MQTT 5 client small enough to read: connect, subscribe, publish at QoS 1, receive, leave.

Clauses: 3.1 CONNECT, 3.3 PUBLISH, 3.4 PUBACK, 3.8 SUBSCRIBE, 4.4 delivery retry (only after a reconnect).
"""

import select
import socket

PACKET_LIMIT_BYTES = 4096


class MqttError(Exception):
    """The broker can't be reached, refuses, or breaks off."""


def text(value: bytes) -> bytes:
    """A UTF-8 string with its length in front."""
    return bytes([len(value) >> 8, len(value) & 255]) + value


def length_of(value: int) -> bytes:
    """A variable byte integer."""
    done = b""
    while True:
        value, low = value >> 7, value & 127
        done += bytes([low | (128 if value else 0)])
        if not value:
            return done


class Mqtt:
    """One connection. A message that arrives is acknowledged, and kept in `inbox` until it is looked at."""

    def __init__(self, host: str, port: int, client_id: bytes, timeout_ms: int = 5000) -> None:
        self.timeout_ms = timeout_ms
        self.inbox: list[tuple[bytes, bytes]] = []
        self.packet_id = 0
        try:
            address = socket.getaddrinfo(host, port, 0, socket.SOCK_STREAM)[0][-1]
            self.socket = socket.socket()
            self.socket.connect(address)
        except OSError:
            raise MqttError("no broker")
        self.poller = select.poll()
        self.poller.register(self.socket, select.POLLIN)
        self.client_id = client_id

    def connect(self, fresh: bool, expiry_s: int = 604_800, keepalive_s: int = 60) -> bool:
        """Log in; whether the broker kept the session. `fresh` starts a clean one, as a wiped node must."""
        properties = b"\x11" + expiry_s.to_bytes(4, "big") + b"\x21\x00\x10"  # session expiry; Receive Maximum 16
        properties += b"\x27" + PACKET_LIMIT_BYTES.to_bytes(4, "big")
        flags = b"\x02" if fresh else b"\x00"
        body = text(b"MQTT") + b"\x05" + flags + keepalive_s.to_bytes(2, "big")
        self._send(0x10, body + length_of(len(properties)) + properties + text(self.client_id))
        answer = self._await(0x20)
        if answer[1]:
            raise MqttError("refused: %d" % answer[1])
        return bool(answer[0] & 1)

    def subscribe(self, topics: list[bytes]) -> None:
        """Take these topics at QoS 1; what is retained on them follows."""
        body = self._next_id() + b"\x00" + b"".join(text(topic) + b"\x01" for topic in topics)
        self._send(0x82, body)
        if any(code > 2 for code in self._await(0x90)[3:]):
            raise MqttError("subscription refused")

    def publish(self, topic: bytes, payload: bytes) -> int:
        """Publish at QoS 1; the broker's reason code: 0 taken, 16 taken but nobody listens, 128 and above refused."""
        self._send(0x32, text(topic) + self._next_id() + b"\x00" + payload)
        answer = self._await(0x40)
        return answer[2] if len(answer) > 2 else 0

    def receive(self, wait_ms: int) -> tuple[bytes, bytes] | None:
        """The next message as topic and payload; None if none comes in time."""
        while not self.inbox:
            if not self.poller.poll(wait_ms):
                return None
            self._handle()
        return self.inbox.pop(0)

    def leave(self) -> None:
        """Say good-bye; the session stays with the broker."""
        try:
            self._send(0xE0, b"")
            self.socket.close()
        except (OSError, MqttError):
            return  # it is gone already

    def _next_id(self) -> bytes:
        self.packet_id = self.packet_id % 65_535 + 1
        return self.packet_id.to_bytes(2, "big")

    def _send(self, first: int, body: bytes) -> None:
        try:
            for raw in (bytes([first]) + length_of(len(body)), body):
                view = memoryview(raw)  # no copy of what is left
                while len(view):
                    view = view[self.socket.send(view) :]
        except OSError:
            raise MqttError("link lost")

    def _read(self, count: int) -> bytes:
        raw = b""
        while len(raw) < count:
            if not self.poller.poll(self.timeout_ms):
                raise MqttError("no answer")
            try:
                piece = self.socket.recv(count - len(raw))
            except OSError:
                raise MqttError("link lost")
            if not piece:
                raise MqttError("link lost")
            raw += piece
        return raw

    def _await(self, kind: int) -> bytes:
        """The next packet of a kind; messages that come before it go to the inbox."""
        while True:
            found, body = self._handle()
            if found == kind:
                return body

    def _handle(self) -> tuple[int, bytes]:
        first, size, shift = self._read(1)[0], 0, 0
        while True:
            byte = self._read(1)[0]
            size |= (byte & 127) << shift
            shift += 7
            if byte < 128:
                break
            if shift > 21:
                raise MqttError("bad length")
        if size > PACKET_LIMIT_BYTES:
            raise MqttError("packet too large")
        body = self._read(size)
        if first >> 4 == 3:
            self._message(first, body)
        elif first >> 4 == 14:
            raise MqttError("broker says good-bye")
        return first & 0xF0, body

    def _message(self, first: int, body: bytes) -> None:
        at = 2 + (body[0] << 8 | body[1])
        topic = body[2:at]
        if first & 6:
            packet_id, at = body[at : at + 2], at + 2
        at += 1 + body[at]  # properties: shorter than 128 bytes on these topics
        self.inbox.append((topic, body[at:]))
        if first & 6:
            self._send(0x40, packet_id)
