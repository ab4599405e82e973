"""One record end to end: payload → broker → store → findings → order → broker → node → a record that proves it.

The broker is a real one on loopback; the node is written out here, with the order reader of the contract. Times are
played (MQTT 5.0 user property `at`, 3.3.2.3.7), so that ten days pass in a second.
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from fleet.demo.embedded import embedded_broker
from fleet.jobs.drafts import draft, known_of
from fleet.jobs.nightly import nightly, read_deployment, sync_setup
from fleet.jobs.release import begin_release
from fleet.jobs.release_step import step
from fleet.settings import Broker, Ingest, Orders, Settings
from fleet.store.audit import verify_audit
from fleet.store.engine import Store
from fleet.store.findings import read_results
from fleet.store.keys import OrderKey, make_key
from fleet.store.orders import read_orders
from fleet.wire_order import OrderKind, digest_of, open_order
from ingest.listen import Listener
from ingest.outbox import Outbox

START_S = 1_764_547_200.0  # 2025-12-01T00:00:00Z
STARTER = Path(__file__).parents[2] / "demo_data" / "starter"
ROOT, NODE, WORD = "marsh", "n001", "00112233aabbccdd"
FACTORY = {"lo": 0.8, "hi": 2.0, "hyst": 0.05, "sleep_s": 3600.0, "period_ms": 100.0, "avg": 8}


class Node:
    """A node by the contract: hourly records, a signed order taken, tried, kept."""

    def __init__(self, client: paho.Client, key: OrderKey) -> None:
        self.client, self.key, self.seq, self.at = client, key, 0, START_S
        self.settings: dict[str, Any] = {**FACTORY, "rev": 0, "seen": 0, "digest": None, "trial": False}
        self.retained: list[bytes] = []
        client.on_message = lambda _c, _d, message: self.retained.append(bytes(message.payload))
        client.subscribe(f"{ROOT}/{NODE}/retune", qos=1)

    def wake(self, hours: int) -> None:
        for _ in range(hours):
            self.at += 3600.0
            self.seq += 1
            told = {name: value for name, value in self.settings.items() if value is not None}
            record = {
                "boot": 1, "seq": self.seq, "cause": "timer", "t": self.at - 2.0, "reading": {"level_v": 1.2},
                "batt_mv": 2950, "batt_tx_mv": 2880, "awake_ms": 1850, "radio_ms": 1500, "temp_c": 9.5,
                "set": told, "life": {"word": WORD, "wakes": self.seq},
            }  # fmt: skip
            properties = Properties(PacketTypes.PUBLISH)
            properties.UserProperty = ("at", str(self.at))
            self.client.publish(f"{ROOT}/{NODE}/wake", json.dumps(record), qos=1, properties=properties)

    def obey(self) -> OrderKind:
        """Take the newest order: settings on trial, or the word to keep them."""
        frame = self.retained[-1]
        order = open_order(frame, key=self.key.key, key_id=self.key.key_id, topic=f"{ROOT}/{NODE}/retune")
        assert order.word.hex() == WORD
        if order.kind is OrderKind.KEEP:
            assert order.rev == self.settings["rev"]
            self.settings["trial"] = False
            return order.kind
        assert order.rev > self.settings["seen"] and order.settings is not None
        taken = {name: getattr(order.settings, name) for name in FACTORY}
        self.settings = {**taken, "rev": order.rev, "seen": order.rev, "digest": digest_of(frame), "trial": True}
        return order.kind


@contextmanager
def listening(store: Store, settings: Settings) -> Iterator[Listener]:
    listener = Listener(store, settings, replayed=True)
    stop, ready = threading.Event(), threading.Event()
    thread = threading.Thread(target=listener.run, args=(stop,), kwargs={"on_ready": ready.set})
    thread.start()
    assert ready.wait(10), listener.tally.last_problem
    try:
        yield listener
    finally:
        stop.set()
        thread.join(10)


@contextmanager
def connected(url: str) -> Iterator[paho.Client]:
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id=NODE, protocol=paho.MQTTv5)
    client.connect("127.0.0.1", int(url.rsplit(":", 1)[1]), keepalive=30)
    client.loop_start()
    try:
        yield client
    finally:
        client.disconnect()
        client.loop_stop()


def until(true: Any, what: str) -> None:
    end = time.monotonic() + 15
    while not true():
        assert time.monotonic() < end, what
        time.sleep(0.02)


def states(store: Store) -> list[tuple[str, str]]:
    orders = read_orders(store)
    return list(zip(orders["kind"], orders["state"], strict=True))


@pytest.fixture
def settings(tmp_path: Path) -> Iterator[Settings]:
    with embedded_broker() as url:
        broker = Broker(url=url, root=ROOT, client_id="flow")
        yield Settings(
            broker=broker, setup=str(STARTER), ingest=Ingest(linger_s=0.05), orders=Orders(), folder=str(tmp_path)
        )


def test_a_record_becomes_a_finding_and_an_order_is_proven_by_a_later_record(
    either_store: Store, settings: Settings
) -> None:
    store = either_store
    key = make_key(settings.keys_dir, NODE)
    sync_setup(store, settings.setup_dir)
    deployment = read_deployment(store, settings.setup_dir)
    with listening(store, settings) as listener, connected(settings.broker.url) as client, Outbox(settings) as outbox:
        node = Node(client, key)

        def live(hours: int) -> datetime:
            node.wake(hours)
            until(lambda: listener.tally.stored_count >= node.seq, "records are stored")
            return datetime.fromtimestamp(node.at + 1.0, UTC)

        def look(now_at: datetime) -> None:
            step(store, deployment, settings, now_at=now_at)
            outbox.step(store, now_at=now_at)

        now_at = live(240)
        nightly(store, settings, now_at=now_at)
        result = next(one for one in read_results(store) if one["node"] == NODE)
        assert result["wakes_seen"] == 240 and result["wakes"] == 240
        assert result["wakes_per_day"] == pytest.approx(24.0, rel=0.02)

        known = known_of(store, deployment, settings, now_at)
        draft(store, known, NODE, {"hyst": 0.1}, drafted_by="a person", now_at=now_at)
        begin_release(store, deployment, settings, who="a person", now_at=now_at)
        look(now_at)
        assert states(store) == [("settings", "posted")]
        until(lambda: node.retained, "the order is on the node's topic")
        assert node.obey() is OrderKind.SETTINGS

        look(live(1))
        assert states(store) == [("settings", "on_trial")]
        look(live(30))  # a day and more of records, as many as expected: the word to keep it goes out
        assert ("keep", "posted") in states(store)
        until(lambda: len(node.retained) > 1, "the keep word is on the node's topic")
        assert node.obey() is OrderKind.KEEP

        look(live(1))
        assert states(store) == [("settings", "in_force"), ("keep", "in_force")]
        assert verify_audit(store) is None
