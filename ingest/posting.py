"""Beside the listener: a look at the orders on their way every few seconds, and the topics kept as they should be."""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime

from fleet.clock import now_utc
from fleet.errors import FleetError
from fleet.jobs.nightly import read_deployment
from fleet.jobs.one_tool import one_tool
from fleet.jobs.opened import follow_played
from fleet.jobs.release_step import step
from fleet.settings import Settings
from fleet.store.engine import Store, open_store
from ingest.outbox import Outbox

log = logging.getLogger(__name__)
EVERY_S = 5.0
JOIN_S = 15.0


@contextmanager
def posting(settings: Settings, *, every_s: float = EVERY_S) -> Iterator[None]:
    """Keep orders moving while the block runs, in a thread with connections of its own."""
    stop = threading.Event()
    thread = threading.Thread(target=_keep_posting, args=(settings, stop, every_s), name="orders", daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join(JOIN_S)


def _keep_posting(settings: Settings, stop: threading.Event, every_s: float) -> None:
    last_problem = ""
    while not stop.is_set():
        try:
            with open_store(settings.database_url) as store, Outbox(settings) as outbox:
                head_day = None
                while not stop.wait(every_s):
                    follow_played(settings, store)
                    for line in post_once(store, settings, outbox, now_at=now_utc()):
                        log.info("%s", line)
                    if head_day != now_utc().date():
                        outbox.publish_head(store)
                        head_day = now_utc().date()
        except FleetError as why:
            if str(why) != last_problem:
                log.warning("orders: %s", why)
            last_problem = str(why)
            stop.wait(every_s)


def post_once(store: Store, settings: Settings, outbox: Outbox, *, now_at: datetime) -> list[str]:
    """One look: records move orders, groups are kept or halted, topics are brought up to date."""
    with one_tool(store, "wakeledger listen, orders"):
        done = step(store, read_deployment(store, settings.setup_dir), settings, now_at=now_at)
        return done + outbox.step(store, now_at=now_at)
