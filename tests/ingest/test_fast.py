"""The fast path against paho's own parser, on streams cut anywhere."""

from __future__ import annotations

import random
import socket
from collections.abc import Callable, Iterator

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

import ingest.fast
from ingest.fast import FastClient, why_not_fast

Seen = list[tuple[str, bytes, int]]


@pytest.fixture
def pair() -> Iterator[tuple[socket.socket, socket.socket]]:
    ours, theirs = socket.socketpair()
    ours.setblocking(False)
    yield ours, theirs
    ours.close()
    theirs.close()


def length_bytes(length: int) -> bytes:
    """MQTT 5.0, 1.5.5: variable byte integer."""
    out = bytearray()
    while True:
        length, digit = divmod(length, 128)
        out.append(digit | 0x80 if length else digit)
        if not length:
            return bytes(out)


def publish(rng: random.Random) -> bytes:
    qos = rng.choice([0, 1, 1, 1])
    topic = "".join(rng.choice("abc/é0") for _ in range(rng.randint(1, 30))).encode()
    body = len(topic).to_bytes(2, "big") + topic
    body += rng.randint(1, 65535).to_bytes(2, "big") if qos else b""
    properties = Properties(PacketTypes.PUBLISH)
    if rng.random() < 0.4:
        properties.UserProperty = [("at", str(rng.random())), ("x" * rng.randint(0, 200), "ä")]
    if rng.random() < 0.2:
        properties.MessageExpiryInterval = 7
    if rng.random() < 0.2:
        properties.ContentType = "application/json"
    if rng.random() < 0.1:
        properties.CorrelationData = b"\x00\x01"
    body += properties.pack()
    body += rng.randbytes(rng.choice([0, 1, 100, 200, 20_000]))
    return (
        bytes([0x30 | qos << 1 | rng.choice([0, 8]) * (qos > 0) | rng.choice([0, 1])]) + length_bytes(len(body)) + body
    )


def pieces(rng: random.Random, stream: bytes) -> Iterator[bytes]:
    at = 0
    while at < len(stream):
        size = rng.choice([1, 2, 3, 50, 4000])
        yield stream[at : at + size]
        at += size


def by_paho(stream: bytes, pair: tuple[socket.socket, socket.socket]) -> Seen:
    ours, theirs = pair
    seen: Seen = []
    client = paho.Client(
        paho.CallbackAPIVersion.VERSION2, client_id="stock", protocol=MQTTProtocolVersion.MQTTv5, manual_ack=True
    )
    client.on_message = lambda _c, _u, m: seen.append((m.topic, bytes(m.payload), m.mid if m.qos else 0))
    client._sock = ours
    for at in range(0, len(stream), 50_000):
        theirs.sendall(stream[at : at + 50_000])
        while client._packet_read() == MQTTErrorCode.MQTT_ERR_SUCCESS:
            pass
    client._sock = None
    return seen


@pytest.mark.parametrize("replayed", [False, True])
@pytest.mark.parametrize("seed", range(25))
def test_cut_streams_parse_as_stock_paho_does(
    seed: int, replayed: bool, pair: tuple[socket.socket, socket.socket]
) -> None:
    rng = random.Random(seed)
    packets = [publish(rng) if rng.random() < 0.9 else b"\xd0\x00" for _ in range(rng.randint(1, 30))]
    stream = b"".join(packets)
    expected = by_paho(stream, pair)
    ours, theirs = pair
    client = FastClient("fast", now_s=lambda: 5.0, replayed=replayed)
    client._sock = ours
    for piece in pieces(rng, stream):
        theirs.sendall(piece)
        assert client.loop_read() == MQTTErrorCode.MQTT_ERR_SUCCESS
    client._sock = None
    assert [(one.topic, one.payload, one.packet_id) for one in client.arrived] == expected
    assert replayed or {one.at for one in client.arrived} <= {5.0}


@pytest.mark.parametrize(
    "stream",
    [
        b"\x32\x05\x00\x09abc",  # topic longer than the packet
        b"\x32\x04\x00\x01a\x00",  # no packet id
        b"\x36\x07\x00\x01a\x00\x01\x00x",  # QoS 3: [MQTT-3.3.1-4]
        b"\x30\xff\xff\xff\xff\x01",  # remaining length of five bytes: 1.5.5
        b"\x30\x04\x00\x01a\x7f",  # properties longer than the packet
        b"\x30\x04\x00\x01\xff\x00",  # topic not UTF-8: [MQTT-3.3.2-1]
        b"\x30\x00",
    ],
)
def test_a_malformed_packet_ends_the_connection(stream: bytes, pair: tuple[socket.socket, socket.socket]) -> None:
    """MQTT 5.0, 4.13.1: a malformed packet closes the connection; nothing of it is taken."""
    ours, theirs = pair
    client = FastClient("fast", now_s=lambda: 5.0, replayed=True)
    client._sock = ours
    theirs.sendall(stream)
    assert client.loop_read() != MQTTErrorCode.MQTT_ERR_SUCCESS
    assert client.arrived == []


def test_random_bytes_never_raise(pair: tuple[socket.socket, socket.socket]) -> None:
    rng = random.Random(1)
    for _ in range(2000):
        client = FastClient("fast", now_s=lambda: 5.0, replayed=True)
        ours, theirs = socket.socketpair()
        ours.setblocking(False)
        client._sock = ours
        theirs.sendall(bytes([rng.choice([0x30, 0x32, 0xD0, 0x33])]) + rng.randbytes(rng.randint(1, 30)))
        client.loop_read()
        client._sock = None
        ours.close()
        theirs.close()


def test_acknowledgements_leave_in_order_of_receipt(pair: tuple[socket.socket, socket.socket]) -> None:
    """[MQTT-4.6.0-2]: PUBACKs in the order the PUBLISH packets came; 3.4.2.1: without reason code, success."""
    ours, theirs = pair
    client = FastClient("fast", now_s=lambda: 5.0, replayed=False)
    client._sock = ours
    client.acknowledge([300, 2, 0, 65535])
    client.loop_write()
    assert theirs.recv(99) == bytes.fromhex("4002012c400200024002ffff")
    client._sock = None


def test_self_check_is_clean_with_the_paho_installed() -> None:
    assert why_not_fast() is None


@pytest.mark.parametrize(
    "broken",
    [
        lambda self, size: (_ for _ in ()).throw(AttributeError("gone")),
        lambda self, size: b"\x30\x05\x00\x01a\x00x",
    ],
)
def test_self_check_notices_a_paho_that_changed(monkeypatch: pytest.MonkeyPatch, broken: Callable[..., bytes]) -> None:
    monkeypatch.setattr(ingest.fast.FastClient, "_sock_recv", broken)
    assert why_not_fast() is not None
