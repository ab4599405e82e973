"""Set-aside payloads tried again after a mapping or this program was mended."""

from __future__ import annotations

from fleet.clock import now_s
from fleet.settings import Settings
from fleet.store.engine import Store
from fleet.store.lease import INGEST, held
from fleet.store.records import Writer
from fleet.store.set_aside import SetAside, mark_retried, read_set_aside
from ingest.arrival import Arrival
from ingest.dialects import foreign_of
from ingest.known_nodes import banded_readings
from ingest.sorting import Sorter
from ingest.writer import write

BLOCK_COUNT = 500


def retry_set_aside(store: Store, settings: Settings, reason: str | None) -> tuple[int, int]:
    """Read what waits again; how many payloads are stored now, and how many still can't be read.

    Raises
    ------
    StoreError
        If the database can't be written, or another process is the ingester.
    """
    sorter = Sorter(
        settings.broker.root,
        banded=banded_readings(store),
        limit_bytes=settings.ingest.payload_limit_bytes,
        foreign=foreign_of(settings),
    )
    read_count, still_count, after_id = 0, 0, 0
    with held(store, INGEST, what="wakeledger setaside retry", now_s=now_s) as renew:
        writer = Writer(store)
        try:
            while block := read_set_aside(store, reason=reason, after_id=after_id, limit=BLOCK_COUNT, open_only=True):
                good = [one.set_aside_id for one in block if _stored(one, sorter, writer)]
                mark_retried(store, good)
                read_count, still_count = read_count + len(good), still_count + len(block) - len(good)
                after_id = block[-1].set_aside_id
                renew()
        finally:
            writer.close()
    return read_count, still_count


def _stored(one: SetAside, sorter: Sorter, writer: Writer) -> bool:
    """True if the payload can be read now, and is stored."""
    batch = sorter.sort([Arrival(one.topic, one.raw, one.arrived, 0, 0, one.origin)])
    if batch.asides or not (batch.records or batch.answers):
        return False
    write(writer, batch, [])
    return True
