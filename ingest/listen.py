"""Messages → store, live: one thread polls the broker, commits, acknowledges and receipts, in this order."""

from __future__ import annotations

import gc
import logging
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field

from fleet.clock import monotonic_s, now_s
from fleet.errors import MessageError, StoreError
from fleet.messages import Receipt
from fleet.settings import Settings
from fleet.store.arrived import LinkEvent, Written
from fleet.store.engine import Store
from fleet.store.records import Writer
from fleet.wire import encode_receipt, topic_of
from ingest.arrival import Arrival
from ingest.broker import Link
from ingest.sorting import Foreign, Sorter
from ingest.writer import Due, write

log = logging.getLogger(__name__)

LONGEST_POLL_S = 0.25
STORE_BACK_OFF_S = (0.1, 5.0)


@dataclass
class Tally:
    """What a listener did so far; read by metrics and health."""

    received_count: int = 0
    stored_count: int = 0
    duplicate_count: int = 0
    set_aside_count: int = 0
    batch_count: int = 0
    waiting_count: int = 0
    store_errors_count: int = 0
    link_ready: bool = False
    store_ready: bool = True
    last_commit_s: float | None = None
    last_turn_s: float = field(default_factory=monotonic_s)
    last_problem: str | None = None
    stopped: bool = False

    def add(self, written: Written) -> None:
        """Count a committed batch."""
        self.stored_count += written.stored_count
        self.duplicate_count += written.duplicate_count
        self.set_aside_count += written.set_aside_count
        self.batch_count += 1
        self.store_ready = True
        self.last_commit_s = monotonic_s()


def topics_of(root: str) -> list[str]:
    """What an ingester subscribes to.

    >>> topics_of("marsh")
    ['marsh/+/wake', 'marsh/+/answer']
    """
    return [f"{root}/+/wake", f"{root}/+/answer"]


