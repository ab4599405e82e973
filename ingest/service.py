"""The ingester as a service: one writer, metrics, words to the service manager, a clean stop on SIGTERM."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from contextlib import nullcontext

from fleet.clock import monotonic_s
from fleet.errors import StoreError
from fleet.settings import Settings
from fleet.store.engine import Store
from fleet.store.lease import LEASE_S
from ingest.dialects import foreign_of
from ingest.known_nodes import banded_readings
from ingest.listen import Listener, Tally
from ingest.loading import opened_for_writing, say, until_interrupted
from ingest.metrics import served
from ingest.notify import notify, watchdog_s
from ingest.posting import posting

log = logging.getLogger(__name__)

RENEW_S = LEASE_S / 3
NODE_LIST_S = 60.0


def serve(settings: Settings, *, replayed: bool, metrics_port: int | None, fast: bool, orders: bool) -> Tally:
    """Listen until SIGTERM or Ctrl-C.

    Raises
    ------
    StoreError
        If another process is the ingester; the message names it.
    BrokerError
        If the broker's URL or access files are wrong.
    """
    logging.basicConfig(format="wakeledger: %(levelname)s: %(message)s", level=logging.INFO)
    foreign = foreign_of(settings)
    with opened_for_writing(settings, "wakeledger listen") as (store, renew), until_interrupted() as stop:
        listener = Listener(
            store,
            settings,
            replayed=replayed,
            banded=banded_readings(store),
            foreign=foreign,
            more_topics=() if foreign is None else foreign.topics,
            fast=fast,
        )
        with served(metrics_port, listener.tally, store.file) as port:
            say(f"listening to {settings.broker.url}, {settings.broker.root}/+/wake and /answer; Ctrl-C stops")
            if port is not None:
                say(f"metrics on http://127.0.0.1:{port}/metrics")
            care = Care(store, listener, renew, stop)
            with posting(settings) if orders else nullcontext():
                listener.run(stop, on_ready=lambda: _ready(settings), on_turn=care.turn)
        notify("STOPPING=1")
    say(f"stopped: {listener.tally.stored_count} records stored, {listener.tally.set_aside_count} payloads set aside")
    return listener.tally


def _ready(settings: Settings) -> None:
    notify(f"READY=1\nSTATUS=subscribed to {settings.broker.root}/+/wake")


class Care:
    """What has to be done every so often beside listening."""

    def __init__(self, store: Store, listener: Listener, renew: Callable[[], None], stop: threading.Event) -> None:
        self._store, self._listener, self._renew, self._stop = store, listener, renew, stop
        self._renewed_s = self._listed_s = self._alive_s = monotonic_s()
        self._watchdog_s = watchdog_s()

    def turn(self, tally: Tally) -> None:
        """Renew the lease, feed the watchdog while link and store are live, follow the node list."""
        now = monotonic_s()
        if self._watchdog_s is not None and now - self._alive_s > self._watchdog_s / 3:
            if tally.link_ready and tally.store_ready:
                notify("WATCHDOG=1")
            self._alive_s = now
        if now - self._renewed_s > RENEW_S:
            self._renew_lease(now)
        if now - self._listed_s > NODE_LIST_S:
            self._listed_s = now
            try:
                self._listener.sorter.banded = banded_readings(self._store)
            except StoreError as why:
                log.warning("the node list is not read again: %s", why)

    def _renew_lease(self, now: float) -> None:
        try:
            self._renew()
            self._renewed_s = now
        except StoreError as why:
            log.warning("%s", why)
            # On SQLite the lock file still keeps others away; elsewhere a lease that ran out is lost.
            if self._store.file is None and now - self._renewed_s > LEASE_S:
                self._stop.set()
