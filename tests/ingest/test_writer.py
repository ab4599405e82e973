"""When batches are due, and what happens when the store does not take one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest

from fleet.errors import StoreError
from fleet.messages import WakeRecord
from fleet.store.arrived import ArrivedRecord, Written
from fleet.words import TimeFrom
from ingest.sorting import Batch
from ingest.writer import Due, write


def record(seq: int) -> ArrivedRecord:
    return ArrivedRecord("n1", WakeRecord(boot=1, seq=seq, cause="timer"), 1.8e9, 1.8e9, TimeFrom.ARRIVAL)


class Store:
    """Takes all records but those it was told to choke on."""

    def __init__(self, bad: set[int], error: Exception) -> None:
        self.bad, self.error = bad, error
        self.stored: list[int] = []
        self.asides: list[Any] = []

    def write_batch(self, records: Sequence[ArrivedRecord], **other: Any) -> Written:
        if self.bad & {one.record.seq for one in records}:
            raise self.error
        self.stored += [one.record.seq for one in records]
        self.asides += other.get("set_aside", ())
        return Written(len(records), 0, len(other.get("set_aside", ())), [], [])


@pytest.mark.parametrize("bad", [{0}, {99}, {3, 4, 50}, set(range(100))])
def test_a_record_that_chokes_the_store_is_set_aside_and_the_others_are_stored(bad: set[int]) -> None:
    store = Store(bad, OverflowError("too large"))
    written = write(store, Batch(records=[record(n) for n in range(100)]), [])  # type: ignore[arg-type]  # a stand-in
    assert store.stored == [n for n in range(100) if n not in bad]
    assert len(store.asides) == len(bad) == written.set_aside_count


def test_a_full_disk_sets_nothing_aside() -> None:
    """The whole batch is kept and tried again: StoreError without a data error behind it."""
    store = Store({5}, StoreError("disk is full"))
    with pytest.raises(StoreError):
        write(store, Batch(records=[record(n) for n in range(10)]), [])  # type: ignore[arg-type]  # a stand-in
    assert (store.stored, store.asides) == ([], [])


def test_due_by_count_or_by_age() -> None:
    due = Due(batch_count=100, linger_s=0.25)
    assert [due.is_due(0, 9.0), due.is_due(99, 0.1), due.is_due(100, 0.0), due.is_due(1, 0.25)] == [
        False, False, True, True
    ]  # fmt: skip


def test_the_window_of_a_strict_broker_is_learnt_and_forgotten() -> None:
    """Three lingers run out at the same count: from then on that count is a batch. More at once: forgotten."""
    due = Due(batch_count=1000, linger_s=0.25)
    for _ in range(3):
        assert not due.is_due(100, 0.1)
        due.committed(100, 0.25)
    assert due.is_due(100, 0.0)
    assert not due.is_due(101, 0.0)
    assert not due.is_due(100, 0.0)
