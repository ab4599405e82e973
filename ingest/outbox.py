"""Sealed orders → broker: retained per node, read back before they count as posted, posted again when lost.

A broker's acknowledgement proves nothing about a node: only records move an order further (`fleet.jobs.release_step`).
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from datetime import datetime
from typing import Any

import paho.mqtt.client as paho

from fleet.clock import monotonic_s
from fleet.errors import BrokerError
from fleet.settings import Settings
from fleet.store.audit import Audited, audit_head
from fleet.store.engine import Store
from fleet.store.orders import move_order, read_order, read_orders
from fleet.store.results import rows_of
from fleet.words import OrderState
from ingest.access import connect_to

OUT = (OrderState.SEALED, OrderState.POSTED, OrderState.ON_TRIAL)
OVER = (
    OrderState.IN_FORCE,
    OrderState.LAPSED,
    OrderState.REFUSED,
    OrderState.OVERTAKEN,
    OrderState.LOST,
    OrderState.PUT_BACK,
)
ANSWER_S = 10.0
HEAD_TOPIC = "wakeledger-audit-head"


class Outbox:
    """A connection that keeps the nodes' order topics as the ledger says they should be."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._root = settings.broker.root
        self._ready = threading.Event()
        self._changed = threading.Condition()
        self._retained: dict[str, bytes] = {}
        self._client: Any = paho.Client(
            paho.CallbackAPIVersion.VERSION2,
            client_id=f"{settings.broker.client_id}-orders",
            protocol=paho.MQTTv5,
        )
        self._client.on_connect = self._connected
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.on_disconnect = lambda *_: self._ready.clear()
        self._client.on_message = self._arrived
        self.posted_count = 0
        self.reposted_count = 0

    def __enter__(self) -> Outbox:
        connect_to(self._client, self._settings.broker)
        self._client.loop_start()
        if not self._ready.wait(ANSWER_S):
            self.__exit__()
            raise BrokerError(
                f"{self._settings.broker.url}: the broker lets nobody subscribe to {self._root}/+/retune. "
                "Allow it for this user."
            )
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def step(self, store: Store, *, now_at: datetime) -> list[str]:
        """Post what is sealed, post again what the broker lost, clear what has ended; one sentence a thing."""
        if not self._ready.is_set():
            return []
        done: list[str] = []
        orders = read_orders(store)
        wanted: dict[str, dict[str, Any]] = {}
        for row in rows_of(orders[orders["state"].isin([str(state) for state in OUT])]):
            topic = str(row["topic"])
            if topic not in wanted or row["kind"] == "keep" or wanted[topic]["kind"] != "keep":
                wanted[topic] = row
        for topic, row in wanted.items():
            done += self._put_out(store, topic, row, now_at)
        ended = orders[orders["state"].isin([str(state) for state in OVER]) & orders["topic"].ne("")]
        for topic in sorted(set(ended["topic"].dropna()) - wanted.keys()):
            if self._retained.get(topic):
                self._publish(topic, b"")
                done.append(f"{topic}: cleared")
        return done + self._end_keeps(store, orders, now_at)

    def publish_head(self, store: Store) -> None:
        """Publish the head of the audit chain, retained: an outside copy is what shows a tail that was cut."""
        head = audit_head(store)
        if head is not None:
            self._publish(f"{self._root}/{HEAD_TOPIC}/head", f'{{"n": {head[0]}, "hash": "{head[1]}"}}'.encode())

    def _put_out(self, store: Store, topic: str, row: Mapping[str, Any], now_at: datetime) -> list[str]:
        full = read_order(store, int(row["order_id"]))
        if full is None or not full["sealed"]:
            return []
        frame = bytes(full["sealed"])
        fresh = row["state"] == OrderState.SEALED
        if self._retained.get(topic) == frame and not fresh:
            return []
        self._publish(topic, frame)
        if not self._came_back(topic, frame):
            return [f"{topic}: the broker did not keep order {int(row['rev'])}; it will be posted again"]
        if not fresh:
            self.reposted_count += 1
            return [f"{topic}: the broker had lost order {int(row['rev'])}; posted again"]
        self.posted_count += 1
        values = {"state": str(OrderState.POSTED), "state_at": now_at.timestamp()}
        body = {"topic": topic, "rev": int(row["rev"]), "kind": row["kind"]}
        told = Audited(now_at.timestamp(), "outbox", "post", body)
        move_order(store, int(row["order_id"]), was=OrderState.SEALED, values=values, audited=told)
        return [f"{topic}: order {int(row['rev'])} ({row['kind']}) is posted"]

    def _end_keeps(self, store: Store, orders: Any, now_at: datetime) -> list[str]:
        """A keep word has done its work when its order is in force; it lapses when its order ended otherwise."""
        settings = orders[orders["kind"] == "settings"].set_index(["node_id", "rev"])["state"].to_dict()
        for row in rows_of(orders[(orders["kind"] == "keep") & orders["state"].isin(["sealed", "posted"])]):
            state = settings.get((row["node_id"], row["rev"]))
            if state is None or OrderState(state) in OUT:
                continue
            end = OrderState.IN_FORCE if state == OrderState.IN_FORCE else OrderState.LAPSED
            move_order(
                store, int(row["order_id"]), was=row["state"],
                values={"state": str(end), "state_at": now_at.timestamp()},
            )  # fmt: skip
        return []

    def _publish(self, topic: str, payload: bytes) -> None:
        sent = self._client.publish(topic, payload, qos=1, retain=True)
        sent.wait_for_publish(ANSWER_S)

    def _came_back(self, topic: str, frame: bytes) -> bool:
        until_s = monotonic_s() + ANSWER_S
        with self._changed:
            while self._retained.get(topic) != frame:
                if not self._changed.wait(max(0.0, until_s - monotonic_s())):
                    return False
        return True

    def _connected(self, client: Any, *_: object) -> None:
        with self._changed:
            self._retained.clear()
        client.subscribe(f"{self._root}/+/retune", qos=1)

    def _arrived(self, _client: Any, _data: object, message: Any) -> None:
        with self._changed:
            if message.payload:
                self._retained[message.topic] = bytes(message.payload)
            else:
                self._retained.pop(message.topic, None)
            self._changed.notify_all()
