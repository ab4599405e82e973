"""Reading many packets per system call and acknowledging many in one write, on top of paho's own connection.

Stock paho takes five reads and two writes a message. This subclass replaces only the reading of PUBLISH packets;
CONNECT, SUBSCRIBE, PING, TLS and all else stay paho's. It leans on private names, so `why_not_fast` tries it on a
canned stream before it is used; if anything differs, the link takes stock paho with batched acknowledgements.
"""

from __future__ import annotations

import socket
import time
from collections.abc import Callable, Iterable
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import MQTTErrorCode, MQTTProtocolVersion

from ingest.arrival import Arrival

READ_BYTES = 262_144
_PUBLISH = 0x30
_PUBACK = 0x40
_USER_PROPERTY = 0x26
_FIXED_LENGTHS = {0x01: 1, 0x02: 4, 0x23: 2}
_TEXTS = {0x03: 1, 0x08: 1, 0x09: 1, _USER_PROPERTY: 2}


class MalformedStreamError(Exception):
    """The broker sent what is no MQTT packet."""


class FastClient(paho.Client):  # type: ignore[misc]  # paho's own types are not read
    """A paho client whose PUBLISH packets end in `arrived`, unacknowledged until `acknowledge`."""

    def __init__(self, client_id: str, *, now_s: Callable[[], float], replayed: bool) -> None:
        super().__init__(
            paho.CallbackAPIVersion.VERSION2, client_id=client_id, protocol=MQTTProtocolVersion.MQTTv5, manual_ack=True
        )
        self.arrived: list[Arrival] = []
        self.session = 0
        self._now_s = now_s
        self._replayed = replayed
        self._held = b""

    def reconnect(self) -> MQTTErrorCode:
        """As paho's; bytes of a packet cut off by the old connection are forgotten."""
        self._held = b""
        return super().reconnect()

    def loop_read(self, max_packets: int = 1) -> MQTTErrorCode:
        """Read what there is, up to 256 KiB, and take all whole packets out of it."""
        try:
            chunk = self._sock_recv(READ_BYTES)
            if chunk and self._ssl:
                chunk = self._with_pending(chunk)
        except BlockingIOError:
            return MQTTErrorCode.MQTT_ERR_SUCCESS
        except OSError:
            chunk = b""
        if not chunk:
            return self._loop_rc_handle(MQTTErrorCode.MQTT_ERR_CONN_LOST)
        with self._msgtime_mutex:
            self._last_bytes_received = time.monotonic()
        held = self._held + chunk if self._held else chunk
        try:
            taken = self._take(held)
        except (MalformedStreamError, paho.MalformedPacket):
            return self._loop_rc_handle(MQTTErrorCode.MQTT_ERR_PROTOCOL)
        self._held = held[taken:]
        return MQTTErrorCode.MQTT_ERR_SUCCESS if self._sock is not None else MQTTErrorCode.MQTT_ERR_CONN_LOST

    def _with_pending(self, chunk: bytes) -> bytes:
        """TLS hands out one record a read; gather those already decrypted before parsing."""
        parts, size = [chunk], len(chunk)
        try:
            while size < READ_BYTES and self._sock is not None and self._sock.pending():
                parts.append(self._sock_recv(READ_BYTES))
                size += len(parts[-1])
        except BlockingIOError:
            pass  # the rest of the record is still on its way
        return b"".join(parts)

    def _take(self, held: bytes) -> int:
        """Handle all whole packets in `held`; returns how many bytes they took."""
        at, session, arrived = self._now_s(), self.session, self.arrived
        position, end = 0, len(held)
        while end - position >= 2:
            first, length = held[position], held[position + 1]
            body = position + 2
            if length & 0x80:
                head = _long_length(held, position + 1, end)
                if head is None:
                    break
                length, body = head
            stop = body + length
            if stop > end:
                break
            if first & 0xF0 == _PUBLISH and first & 0x06 != 0x04:
                topic_end = body + 2 + (held[body] << 8 | held[body + 1]) if length >= 2 else end + 1
                payload, packet_id = topic_end, 0
                if first & 0x06:
                    if payload + 2 > stop or first & 0x06 == 0x06:
                        raise MalformedStreamError
                    packet_id = held[payload] << 8 | held[payload + 1]
                    payload += 2
                if payload >= stop:
                    raise MalformedStreamError
                sent_at = at
                if held[payload]:
                    payload, stamp = _skip_properties(held, payload, stop, self._replayed)
                    sent_at = at if stamp is None else stamp
                else:
                    payload += 1
                try:
                    topic = held[body + 2 : topic_end].decode()
                except UnicodeDecodeError as why:
                    raise MalformedStreamError from why
                arrived.append(Arrival(topic, held[payload:stop], sent_at, packet_id, session))
            else:
                self._hand_to_paho(first, held[body:stop])
                session = self.session  # a CONNACK may just have begun a new one
            position = stop
        return position

    def _hand_to_paho(self, first: int, body: bytes) -> None:
        """Let paho handle any other packet."""
        self._in_packet.update(
            command=first, have_remaining=1, remaining_length=len(body), packet=bytearray(body), to_process=0, pos=0
        )
        code = self._packet_handle()
        self._in_packet.update(command=0, have_remaining=0, remaining_length=0, packet=bytearray())
        if code != MQTTErrorCode.MQTT_ERR_SUCCESS:
            self._loop_rc_handle(code)

    def acknowledge(self, packet_ids: Iterable[int]) -> None:
        """Queue the PUBACKs of a batch, in this order, as one write."""
        packets = b"".join([b"\x40\x02" + packet_id.to_bytes(2, "big") for packet_id in packet_ids if packet_id])
        if packets:
            self._packet_queue(_PUBACK, packets, 0, 0)

    def publish_retained(self, messages: Iterable[tuple[str, bytes]]) -> None:
        """Queue QoS 0 retained messages as one write."""
        packets = b"".join([_retained(topic.encode(), payload) for topic, payload in messages])
        if packets:
            self._packet_queue(
                _PUBACK, packets, 0, 0
            )  # whole packets of any kind; paho looks at the kind of PUBLISH only


