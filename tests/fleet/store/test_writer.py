"""What the writer promises of a batch: every record once, whenever and however often it comes."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text

from fleet.messages import BandSettings, Life, OrderAnswer, Receipt, WakeRecord
from fleet.store.engine import Store, open_store
from fleet.store.records import ArrivedAnswer, ArrivedRecord, LinkEvent, Unreadable, Writer, write_batch
from fleet.words import TimeFrom

T0 = 1_764_000_000.0
MONTH_S = 30 * 86_400.0


@pytest.fixture
def store(either_store: Store) -> Store:
    return either_store


def wake(seq: int, t: float, node: str = "n1", *, boot: int = 1, clock: bool = True, **given: Any) -> ArrivedRecord:
    """One record; without a clock its time is that of its arrival."""
    record = WakeRecord(boot=boot, seq=seq, cause="timer", t=t if clock else None, **given)
    return ArrivedRecord(node, record, t + 1.0, t, TimeFrom.CLOCK if clock else TimeFrom.ARRIVAL, given.get("batt_mv"))


def names(store: Store) -> list[tuple[int, int, float]]:
    with store.read() as conn:
        return [tuple(row) for row in conn.execute(text("SELECT boot, seq, t FROM wakes ORDER BY t, seq"))]


def test_a_repeat_with_a_clock_is_stored_once(store: Store) -> None:
    records = [wake(seq, T0 + 900 * seq) for seq in range(20)]
    assert write_batch(store, records).stored_count == 20
    again = write_batch(store, [*records[5:], wake(20, T0 + 18_000)])
    assert (again.stored_count, again.duplicate_count) == (1, 15)
    assert len(names(store)) == 21


def test_a_repeat_without_a_clock_is_known_a_month_later(store: Store) -> None:
    first = [wake(seq, T0 + 900 * seq, clock=False, batt_mv=2900 - seq, up_s=900.0 * seq) for seq in range(600)]
    write_batch(store, first)
    later = [a._replace(t=a.t + MONTH_S, arrived=a.arrived + MONTH_S) for a in first]
    assert write_batch(store, later).duplicate_count == 600
    assert len(names(store)) == 600


def test_a_repeat_within_one_batch_is_known(store: Store) -> None:
    a = wake(7, T0, clock=False, batt_mv=2900)
    written = write_batch(store, [a, a._replace(t=T0 + 5, arrived=T0 + 6)])
    assert (written.stored_count, written.duplicate_count) == (1, 1)


def test_the_first_one_stored_stays(store: Store) -> None:
    write_batch(store, [wake(7, T0, batt_mv=2900)])
    assert write_batch(store, [wake(7, T0, batt_mv=1)]).duplicate_count == 1
    with store.read() as conn:
        assert conn.execute(text("SELECT batt_mv FROM wakes")).scalars().all() == [2900.0]


def test_a_wiped_flash_counts_again_and_nothing_is_thrown_away(store: Store) -> None:
    with_writer = Writer(store)
    first = [wake(seq, T0 + 900 * seq, clock=False, batt_mv=3000 - seq) for seq in range(300)]
    second = [wake(seq, T0 + MONTH_S + 900 * seq, clock=False, batt_mv=2500 - seq) for seq in range(300)]
    for batch in (first[:150], first[150:], second[:100], second[100:]):
        assert with_writer.write_batch(batch).stored_count == len(batch)
    # Both lives come back: every record is a repeat.
    for batch in (first, second):
        assert with_writer.write_batch(batch).duplicate_count == 300
    assert with_writer.write_batch([a._replace(t=a.t + MONTH_S) for a in second]).duplicate_count == 300
    with_writer.close()
    assert len(names(store)) == 600


def test_a_wrapped_counter_counts_on(store: Store) -> None:
    """A 16-bit counter: 65 535 is followed by 0 (wire contract)."""
    before = [wake(seq, T0 + 60 * seq, clock=False) for seq in range(65_500, 65_536)]
    start = [wake(seq, T0 - MONTH_S + 60 * seq, clock=False) for seq in range(30)]
    after = [wake(seq, T0 + 60 * (65_536 + seq), clock=False) for seq in range(30)]
    assert [write_batch(store, batch).stored_count for batch in (start, before, after)] == [30, 36, 30]
    assert write_batch(store, after).duplicate_count == 30


def test_receipts_wait_at_a_hole_and_pass_it(store: Store) -> None:
    writer = Writer(store)
    seen = []
    for batch in ([0, 1, 2], [4], [3], [5, 7], [8, 9, 10, 11, 12, 13, 14]):
        written = writer.write_batch([wake(seq, T0 + 60 * seq) for seq in batch])
        seen += [receipt for _, receipt in written.receipts]
    assert seen == [Receipt(1, 2), Receipt(1, 2), Receipt(1, 4), Receipt(1, 5), Receipt(1, 14)]
    repeats = writer.write_batch([wake(2, T0 + 120)])
    assert repeats.receipts == [("n1", Receipt(1, 14))]
    writer.close()


def test_a_batch_leaves_all_its_traces_at_once(store: Store) -> None:
    settings = BandSettings(lo=0.8, hi=2.0, sleep_s=900.0, rev=3, seen=3, digest="00ff")
    record = wake(1, T0, batt_mv=2900, set=settings, life=Life("00" * 8, 77))
    written = write_batch(
        store,
        [record, wake(2, T0 + 86_400, set=settings)],
        set_aside=[Unreadable(T0, "x/y/wake", b"\xff\x00", "not_json", "line 1")],
        answers=[ArrivedAnswer("n2", OrderAnswer(3, "taken"), T0)],
        links=[LinkEvent(T0, "session_not_kept")],
    )
    assert written.new_nodes == ["n1", "n2"]
    assert (written.stored_count, written.set_aside_count) == (2, 1)
    with store.read() as conn:
        assert conn.execute(text("SELECT day, node_id FROM dirty ORDER BY day")).all() == [(20416, 1), (20417, 1)]
        latest = conn.execute(text("SELECT seq, batt_mv, rev, digest FROM latest JOIN settings USING (set_id, digest)"))
        assert latest.all() == [(2, 2900.0, 3, "00ff")]
        assert conn.execute(text("SELECT node, known FROM nodes")).all() == [("n1", 0), ("n2", 0)]
        assert conn.execute(text("SELECT raw, retried FROM set_aside")).all() == [(b"\xff\x00", 0)]
        assert conn.execute(text("SELECT node_id, answer FROM answers")).all() == [(2, "taken")]
        assert conn.execute(text("SELECT what FROM link_events")).scalars().all() == ["session_not_kept"]


def covered(store: Store) -> list[tuple[int, int]]:
    """Every (boot, seq) that the runs say is stored, one entry each time it is said."""
    with store.read() as conn:
        runs = list(conn.execute(text("SELECT boot, first_seq, last_seq FROM spans")))
        runs += list(conn.execute(text("SELECT run_boot, run_first, run_last FROM latest")))
    return sorted((boot, seq) for boot, first, last in runs for seq in range(first, last + 1))


@pytest.mark.parametrize("seed", range(12))
def test_any_interleaving_stores_the_same_records_and_runs(tmp_path: Path, seed: int) -> None:
    """Each record three times, shuffled within a window or wholly, in batches of any size, some never there."""
    chance = random.Random(seed)
    records = [
        wake(seq, T0 + boot * 200_000 + 600 * seq, boot=boot, batt_mv=2900 + seq)
        for boot in (1, 2, 5)
        for seq in range(chance.randint(1, 300))
        if chance.random() > 0.1
    ]
    window = chance.choice([1, 5, 50, 10_000])
    arriving = sorted(records * 3, key=lambda a: records.index(a) + chance.random() * window)
    with open_store(f"sqlite:///{tmp_path / 'ledger.sqlite'}") as store:
        writer = Writer(store)
        stored = 0
        while arriving:
            size = chance.choice([1, 7, 100])
            stored += writer.write_batch(arriving[:size]).stored_count
            arriving = arriving[size:]
            if chance.random() < 0.1:  # another process wrote: what is remembered is read anew
                writer.close()
                writer = Writer(store)
        writer.close()
        expected = sorted((a.record.boot, a.record.seq) for a in records)
        assert stored == len(records) == len(names(store))
        assert covered(store) == expected
