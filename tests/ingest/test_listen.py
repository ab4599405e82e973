"""The live ingester against real brokers, MQTT clauses named beside what they ask for."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import msgspec
import paho.mqtt.client as paho
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from fleet.errors import BrokerError, StoreError
from fleet.settings import Broker, Ingest, Settings
from fleet.store.engine import Store
from fleet.store.records import Writer
from ingest.broker import Link
from ingest.listen import Listener
from tests.ingest.brokers import MOSQUITTO, free_port, start_mosquitto


def wake(seq: int, boot: int = 1, more: str = "") -> bytes:
    return b'{"boot":%d,"seq":%d,"cause":"timer","batt_mv":2950%s}' % (boot, seq, more.encode())


@contextmanager
def listening(store: Store, settings: Settings, **options: Any) -> Iterator[Listener]:
    """A listener in a thread of its own, subscribed."""
    listener = Listener(store, settings, **options)
    stop, ready = threading.Event(), threading.Event()
    thread = threading.Thread(target=listener.run, args=(stop,), kwargs={"on_ready": ready.set})
    thread.start()
    try:
        assert ready.wait(10), listener.tally.last_problem
        yield listener
    finally:
        stop.set()
        thread.join(10)
    assert not thread.is_alive()


@contextmanager
def publisher(settings: Settings, protocol: Any = paho.MQTTv5) -> Iterator[paho.Client]:
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id=f"node-{time.monotonic_ns()}", protocol=protocol)
    client.connect("127.0.0.1", int(settings.broker.url.rsplit(":", 1)[1]), keepalive=30)
    client.loop_start()
    try:
        yield client
    finally:
        client.disconnect()
        client.loop_stop()


def publish(client: paho.Client, topic: str, payload: bytes, at: float | None = None) -> None:
    properties = None
    if at is not None:
        properties = Properties(PacketTypes.PUBLISH)
        properties.UserProperty = ("at", str(at))
    client.publish(topic, payload, qos=1, properties=properties).wait_for_publish(10)


def wait_until(true: Callable[[], bool], timeout_s: float = 10.0) -> None:
    until = time.monotonic() + timeout_s
    while not true():
        assert time.monotonic() < until, "waited in vain"
        time.sleep(0.01)


def rows(store: Store, query: str) -> list[tuple[Any, ...]]:
    with store.engine.connect() as conn:
        return [tuple(row) for row in conn.exec_driver_sql(query)]


@pytest.mark.parametrize("fast", [True, False])
def test_records_answers_and_bad_payloads_are_all_kept(store: Store, settings: Settings, fast: bool) -> None:
    """[MQTT-4.5.0-2]: every PUBLISH is acknowledged, also one that can't be read, after its row is committed."""
    root = settings.broker.root
    with listening(store, settings, fast=fast) as listener, publisher(settings) as client:
        publish(client, f"{root}/n1/wake", b"[" + wake(1) + b"," + wake(2) + b',{"boot":1}]')
        publish(client, f"{root}/n1/wake", b"\xff\xfe not json")
        publish(client, f"{root}/n1/answer", b'{"rev":3,"answer":"taken"}')
        publish(client, f"{root}/n 1/wake", wake(3))
        wait_until(lambda: listener.tally.set_aside_count == 3 and listener.tally.stored_count == 2)
        wait_until(lambda: listener.tally.waiting_count == 0)
    assert rows(store, "SELECT boot, seq, batt_mv FROM wakes ORDER BY seq") == [(1, 1, 2950.0), (1, 2, 2950.0)]
    assert rows(store, "SELECT reason FROM set_aside ORDER BY reason") == [
        ("bad_topic",),
        ("not_json",),
        ("not_valid",),
    ]
    assert rows(store, "SELECT rev, answer FROM answers") == [(3, "taken")]
    with listening(store, settings) as listener:  # nothing comes again: all of it was acknowledged
        time.sleep(0.3)
        assert listener.tally.received_count == 0


def test_replayed_messages_carry_their_arrival_only_when_that_is_asked_for(store: Store, settings: Settings) -> None:
    root = settings.broker.root
    for seq, replayed in enumerate([True, False]):
        for fast in (True, False):
            with (
                listening(store, settings, fast=fast, replayed=replayed, clock_s=lambda: 5e8) as listener,
                publisher(settings) as client,
            ):
                publish(client, f"{root}/n1/wake", wake(2 * seq + fast), at=1.7e9)
                wait_until(lambda listener=listener: listener.tally.stored_count == 1)  # type: ignore[misc]  # bound now
    assert rows(store, "SELECT seq, arrived FROM wakes ORDER BY seq") == [(0, 1.7e9), (1, 1.7e9), (2, 5e8), (3, 5e8)]


def test_what_came_while_we_were_away_is_stored(store: Store, settings: Settings) -> None:
    """[MQTT-3.1.2-23], [MQTT-4.1.0-1]: the session outlives the connection for its expiry interval."""
    root = settings.broker.root
    with listening(store, settings):
        pass
    with publisher(settings) as client:
        for seq in range(50):
            publish(client, f"{root}/n1/wake", wake(seq))
        with listening(store, settings) as listener:
            wait_until(lambda: listener.tally.stored_count == 50)
    links = [what for (what,) in rows(store, "SELECT what FROM link_events ORDER BY link_event_id")]
    assert [what for what in links if what != "lost"] == ["session not kept", "connected"]