def _retained(topic: bytes, payload: bytes) -> bytes:
    body = len(topic).to_bytes(2, "big") + topic + b"\x00" + payload
    return b"\x31" + _length_bytes(len(body)) + body


def _length_bytes(length: int) -> bytes:
    """A variable byte integer (MQTT 5.0, 1.5.5).

    >>> _length_bytes(321)
    b'\\xc1\\x02'
    """
    digits = bytearray()
    while True:
        length, digit = divmod(length, 128)
        digits.append(digit | 0x80 if length else digit)
        if not length:
            return bytes(digits)


def _long_length(held: bytes, start: int, end: int) -> tuple[int, int] | None:
    """A variable byte integer and where it ends; None if it is not all here yet."""
    value = 0
    for count in range(4):
        if start + count >= end:
            return None
        digit = held[start + count]
        value |= (digit & 0x7F) << (7 * count)
        if not digit & 0x80:
            return value, start + count + 1
    raise MalformedStreamError


def _skip_properties(held: bytes, start: int, stop: int, replayed: bool) -> tuple[int, float | None]:
    """Where the payload begins, and the `at` of a replayed message if that is asked for."""
    head = _long_length(held, start, stop)
    if head is None or head[1] + head[0] > stop:
        raise MalformedStreamError
    length, position = head
    end = position + length
    if not replayed:
        return end, None
    stamp = None
    while position < end:
        kind = held[position]
        position += 1
        if kind in _TEXTS:
            texts: list[bytes] = []
            for _ in range(_TEXTS[kind]):
                size = int.from_bytes(held[position : position + 2], "big")
                texts.append(held[position + 2 : position + 2 + size])
                position += 2 + size
            if kind == _USER_PROPERTY and texts[0] == b"at":
                stamp = stamp_of(texts[1])
        elif kind == 0x0B:
            identifier = _long_length(held, position, end)
            if identifier is None:
                raise MalformedStreamError
            position = identifier[1]
        elif kind in _FIXED_LENGTHS:
            position += _FIXED_LENGTHS[kind]
        else:
            raise MalformedStreamError
    return end, stamp


def stamp_of(text: bytes | str) -> float | None:
    """The arrival time that a replayed message carries, if it is one.

    >>> stamp_of("1764020001.25"), stamp_of("soon"), stamp_of("nan")
    (1764020001.25, None, None)
    """
    try:
        value = float(text)
    except ValueError:
        return None
    return value if 0 <= value < 253_402_300_800 else None


_CANNED = (
    b"\x32\x0f\x00\x03a/b\x00\x07\x00payload",
    b"\x30\x0a\x00\x03c/d\x00tail",
    b"\xd0\x00",
    b"\x3a\x13\x00\x03e/f\x12\x34\x0b\x26\x00\x02at\x00\x0412.5",
)
_CANNED_FOUND = [("a/b", b"payload", 7), ("c/d", b"tail", 0), ("e/f", b"", 0x1234)]


def why_not_fast() -> str | None:
    """None if the fast path works with the paho installed; else what differed."""
    ours, theirs = socket.socketpair()
    try:
        ours.setblocking(False)
        client = FastClient("self-check", now_s=lambda: 1.0, replayed=True)
        client._sock = ours
        for byte in b"".join(_CANNED):
            theirs.send(bytes([byte]))
            code = client.loop_read()
            if code != MQTTErrorCode.MQTT_ERR_SUCCESS:
                return f"loop_read answered {code}"
        found: list[Any] = [(one.topic, one.payload, one.packet_id) for one in client.arrived]
        if found != _CANNED_FOUND or client.arrived[-1].at != 12.5:
            return f"packets parsed as {found}"
        client.acknowledge([7, 0x1234])
        client.loop_write()
        sent = theirs.recv(64)
        return None if sent == b"\x40\x02\x00\x07\x40\x02\x12\x34" else f"acknowledgements written as {sent.hex()}"
    except Exception as why:  # whatever a changed paho raises, the answer is the same: take its public interface
        return f"{type(why).__name__}: {why}"
    finally:
        client._sock = None
        ours.close()
        theirs.close()