class Listener:
    """The live ingester. `run` returns when `stop` is set, with everything committed acknowledged."""

    def __init__(
        self,
        store: Store,
        settings: Settings,
        *,
        clock_s: Callable[[], float] = now_s,
        replayed: bool = False,
        banded: Mapping[str, str] | None = None,
        foreign: Foreign | None = None,
        more_topics: tuple[str, ...] = (),
        watch_dropped: bool = True,
        fast: bool = True,
    ) -> None:
        ingest = settings.ingest
        self.tally = Tally()
        self.settings = settings
        self.sorter = Sorter(
            settings.broker.root, banded=banded, limit_bytes=ingest.payload_limit_bytes, foreign=foreign
        )
        self._store = store
        self._writer: Writer | None = None
        self._due = Due(ingest.batch, ingest.linger_s)
        self._link = Link(
            settings.broker,
            [*topics_of(settings.broker.root), *more_topics],
            window_count=2 * self._due.catch_up_count + 100,
            clock_s=clock_s,
            replayed=replayed,
            watch_dropped=watch_dropped,
            fast=fast,
        )
        self._waiting: list[Arrival] = []
        self._oldest_s: float | None = None
        self._receipts: dict[tuple[str, int], Receipt] = {}
        self._events: list[LinkEvent] = []
        if self._link.why_slow and fast:
            log.warning("the fast path is not used: %s", self._link.why_slow)

    def run(
        self,
        stop: threading.Event,
        *,
        on_ready: Callable[[], None] | None = None,
        on_batch: Callable[[Written], None] | None = None,
        on_turn: Callable[[Tally], None] | None = None,
    ) -> Tally:
        """Listen until `stop` is set.

        Raises
        ------
        BrokerError
            If the broker's access files can't be used.
        """
        self._writer = Writer(self._store)  # here, for SQLite's connections stay in their thread
        try:
            while not stop.is_set():
                self._turn(stop, on_batch)
                if on_ready is not None and self._link.ready:
                    on_ready()
                    on_ready = None
                if on_turn is not None:
                    on_turn(self.tally)
            if self._waiting or self._link.events:
                self._commit(stop, on_batch)
            self._send_receipts()
        finally:
            self._link.close()
            self._writer.close()
            self._writer = None
            self.tally.stopped, self.tally.link_ready = True, False
        return self.tally

    def _turn(self, stop: threading.Event, on_batch: Callable[[Written], None] | None) -> None:
        age_s = None if self._oldest_s is None else monotonic_s() - self._oldest_s
        timeout_s = 0.0 if self._receipts else self._due.wait_s(age_s, LONGEST_POLL_S)
        arrived = self._link.poll(timeout_s)
        tally = self.tally
        if arrived:
            if self._oldest_s is None:
                self._oldest_s = monotonic_s()
            self._waiting += arrived
            tally.received_count += len(arrived)
        tally.waiting_count, tally.link_ready = len(self._waiting), self._link.ready
        tally.last_turn_s = monotonic_s()
        if self._link.refusal:
            self._problem(self._link.refusal)
        age_s = 0.0 if self._oldest_s is None else monotonic_s() - self._oldest_s
        if self._due.is_due(len(self._waiting), age_s) or (self._link.events and not self._waiting):
            self._commit(stop, on_batch)
        if not arrived:
            self._send_receipts()

    def _commit(self, stop: threading.Event, on_batch: Callable[[Written], None] | None) -> None:
        """Write, then acknowledge, then receipt. While the store is not able, nothing is read and the broker holds."""
        if self._writer is None:
            return
        with uncollected():
            batch = self.sorter.sort(self._waiting)
        events, self._link.events = self._link.events, []
        wait_s = STORE_BACK_OFF_S[0]
        while True:
            try:
                with uncollected():
                    written = write(self._writer, batch, events)
                break
            except StoreError as why:
                self.tally.store_ready = False
                self.tally.store_errors_count += 1
                self._problem(str(why))
                if stop.is_set():
                    return  # unacknowledged: the broker keeps it for our next start
            self._hold(wait_s)
            wait_s = min(wait_s * 2, STORE_BACK_OFF_S[1])
        self._link.acknowledge(self._waiting)
        if self._oldest_s is not None:
            self._due.committed(len(self._waiting), monotonic_s() - self._oldest_s)
        self._waiting, self._oldest_s = [], None
        self.tally.waiting_count = 0
        self.tally.add(written)
        if self.settings.ingest.receipts:
            self._receipts.update({(node, receipt.boot): receipt for node, receipt in written.receipts})
            if len(self._receipts) > self._due.catch_up_count:
                self._send_receipts()
        if on_batch is not None:
            on_batch(written)

    def _hold(self, seconds: float) -> None:
        """Keep the connection alive without reading from it."""
        until_s = monotonic_s() + seconds
        while (rest_s := until_s - monotonic_s()) > 0:
            self._link.poll(min(rest_s, LONGEST_POLL_S), read=False)

    def _send_receipts(self) -> None:
        """Publish what is stored up to where; after the commit, never before it."""
        if not self._receipts or not self._link.ready:
            return
        messages = []
        for (node, _boot), receipt in self._receipts.items():
            try:
                messages.append((topic_of(self.settings.broker.root, node, "receipt"), encode_receipt(receipt)))
            except MessageError:
                continue  # a node of a foreign dialect whose name is no topic level: nobody reads its receipt
        self._receipts = {}
        self._link.publish_retained(messages)

    def _problem(self, text: str) -> None:
        if text != self.tally.last_problem:
            log.warning("%s", text)
        self.tally.last_problem = text


@contextmanager
def uncollected() -> Iterator[None]:
    """No garbage collection meanwhile: a batch is young objects that all live to the commit."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def listen(
    store: Store,
    settings: Settings,
    *,
    stop: threading.Event,
    clock_s: Callable[[], float] = now_s,
    on_batch: Callable[[Written], None] | None = None,
    on_ready: Callable[[], None] | None = None,
    replayed: bool = False,
    banded: Mapping[str, str] | None = None,
    watch_dropped: bool = True,
) -> Tally:
    """Run a listener in this thread until `stop` is set; see `Listener`."""
    listener = Listener(store, settings, clock_s=clock_s, replayed=replayed, banded=banded, watch_dropped=watch_dropped)
    return listener.run(stop, on_ready=on_ready, on_batch=on_batch)
