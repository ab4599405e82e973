"""One MQTT 5 connection, kept up by the thread that owns it: poll, acknowledge, publish.

Nothing is acknowledged but by `acknowledge`, which the caller does after the commit and in order of arrival
(MQTT 5.0 [4.3.2-4], [4.6.0-2]). The session outlives the connection: fixed client id, `clean_start` false, an expiry.
paho is known only here and in `fast.py`.
"""

from __future__ import annotations

import select
import socket
import ssl
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import msgspec
import paho.mqtt.client as paho
from paho.mqtt.enums import MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from fleet.clock import monotonic_s, now_s
from fleet.errors import BrokerError
from fleet.settings import Broker, Settings
from fleet.store.arrived import LinkEvent
from ingest.access import address_of, password, tls_context
from ingest.arrival import Arrival
from ingest.dropped import DroppedWatch
from ingest.fast import FastClient, stamp_of, why_not_fast

PACKET_LIMIT_BYTES = 1_048_576
WINDOW_LIMIT_COUNT = 65_535
BACK_OFF_S = (0.25, 30.0)
CONNECT_TIMEOUT_S = 5.0
ANSWER_TIMEOUT_S = 10.0


class Link:
    """A connection to the broker with a session that outlives it. All methods are for one thread.

    Parameters
    ----------
    topics
        Topic filters taken at QoS 1.
    window_count
        Receive Maximum: how many messages may wait for their acknowledgement.
    replayed
        Believe the `at` that a replayed message carries; never for messages of real nodes.
    """

    def __init__(
        self,
        settings: Broker,
        topics: Sequence[str],
        *,
        window_count: int = 2500,
        clock_s: Callable[[], float] = now_s,
        replayed: bool = False,
        watch_dropped: bool = True,
        fast: bool = True,
    ) -> None:
        self.settings = settings
        self.topics = list(topics)
        self.events: list[LinkEvent] = []
        self.ready = False
        self.session = 0
        self.refusal: str | None = None
        self.last_heard_s = monotonic_s()
        self._window_count = min(window_count, WINDOW_LIMIT_COUNT)
        self._clock_s = clock_s
        self._replayed = replayed
        self._dropped = DroppedWatch(settings) if watch_dropped else None
        self._lost_told = True
        self._wait_s = 0.0
        self._try_again_s = 0.0
        self._asked_s = 0.0
        self._arrived: list[Arrival] = []
        self.why_slow = why_not_fast() if fast else "not asked for"
        self._client = self._new_client()

    def poll(self, timeout_s: float, *, read: bool = True) -> list[Arrival]:
        """What arrived, after waiting at most so long; reconnects when due. `read` false leaves it with the broker."""
        if self._client.socket() is None and not self._connected_again(timeout_s):
            return []
        self._wait_for_socket(timeout_s, read)
        self._client.loop_misc()
        if not self.ready and self._client.socket() is not None and monotonic_s() - self._asked_s > ANSWER_TIMEOUT_S:
            self._lost("the broker did not answer")
        arrived, self._arrived = self._take_arrived(), []
        if arrived:
            self.last_heard_s = monotonic_s()
        return arrived

    def acknowledge(self, arrivals: Iterable[Arrival]) -> None:
        """Acknowledge messages in order of arrival; those of an earlier connection come again and are left alone."""
        if not self.ready:
            return
        ids = [one.packet_id for one in arrivals if one.packet_id and one.session == self.session]
        if isinstance(self._client, FastClient):
            self._client.acknowledge(ids)
        else:
            for packet_id in ids:
                self._client.ack(packet_id, 1)

    def publish_retained(self, messages: Sequence[tuple[str, bytes]]) -> None:
        """Publish retained messages at QoS 0; nothing is kept if the link is down."""
        if not self.ready:
            return
        if isinstance(self._client, FastClient):
            self._client.publish_retained(messages)
        else:
            for topic, payload in messages:
                self._client.publish(topic, payload, qos=0, retain=True)

    def close(self, timeout_s: float = 2.0) -> None:
        """Write what is queued and leave; the session stays with the broker."""
        if self._dropped is not None:
            self._dropped.stop()
        if self._client.socket() is None:
            return
        until_s = monotonic_s() + timeout_s
        while self._client.want_write() and self._client.socket() is not None and monotonic_s() < until_s:
            select.select([], [self._client.socket()], [], 0.1)
            self._client.loop_write()
        self._lost_told = True
        self.ready = False
        self._client.disconnect()
        while self._client.want_write() and self._client.socket() is not None and monotonic_s() < until_s:
            self._client.loop_write()

    def _new_client(self) -> paho.Client:
        client: paho.Client
        if self.why_slow is None:
            client = FastClient(self.settings.client_id, now_s=self._clock_s, replayed=self._replayed)
        else:
            client = paho.Client(
                paho.CallbackAPIVersion.VERSION2,
                client_id=self.settings.client_id,
                protocol=MQTTProtocolVersion.MQTTv5,
                manual_ack=True,
            )
            client.on_message = self._on_message
        client.connect_timeout = CONNECT_TIMEOUT_S
        client.on_socket_open = _without_delay
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        if address_of(self.settings).secure:
            client.tls_set_context(tls_context(self.settings))
        if self.settings.user is not None:
            client.username_pw_set(self.settings.user, password(self.settings))
        return client

    def _connected_again(self, timeout_s: float) -> bool:
        """True once a socket is there; waits for the back-off otherwise."""
        rest_s = self._try_again_s - monotonic_s()
        if rest_s > 0:
            select.select([], [], [], min(rest_s, timeout_s))
            return False
        host, port, _ = address_of(self.settings)
        properties = Properties(PacketTypes.CONNECT)
        properties.SessionExpiryInterval = self.settings.session_expiry_s
        properties.ReceiveMaximum = self._window_count
        properties.MaximumPacketSize = PACKET_LIMIT_BYTES
        self._asked_s = monotonic_s()
        try:
            self._client.connect(
                host,
                port,
                keepalive=max(self.settings.keepalive_s, 1),
                clean_start=False,
                properties=properties,
            )
        except (OSError, ssl.SSLError) as why:
            self.refusal = f"{self.settings.url}: {why}. Is the broker running, and is broker.url right?"
            self._back_off()
            return False
        return True

    def _back_off(self) -> None:
        self._wait_s = min(max(self._wait_s * 2, BACK_OFF_S[0]), BACK_OFF_S[1])
        self._try_again_s = monotonic_s() + self._wait_s

    def _wait_for_socket(self, timeout_s: float, read: bool) -> None:
        sock = self._client.socket()
        if sock is None:
            return
        wanted = (select.POLLIN if read else 0) | (select.POLLOUT if self._client.want_write() else 0)
        poller = select.poll()
        poller.register(sock, wanted)
        pending = isinstance(sock, ssl.SSLSocket) and read and sock.pending() > 0
        happened = poller.poll(0 if pending else int(timeout_s * 1000))
        code = MQTTErrorCode.MQTT_ERR_SUCCESS
        flags = happened[0][1] if happened else 0
        if flags & select.POLLOUT:
            code = self._client.loop_write()
        if code == MQTTErrorCode.MQTT_ERR_SUCCESS and (pending or flags & ~select.POLLOUT):
            self._client.loop_read()

    def _on_connect(self, client: paho.Client, _data: Any, flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self.refusal = (
                f"{self.settings.url}: the broker refuses us: {reason}. Check broker.user and its password file."
            )
            return
        self.refusal = None
        self.session += 1
        if isinstance(client, FastClient):
            client.session = self.session
        what = "connected" if flags.session_present else "session not kept"
        detail = None if flags.session_present else "a gap is possible: what nodes sent while we were away may be gone"
        self._tell(what, detail)
        self._lost_told = False
        share = f"$share/{self.settings.share}/" if self.settings.share else ""
        client.subscribe([(share + topic, SubscribeOptions(qos=1)) for topic in self.topics])

    def _on_subscribe(self, client: paho.Client, _data: Any, _mid: int, reasons: Any, _properties: Any) -> None:
        refused = [topic for topic, reason in zip(self.topics, reasons, strict=False) if reason.is_failure]
        if refused:
            self.refusal = f"{self.settings.url}: the broker refuses {refused[0]}. Check its access list."
            self._tell("subscription refused", refused[0])
            return
        self.ready = True
        self._wait_s = 0.0
        if self._dropped is not None:
            self._dropped.start()

    def _on_disconnect(self, _client: paho.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        self._lost(str(reason))

    def _lost(self, why: str) -> None:
        if not self._lost_told:
            self._tell("lost", why)
            self._lost_told = True
        self.ready = False
        if self._dropped is not None:
            self._dropped.stop()
        self._back_off()
        if self._client.socket() is not None:
            self._client.disconnect()

    def _on_message(self, _client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        """Stock path: never raises, the message stays unacknowledged."""
        stamp = None
        if self._replayed and message.properties is not None:
            pairs = getattr(message.properties, "UserProperty", [])
            stamp = next((stamp_of(value) for name, value in pairs if name == "at"), None)
        topic = bytes(message._topic).decode("utf-8", "backslashreplace")
        at = self._clock_s() if stamp is None else stamp
        packet_id = message.mid if message.qos else 0
        self._arrived.append(Arrival(topic, bytes(message.payload), at, packet_id, self.session))

    def _take_arrived(self) -> list[Arrival]:
        if isinstance(self._client, FastClient):
            arrived, self._client.arrived = self._client.arrived, []
        else:
            arrived = self._arrived
        dropped_count = self._dropped.new_drops() if self._dropped is not None else 0
        if dropped_count:
            detail = f"a gap is possible: the broker dropped {dropped_count} messages. Raise its queue limit."
            self._tell("dropped by the broker", detail)
        return arrived

    def _tell(self, what: str, detail: str | None) -> None:
        self.events.append(LinkEvent(self._clock_s(), what, detail))


def probe_broker(settings: Settings, timeout_s: float = 5.0) -> list[tuple[str, bool, str]]:
    """What a first connection finds: what was tried, whether it went well, and in words."""
    broker = settings.broker
    visitor = msgspec.structs.replace(broker, client_id=f"{broker.client_id}-check", session_expiry_s=0, share=None)
    try:
        link = Link(visitor, [f"{broker.root}/+/wake"], watch_dropped=False)
    except BrokerError as why:
        return [("broker", False, str(why))]
    until_s = monotonic_s() + timeout_s
    try:
        while not link.ready and link.refusal is None and monotonic_s() < until_s:
            link.poll(0.1)
    finally:
        link.close()
    found = f"{broker.url}: MQTT 5, subscribed to {broker.root}/+/wake"
    if not any(event.what == "session not kept" for event in link.events) and link.refusal is None:
        return [("broker", False, f"{broker.url}: no answer within {timeout_s:.0f} s. Does it speak MQTT 5?")]
    return [("broker", link.refusal is None, link.refusal or found)]


def _without_delay(_client: paho.Client, _data: Any, sock: Any) -> None:
    """Send small packets at once: receipts behind acknowledgements else wait 40 ms for the broker's delayed one."""
    if hasattr(sock, "setsockopt"):
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
