"""Batches → store: when a batch is due, and how no error of the store loses or doubles a record of it."""

from __future__ import annotations

import logging
from collections.abc import Sequence

from fleet.errors import StoreError
from fleet.store.arrived import ArrivedRecord, LinkEvent, Unreadable, Written
from fleet.store.records import Writer
from fleet.words import SetAsideReason
from ingest.sorting import Batch

log = logging.getLogger(__name__)

LEARN_AFTER_COUNT = 3
CATCH_UP_FACTOR = 5
NONE_WRITTEN = Written(0, 0, 0, [], [])


class Due:
    """When waiting messages are committed: enough of them, or the oldest has waited long enough.

    A broker that stops at K unacknowledged messages would turn every batch into K messages a linger. If the linger runs
    out three times at the same K, the batch is K from then on, until more than K arrive.
    """

    def __init__(self, batch_count: int, linger_s: float) -> None:
        self._batch_count = batch_count
        self._linger_s = linger_s
        self._window_count: int | None = None
        self._last_count, self._same_count = 0, 0

    @property
    def catch_up_count(self) -> int:
        """The most messages that may wait; beyond it nothing is read."""
        return self._batch_count * CATCH_UP_FACTOR

    def is_due(self, waiting_count: int, oldest_s: float) -> bool:
        """True if messages that wait so long, and are so many, are to be committed now."""
        if not waiting_count:
            return False
        if self._window_count is not None and waiting_count > self._window_count:
            self._window_count, self._same_count = None, 0
        limit = self._batch_count if self._window_count is None else self._window_count
        return waiting_count >= limit or oldest_s >= self._linger_s

    def committed(self, count: int, oldest_s: float) -> None:
        """Learn from a commit."""
        if oldest_s < self._linger_s or count >= self._batch_count or count < 2:
            if self._window_count is None:
                self._same_count = 0
            return
        self._same_count = self._same_count + 1 if count == self._last_count else 1
        self._last_count = count
        if self._same_count >= LEARN_AFTER_COUNT:
            self._window_count = count
            self._same_count = 0

    def wait_s(self, oldest_s: float | None, longest_s: float) -> float:
        """How long the next poll may wait."""
        return longest_s if oldest_s is None else max(0.0, min(self._linger_s - oldest_s, longest_s))


def write(writer: Writer, batch: Batch, links: Sequence[LinkEvent]) -> Written:
    """Store a batch in one transaction. A record that the store can't take (a fault of ours) is found and set aside.

    Raises
    ------
    StoreError
        If the database can't be written now; nothing of the batch is stored, call again.
    """
    try:
        return writer.write_batch(batch.records, set_aside=batch.asides, answers=batch.answers, links=links)
    except StoreError as why:
        if not _bad_data(why):
            raise
    except (ValueError, TypeError, OverflowError, KeyError) as why:
        log.exception(
            "a batch of %d records is split to find the one that can't be stored: %s", len(batch.records), why
        )
    return _written_apart(writer, batch, links)


def _bad_data(why: StoreError) -> bool:
    """True if the database refused values, and not because it is full, locked or gone (names of PEP 249)."""
    return type(why.__cause__).__name__ in ("DataError", "IntegrityError", "InterfaceError")


def _written_apart(writer: Writer, batch: Batch, links: Sequence[LinkEvent]) -> Written:
    """Halve until the records that can't be stored stand alone; those are set aside, all others are stored."""
    total, refused = NONE_WRITTEN, list[Unreadable]()
    parts: list[Sequence[ArrivedRecord]] = [batch.records]
    while parts:
        part = parts.pop()
        try:
            total = _sum(total, writer.write_batch(part))
        except (StoreError, ValueError, TypeError, OverflowError, KeyError) as why:
            if isinstance(why, StoreError) and not _bad_data(why):
                raise
            if len(part) > 1:
                middle = len(part) // 2
                parts += [part[middle:], part[:middle]]
            else:
                refused += [_unreadable(one, why) for one in part]
    rest = writer.write_batch([], set_aside=[*batch.asides, *refused], answers=batch.answers, links=links)
    return _sum(total, rest)


def _unreadable(one: ArrivedRecord, why: Exception) -> Unreadable:
    raw = repr(one.record).encode()
    detail = f"the store can't take it: {why}"
    return Unreadable(one.arrived, f"{one.node}/wake", raw, SetAsideReason.NOT_VALID, detail)


def _sum(a: Written, b: Written) -> Written:
    return Written(
        a.stored_count + b.stored_count,
        a.duplicate_count + b.duplicate_count,
        a.set_aside_count + b.set_aside_count,
        a.receipts + b.receipts,
        a.new_nodes + b.new_nodes,
    )
