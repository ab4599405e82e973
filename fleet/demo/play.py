"""The player: Harrow Flats through a real broker, as fast as it goes or at a chosen speed-up, orders listened to."""

from __future__ import annotations

import heapq
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice
from typing import Any

from fleet.demo.bulk import BulkPublisher, Message, host_and_port
from fleet.demo.flats import Flats
from fleet.demo.lives import NodeLife
from fleet.demo.spec import Progress
from fleet.demo.under_order import NodeKey, OnTrial, kept, on_trial, take
from fleet.demo.wire_out import messages_of
from fleet.errors import BrokerError
from fleet.units import D_PER_WEEK, S_PER_D

CHUNK_COUNT = 2000
AHEAD_COUNT = 30_000  # messages that may lie between the broker and the store
WAIT_S = 0.02
CONNECT_S = 15.0

Stored = Callable[[], int]
"""How many of the player's messages the ingester has stored so far."""


@dataclass(frozen=True)
class Played:
    """How far the player is."""

    at_s: float  # simulated time of the last message
    messages_count: int


@dataclass
class Pace:
    """How fast to go, and how far ahead of the store."""

    stored: Stored | None = None
    ahead_count: int = AHEAD_COUNT
    speed_up: float | None = None  # simulated seconds a second; None: as fast as it goes
    stop: threading.Event = field(default_factory=threading.Event)
    sent_count: int = 0

    def wait(self, at_s: float, begun_at_s: float, begun_s: float) -> None:
        """Hold until the store has caught up, and until the chosen speed allows the next messages."""
        while self.stored and self.sent_count - self.stored() > self.ahead_count and not self.stop.wait(WAIT_S):
            pass
        if self.speed_up:
            due_s = begun_s + (at_s - begun_at_s) / self.speed_up
            self.stop.wait(max(0.0, due_s - time.monotonic()))


def play(
    flats: Flats,
    url: str,
    root: str,
    *,
    weeks: float,
    pace: Pace | None = None,
    simulated: Progress | None = None,
) -> Iterator[Played]:
    """Let all nodes live for so many weeks and publish what they tell; yields after each piece.

    Raises
    ------
    BrokerError
        If the broker can't be used.
    """
    lives = flats.advance(flats.at_s + weeks * D_PER_WEEK * S_PER_D, progress=simulated)
    yield from publish(messages_of(lives, root), url, pace or Pace())


def publish(messages: Iterable[Message], url: str, pace: Pace) -> Iterator[Played]:
    """Publish messages in order, at the pace; yields after each piece, the last one acknowledged by the broker."""
    begun_s, first_s = time.monotonic(), None
    source = iter(messages)
    with BulkPublisher(url) as publisher:
        size = 50 if pace.speed_up else min(CHUNK_COUNT, pace.ahead_count)
        while (piece := list(islice(source, size))) and not pace.stop.is_set():
            first_s = piece[0][0] if first_s is None else first_s
            pace.wait(piece[0][0], first_s, begun_s)
            pace.sent_count += publisher.send(piece)
            yield Played(piece[-1][0], pace.sent_count)


class OrderBox:
    """What lies retained on the nodes' retune topics; filled by its own connection while it is open."""

    def __init__(self, url: str, root: str) -> None:
        import paho.mqtt.client as paho

        self._root = root
        self._ready = threading.Event()
        self._changed = threading.Condition()
        self._orders: dict[str, bytes] = {}
        self._client = paho.Client(
            paho.CallbackAPIVersion.VERSION2, client_id="wakeledger-demo-orders", protocol=paho.MQTTv5
        )
        self._client.on_connect = self._connected
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.on_message = self._arrived
        host, port = host_and_port(url)
        try:
            self._client.connect(host, port, keepalive=60)
        except OSError as why:
            raise BrokerError(f"demo: no broker at {url} ({why}). Start it, or leave --broker out.") from why
        self._client.loop_start()
        if not self._ready.wait(CONNECT_S):
            self.close()
            raise BrokerError(f"demo: the broker at {url} lets nobody subscribe to {root}/+/retune. Allow it.")

    def __enter__(self) -> OrderBox:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Leave the broker."""
        self._client.disconnect()
        self._client.loop_stop()

    def orders(self) -> dict[str, bytes]:
        """The order now open for each node, by name."""
        with self._changed:
            return dict(self._orders)

    def wait_for(
        self, names: Iterable[str], timeout_s: float, *, other_than: Mapping[str, bytes] | None = None
    ) -> bool:
        """Wait until each of these nodes has an order, other than the ones given."""
        wanted, old = list(names), other_than or {}

        def all_there() -> bool:
            return all(name in self._orders and self._orders[name] != old.get(name) for name in wanted)

        with self._changed:
            return self._changed.wait_for(all_there, timeout_s)

    def _connected(self, client: Any, *_: object) -> None:
        client.subscribe(f"{self._root}/+/retune", qos=1)

    def _arrived(self, _client: Any, _data: object, message: Any) -> None:
        name = message.topic[len(self._root) + 1 : -len("/retune")]
        with self._changed:
            if message.payload:
                self._orders[name] = message.payload
            else:
                self._orders.pop(name, None)
            self._changed.notify_all()


def continue_with_orders(
    flats: Flats,
    url: str,
    root: str,
    *,
    box: OrderBox,
    keys: Mapping[str, NodeKey],
    days: float,
    keep_wait_s: float = 10.0,
    pace: Pace | None = None,
) -> Iterator[Played]:
    """Let the nodes take the orders that lie in the box, and live on for some days.

    Ordered nodes run to the wake before the last of their trial; then the player waits (real time) up to
    `keep_wait_s` for the tool to say *keep*. A node that hears none falls back by itself, as real firmware does.
    """
    pace = pace or Pace()
    until_s = flats.at_s + days * S_PER_D
    open_orders = {name: payload for name, payload in box.orders().items() if name in flats.worlds}
    lives, answers, trials = _taken(flats, open_orders, root=root, keys=keys, until_s=until_s)
    hold_s = max((flats.states[name].at_s for name in open_orders), default=flats.at_s)
    lives += flats.advance(hold_s, nodes=[name for name in flats.worlds if name not in open_orders])
    yield from publish(in_order(lives, answers, root), url, pace)
    if trials:
        box.wait_for(trials, keep_wait_s, other_than=open_orders)
    keeps = {name: payload for name, payload in box.orders().items() if payload != open_orders.get(name)}
    lives = []
    for name, trial in trials.items():
        lives += kept(flats, name, trial, keeps.get(name), root=root, keys=keys, until_s=until_s)
    lives += flats.advance(until_s)
    yield from publish(in_order(lives, [], root), url, pace)


def _taken(
    flats: Flats, orders: Mapping[str, bytes], *, root: str, keys: Mapping[str, NodeKey], until_s: float
) -> tuple[list[NodeLife], list[Message], dict[str, OnTrial]]:
    """Each ordered node up to the taking and through most of its trial."""
    lives: list[NodeLife] = []
    answers: list[Message] = []
    trials: dict[str, OnTrial] = {}
    for name, payload in orders.items():
        life, told_answers, trial = take(flats, name, payload, root=root, keys=keys, until_s=until_s)
        lives.append(life)
        answers += told_answers
        if trial:
            life, went_back = on_trial(flats, name, trial, until_s, spare_count=1)
            lives.append(life)
            trials |= {} if went_back else {name: trial}
    return lives, answers, trials


def in_order(lives: Sequence[NodeLife], answers: Sequence[Message], root: str) -> Iterator[Message]:
    """Messages of these lives and these answers in order of arrival."""
    return heapq.merge(messages_of(lives, root), sorted(answers))
