"""Inserting interleaved records: the table's key against time-first and node-first, the writer, and PostgreSQL.

Run: pytest -m bench -s tests/bench/test_storage.py
"""

from __future__ import annotations

import os
import random
import sqlite3
import statistics
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from fleet.messages import Asleep, BandSettings, WakeRecord
from fleet.store.engine import open_store
from fleet.store.insert import insert_wakes
from fleet.store.records import ArrivedRecord, Writer
from fleet.store.rows import Row, row_of
from fleet.store.tables import WAKES
from fleet.words import TimeFrom

pytestmark = pytest.mark.bench
SHORT = os.environ.get("WAKELEDGER_SHORT") == "1"
NODES, PER_NODE, BATCH = 2_000, 60 if SHORT else 250, 5_000
KEYS = {
    "time first": "t, node_id, boot, seq",
    "ours": "hour, node_id, t, boot, seq",
    "node first": "node_id, t, boot, seq",
}
BUSY = 1.3


def arrivals() -> Iterator[ArrivedRecord]:
    """Every node once each 15 minutes, in another order each time, one in a hundred lost."""
    chance = random.Random(1)
    given = BandSettings(lo=0.8, hi=2.0, hyst=0.05, sleep_s=900.0, period_ms=100.0, avg=8, rev=3)
    for step in range(PER_NODE):
        for node in chance.sample(range(NODES), NODES):
            if chance.random() < 0.01:
                continue
            t = 1_764_000_000.0 + 900 * step + round(chance.random() * 800, 3)
            record = WakeRecord(
                boot=1, seq=step, cause="timer", t=t, up_s=900.0 * step, reading={"level_v": 1.5}, batt_mv=2900 - step,
                awake_ms=2000.0, radio_ms=1500.0, tries=1, rssi_dbm=-70.0, temp_c=12.5, runs=9000, set=given,
                asleep=Asleep(9000, 1.2, 1.7, 1.4, 0.05),
            )  # fmt: skip
            yield ArrivedRecord(f"n{node:04d}", record, t + 1, t, TimeFrom.CLOCK, 1.5)


@pytest.fixture(scope="module")
def records() -> list[ArrivedRecord]:
    return list(arrivals())


@pytest.fixture(scope="module")
def rows(records: list[ArrivedRecord]) -> list[Row]:
    return [row_of(arrived, int(arrived.node[1:]) + 1, 1) for arrived in records]


def written_bytes() -> int:
    """Bytes this process sent to the disk so far."""
    for line in Path("/proc/self/io").read_text(encoding="utf-8").splitlines():
        if line.startswith("write_bytes"):
            return int(line.split()[1])
    return 0


def insert_all(file: Path, key: str, rows: list[Row]) -> tuple[float, float]:
    """µs of CPU and bytes written a row."""
    with open_store(f"sqlite:///{file}") as store, store.hold() as conn:
        with conn.begin():
            sql = str(conn.exec_driver_sql("SELECT sql FROM sqlite_master WHERE name = 'wakes'").scalar())
            conn.exec_driver_sql("DROP TABLE wakes")
            conn.exec_driver_sql(sql.replace(f"PRIMARY KEY ({KEYS['ours']})", f"PRIMARY KEY ({key})"))
        begun, before = time.process_time(), written_bytes()
        for start in range(0, len(rows), BATCH):
            with conn.begin():
                insert_wakes(conn, WAKES, rows[start : start + BATCH])
        raw = conn.connection.dbapi_connection
        assert (
            raw is not None and key in raw.execute("SELECT sql FROM sqlite_master WHERE name = 'wakes'").fetchone()[0]
        )
        raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        return (time.process_time() - begun) / len(rows) * 1e6, (written_bytes() - before) / len(rows)


def test_the_key_serves_both_sides(tmp_path: Path, rows: list[Row]) -> None:
    print(f"\n{len(rows)} records of {NODES} nodes, interleaved, batch {BATCH}, FULL, SQLite {sqlite3.sqlite_version}")
    took = {}
    for name, key in KEYS.items():
        took[name], written = insert_all(tmp_path / f"{name[:4]}.sqlite", key, rows)
        print(f"{name:11} {took[name]:6.2f} µs CPU a row, {written:7.0f} B written a row")
    print(f"ours ÷ time first {took['ours'] / took['time first']:.2f} (goal 1.8);"
          f" node first ÷ ours {took['node first'] / took['ours']:.2f} (goal 6 at full length)")  # fmt: skip
    assert took["ours"] <= 1.8 * BUSY * took["time first"]


def test_one_writer_keeps_up(tmp_path: Path, records: list[ArrivedRecord]) -> None:
    with open_store(f"sqlite:///{tmp_path / 'ledger.sqlite'}") as store:
        writer = Writer(store)
        took: dict[str, list[float]] = {"new": [], "repeats": []}
        for what in took:
            for start in range(0, len(records), BATCH):
                part = records[start : start + BATCH]
                begun = time.process_time()
                written = writer.write_batch(part)
                took[what].append((time.process_time() - begun) / len(part) * 1e6)
                assert (written.stored_count if what == "new" else written.duplicate_count) == len(part)
        writer.close()
    for what, each in took.items():
        print(f"\nwriter, {what}: median {statistics.median(each):.2f} µs CPU a record (batches of {BATCH})", end="")
    print()


def test_postgresql_takes_batches_by_copy(postgres_url: str, records: list[ArrivedRecord], rows: list[Row]) -> None:
    with open_store(postgres_url) as store, store.hold() as conn:
        took = []
        for start in range(0, min(len(rows), 100_000), BATCH):
            part = rows[start : start + BATCH]
            begun = time.perf_counter()
            with conn.begin():
                assert insert_wakes(conn, WAKES, part) == len(part)
            took.append((time.perf_counter() - begun) / len(part) * 1e6)
    print(f"\nPostgreSQL, COPY → staging → sorted merge: median {statistics.median(took):.1f} µs wall a row (goal 8)")
    with open_store(postgres_url) as store:
        writer = Writer(store)
        later = [a._replace(t=a.t + 9e6, record=a.record) for a in records[: 4 * BATCH]]
        took = []
        for start in range(0, len(later), BATCH):
            begun = time.perf_counter()
            writer.write_batch(later[start : start + BATCH])
            took.append((time.perf_counter() - begun) / BATCH * 1e6)
        writer.close()
    print(f"PostgreSQL, whole writer: median {statistics.median(took):.1f} µs wall a record")
