"""The outbox against a real broker: read back, posted again when lost, cleared when done."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import paho.mqtt.client as paho
import pytest

from fleet.settings import Broker, Settings
from fleet.store.audit import read_audit
from fleet.store.engine import Store
from fleet.store.orders import add_order, move_order, read_order
from ingest.outbox import HEAD_TOPIC, Outbox

from .brokers import MOSQUITTO, free_port, start_mosquitto

ROOT, TOPIC, FRAME = "marsh", "marsh/n1/retune", b"\xd1\x84 sealed bytes"
NOW = datetime(2026, 1, 2, tzinfo=UTC)


@pytest.fixture
def node_id(store: Store) -> int:
    with store.write() as conn:
        conn.exec_driver_sql("INSERT INTO nodes (node) VALUES ('n1')")
    return 1


def sealed_order(store: Store, node_id: int) -> int:
    at = NOW.timestamp()
    return add_order(
        store,
        {
            "node_id": node_id, "rev": 1, "kind": "settings", "state": "sealed", "state_at": at, "issued": at,
            "until": at + 86_400, "topic": TOPIC, "sealed": FRAME, "sleep_s": 900.0,
        },
    )  # fmt: skip


def state_of(store: Store, number: int) -> str:
    row = read_order(store, number)
    assert row is not None
    return str(row["state"])


def retained(port: int, topic: str = TOPIC) -> bytes | None:
    """What a node that comes up now is handed on its topic (MQTT 5.0 [3.8.4-4])."""
    found: list[bytes] = []
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.on_message = lambda _c, _d, message: found.append(message.payload)
    client.on_connect = lambda c, *_: c.subscribe(topic, 1)
    client.connect("127.0.0.1", port)
    client.loop_start()
    until = time.monotonic() + 0.4
    while not found and time.monotonic() < until:
        time.sleep(0.01)
    client.disconnect()
    client.loop_stop()
    return found[0] if found else None


def wait_until(true: Callable[[], bool], timeout_s: float = 10.0) -> None:
    until = time.monotonic() + timeout_s
    while not true():
        assert time.monotonic() < until, "waited in vain"
        time.sleep(0.02)


@pytest.fixture
def broker_settings(tmp_path: Path) -> Iterator[Settings]:
    """A broker that keeps nothing on disk, so that a kill makes it forget."""
    if MOSQUITTO is None:
        pytest.skip("mosquitto is not installed")
    port = free_port()
    yield Settings(broker=Broker(url=f"mqtt://127.0.0.1:{port}", root=ROOT, client_id="tool"))


def test_an_order_is_posted_found_lost_posted_again_and_cleared(
    store: Store, node_id: int, broker_settings: Settings, tmp_path: Path
) -> None:
    """MQTT 5.0 [3.3.1-5], [3.3.1-6]: retained, and removed by a message without payload; finding 1: a kill loses it."""
    port = int(broker_settings.broker.url.rsplit(":", 1)[1])
    broker = start_mosquitto(tmp_path, port)
    number = sealed_order(store, node_id)
    try:
        with Outbox(broker_settings) as outbox:
            outbox.step(store, now_at=NOW)
            assert (state_of(store, number), retained(port)) == ("posted", FRAME)
            assert outbox.step(store, now_at=NOW) == []
            broker.kill()
            broker.wait(10)
            for left in tmp_path.glob("mosquitto.db*"):
                left.unlink()
            broker = start_mosquitto(tmp_path, port)
            wait_until(lambda: bool(outbox.step(store, now_at=NOW)))
            assert (outbox.posted_count, outbox.reposted_count, retained(port)) == (1, 1, FRAME)
            assert state_of(store, number) == "posted"  # a broker's acknowledgement moves it no further
            move_order(store, number, was="posted", values={"state": "in_force"})
            outbox.step(store, now_at=NOW)
            assert retained(port) is None
    finally:
        broker.kill()
        broker.wait(10)
    assert [row.what for row in read_audit(store)] == ["post"]


def test_the_head_of_the_audit_chain_is_published_retained(
    store: Store, node_id: int, broker_settings: Settings, tmp_path: Path
) -> None:
    """Only a copy outside shows a tail that was cut."""
    broker = start_mosquitto(tmp_path, int(broker_settings.broker.url.rsplit(":", 1)[1]))
    try:
        with Outbox(broker_settings) as outbox:
            sealed_order(store, node_id)
            outbox.step(store, now_at=NOW)
            outbox.publish_head(store)
            head = retained(int(broker_settings.broker.url.rsplit(":", 1)[1]), f"{ROOT}/{HEAD_TOPIC}/head")
    finally:
        broker.kill()
        broker.wait(10)
    (row,) = read_audit(store)
    assert head is not None
    assert json.loads(head) == {"n": 1, "hash": row.hash}
