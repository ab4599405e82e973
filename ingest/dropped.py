"""The broker's count of messages it dropped, on a connection of its own: some brokers hang up on who asks for $SYS."""

from __future__ import annotations

from collections import deque
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import MQTTProtocolVersion

from fleet.errors import BrokerError
from fleet.settings import Broker
from ingest.access import connect_to

TOPIC = "$SYS/broker/publish/messages/dropped"
CONNECT_TIMEOUT_S = 2.0


class DroppedWatch:
    """Watches the counter while started; `new_drops` gives what was dropped since it was last asked."""

    def __init__(self, settings: Broker) -> None:
        self._settings = settings
        self._client: paho.Client | None = None
        self._counts: deque[int] = deque(maxlen=1000)
        self._last_count: int | None = None
        self._refused = False

    def start(self) -> None:
        """Begin to watch, unless this broker hung up on it before."""
        if self._refused or self._client is not None:
            return
        client = paho.Client(
            paho.CallbackAPIVersion.VERSION2,
            client_id=f"{self._settings.client_id}-dropped",
            protocol=MQTTProtocolVersion.MQTTv5,
            reconnect_on_failure=False,
        )
        client.on_connect = lambda c, *_: c.subscribe(TOPIC, 0)
        client.on_message = self._on_message
        client.on_disconnect = self._on_disconnect
        try:
            connect_to(client, self._settings, CONNECT_TIMEOUT_S)
        except BrokerError:
            return  # the link itself tells that the broker is away
        client.loop_start()
        self._client = client

    def stop(self) -> None:
        """Stop watching; the last count stays, so that drops while away are noticed."""
        client, self._client = self._client, None
        if client is not None:
            client.disconnect()
            client.loop_stop()

    def new_drops(self) -> int:
        """Messages dropped since the last call; a counter that falls is a broker that began anew."""
        dropped = 0
        while self._counts:
            count = self._counts.popleft()
            if self._last_count is not None and count > self._last_count:
                dropped += count - self._last_count
            self._last_count = count
        return dropped

    def _on_message(self, _client: Any, _data: Any, message: paho.MQTTMessage) -> None:
        if bytes(message.payload).isdigit():
            self._counts.append(int(message.payload))

    def _on_disconnect(self, *_: Any) -> None:
        if self._client is not None and not self._counts and self._last_count is None:
            self._refused = True  # hung up before it told a single count
