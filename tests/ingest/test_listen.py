"""The live ingester against real brokers, MQTT clauses named beside what they ask for."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from fleet.settings import Settings
from fleet.store.engine import Store
from ingest.listen import Listener


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