def test_receipts_are_retained_and_come_also_for_repeats(store: Store, settings: Settings) -> None:
    """Contract: after the commit, retained, up to where nothing is missing of what we got; also for repeats."""
    root = settings.broker.root
    seen: list[tuple[str, bytes, bool]] = []
    with listening(store, settings) as listener, publisher(settings) as client:
        client.on_message = lambda _c, _u, m: seen.append((m.topic, m.payload, m.retain))
        client.subscribe(f"{root}/+/receipt", 1)
        publish(client, f"{root}/n1/wake", b"[" + b",".join(wake(n, boot=12) for n in range(5)) + b"]")
        wait_until(lambda: bool(seen))
        assert seen[-1][:2] == (f"{root}/n1/receipt", b'{"boot":12,"upto":4}')
        seen.clear()
        publish(client, f"{root}/n1/wake", wake(2, boot=12))
        wait_until(lambda: bool(seen))
        assert seen[-1][1] == b'{"boot":12,"upto":4}'
        assert listener.tally.duplicate_count == 1
        with publisher(settings) as later:
            late: list[tuple[bytes, bool]] = []
            later.on_message = lambda _c, _u, m: late.append((m.payload, m.retain))
            later.subscribe(f"{root}/+/receipt", 1)
            wait_until(lambda: bool(late))
            assert late == [(b'{"boot":12,"upto":4}', True)]


def test_the_same_packet_id_again_is_a_new_message(store: Store, settings: Settings) -> None:
    """[MQTT-4.3.2-5]: repeats are known by (node, boot, seq), never by packet id or DUP."""
    root = settings.broker.root
    with listening(store, settings) as listener:
        for seq in range(3):
            with publisher(settings) as client:  # every connection begins with packet id 1
                publish(client, f"{root}/n1/wake", wake(seq))
        wait_until(lambda: listener.tally.stored_count == 3)


@pytest.mark.parametrize("error", [StoreError("disk full"), ValueError("a fault of ours")])
def test_a_store_that_fails_loses_and_doubles_nothing(
    store: Store, settings: Settings, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    """[MQTT-4.3.2-4]: the acknowledgement takes ownership, so it waits for the commit."""
    root = settings.broker.root
    real, failures = Writer.write_batch, iter([error] * 3)

    def write_batch(self: Writer, records: Any, **other: Any) -> Any:
        if records and (failure := next(failures, None)) is not None:
            raise failure
        return real(self, records, **other)

    monkeypatch.setattr(Writer, "write_batch", write_batch)
    with listening(store, settings) as listener, publisher(settings) as client:
        for seq in range(20):
            publish(client, f"{root}/n1/wake", wake(seq))
        wait_until(lambda: listener.tally.stored_count + listener.tally.set_aside_count == 20)
    kept = rows(store, "SELECT count(*), count(DISTINCT seq) FROM wakes")[0]
    aside = rows(store, "SELECT count(*) FROM set_aside")[0][0]
    assert kept[0] == kept[1]
    assert kept[0] + aside == 20
    assert aside <= (0 if isinstance(error, StoreError) else 3)


def test_a_lost_link_comes_back_by_itself(store: Store, tmp_path: Path) -> None:
    if MOSQUITTO is None:
        pytest.skip("mosquitto is not installed")
    port = free_port()
    broker = Broker(url=f"mqtt://127.0.0.1:{port}", root="m", client_id="ingest", session_expiry_s=3600)
    settings = Settings(broker=broker, ingest=Ingest(linger_s=0.02))
    process = start_mosquitto(tmp_path, port)
    try:
        with listening(store, settings) as listener:
            with publisher(settings) as client:
                publish(client, "m/n1/wake", wake(1))
            wait_until(lambda: listener.tally.stored_count == 1)
            process.terminate()
            process.wait(10)
            wait_until(lambda: not listener.tally.link_ready)
            process = start_mosquitto(tmp_path, port)
            wait_until(lambda: listener.tally.link_ready)
            with publisher(settings) as client:
                publish(client, "m/n1/wake", wake(2))
            wait_until(lambda: listener.tally.stored_count == 2)
    finally:
        process.terminate()
        process.wait(10)
    links = [what for (what,) in rows(store, "SELECT what FROM link_events ORDER BY link_event_id")]
    assert links == ["session not kept", "lost", "connected"]


def test_shared_subscriptions_split_the_messages(store: Store, settings: Settings) -> None:
    """[MQTT-4.8.2]: two ingesters in one group get every message once between them (PostgreSQL in earnest)."""
    root = settings.broker.root
    shared = [
        msgspec.structs.replace(
            settings, broker=msgspec.structs.replace(settings.broker, share="g", client_id=f"{root}-{n}")
        )
        for n in range(2)
    ]
    with (
        listening(store, shared[0]) as one,
        listening(store, shared[1]) as other,
        publisher(settings) as client,
    ):
        for seq in range(40):
            publish(client, f"{root}/n1/wake", wake(seq))
        wait_until(lambda: one.tally.stored_count + other.tally.stored_count == 40)
        assert one.tally.received_count + other.tally.received_count == 40


def test_a_wrong_broker_url_is_told() -> None:
    with pytest.raises(BrokerError, match="mqtt://host"):
        Link(Broker(url="http://127.0.0.1"), ["a"])
