"""Recordings out: what the store holds, or what a broker carries, as messages; and recordings back to a broker."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator
from typing import Any

import msgspec
import paho.mqtt.client as paho
from paho.mqtt.enums import MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from fleet.clock import monotonic_s
from fleet.errors import BrokerError
from fleet.settings import Broker
from fleet.store.engine import Store
from fleet.store.stored_messages import stored_records
from fleet.wire import encode_wakes, topic_of
from fleet.wire_recording import BadLine, Message
from ingest.access import connect_to
from ingest.broker import Link

IN_FLIGHT_COUNT = 500
WAIT_S = 0.2


def messages_of_store(store: Store, root: str, since_s: float, until_s: float) -> Iterator[Message]:
    """What is stored, as the messages that would store it again, in order of arrival."""
    for node, arrived, record, extra in stored_records(store, since_s, until_s):
        yield Message(arrived, topic_of(root, node, "wake"), encode_wakes([record], [extra]))


def messages_of_broker(settings: Broker, stop: threading.Event, seconds: float | None) -> Iterator[Message]:
    """What a broker carries below our root, from now on, for so long or until `stop`."""
    visitor = msgspec.structs.replace(
        settings, client_id=f"{settings.client_id}-dump", session_expiry_s=0, share=None
    )  # fmt: skip
    link = Link(visitor, [f"{settings.root}/+/+"], watch_dropped=False)
    until_s = None if seconds is None else monotonic_s() + seconds
    try:
        while not stop.is_set() and (until_s is None or monotonic_s() < until_s):
            arrived = link.poll(WAIT_S)
            if link.refusal:
                raise BrokerError(link.refusal)
            yield from (Message(one.at, one.topic, one.payload) for one in arrived)
            link.acknowledge(arrived)
    finally:
        link.close()


class Replay:
    """Publishes messages again at QoS 1, each with the time it first arrived as user property `at`."""

    def __init__(self, settings: Broker, speed: float | None) -> None:
        self.settings = settings
        self.sent_count = 0
        self.bad_count = 0
        self._speed = speed
        self._window = threading.Semaphore(IN_FLIGHT_COUNT)
        self._client = paho.Client(
            paho.CallbackAPIVersion.VERSION2,
            client_id=f"{settings.client_id}-replay",
            protocol=MQTTProtocolVersion.MQTTv5,
        )
        self._client.max_inflight_messages_set(IN_FLIGHT_COUNT)
        self._client.on_publish = self._on_publish

    def run(
        self, lines: Iterable[Message | BadLine], stop: threading.Event, on_progress: Callable[[int], None]
    ) -> None:
        """Publish everything; returns when the broker has acknowledged it.

        Raises
        ------
        BrokerError
            If the broker can't be reached.
        """
        connect_to(self._client, self.settings)
        self._client.loop_start()
        try:
            self._publish(lines, stop, on_progress)
            for _ in range(IN_FLIGHT_COUNT):  # all permits back: all acknowledged
                if not self._window.acquire(timeout=30):
                    raise BrokerError(f"{self.settings.url}: the broker stopped acknowledging.")
        finally:
            self._client.disconnect()
            self._client.loop_stop()

    def _publish(
        self, lines: Iterable[Message | BadLine], stop: threading.Event, on_progress: Callable[[int], None]
    ) -> None:
        begun_s, first_at = monotonic_s(), None
        for line in lines:
            if stop.is_set():
                return
            if isinstance(line, BadLine):
                self.bad_count += 1
                continue
            first_at = line.at if first_at is None else first_at
            if self._speed:
                stop.wait(max(0.0, begun_s + (line.at - first_at) / self._speed - monotonic_s()))
            while not self._window.acquire(timeout=30):
                raise BrokerError(f"{self.settings.url}: the broker stopped acknowledging.")
            properties = Properties(PacketTypes.PUBLISH)
            properties.UserProperty = ("at", repr(line.at))
            retained = line.topic.endswith(("/receipt", "/retune"))
            self._client.publish(line.topic, line.payload, qos=1, retain=retained, properties=properties)
            self.sent_count += 1
            on_progress(1)

    def _on_publish(self, *_: Any) -> None:
        self._window.release()
