"""Closed months leave for files without a record lost or doubled, and everything that reads sees both."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
import pytest
from sqlalchemy import text

from fleet.errors import StoreError
from fleet.messages import WakeRecord
from fleet.store.archive import archive_closed_months, check_archives, size_forecast
from fleet.store.days import mark_all_dirty, read_days, roll_up_dirty
from fleet.store.engine import Store
from fleet.store.reading import read_records
from fleet.store.records import ArrivedRecord, write_batch
from fleet.words import TimeFrom

MARCH = datetime(2026, 3, 30, tzinfo=UTC).timestamp()
JUNE = datetime(2026, 6, 10, tzinfo=UTC).timestamp()
EVER = (0.0, 4e9)


def wakes(count: int = 200, *, clock: bool = True) -> list[ArrivedRecord]:
    """Three nodes, an hour between wakes, from 30 March on: the first 48 h lie in March."""
    found = []
    for seq in range(count):
        for node in range(3):
            t = MARCH + 3600.0 * seq + node
            record = WakeRecord(
                boot=1, seq=seq, cause="timer", t=t if clock else None, batt_mv=3000 - seq, up_s=t - MARCH
            )
            extra = '{"unknown":{"ü":1}}' if seq % 40 == 7 else None
            time_from = TimeFrom.CLOCK if clock else TimeFrom.ARRIVAL
            found.append(ArrivedRecord(f"n{node}", record, t + 1, t, time_from, None, extra))
    return found


def hot_rows(store: Store) -> int:
    with store.read() as conn:
        return int(conn.execute(text("SELECT count(*) FROM wakes")).scalar_one())


@pytest.mark.parametrize("whole_month_count", [2, 2_000])
def test_records_and_day_rows_are_the_same_before_and_after(
    either_store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, whole_month_count: int
) -> None:
    monkeypatch.setattr("fleet.store.parts.WHOLE_MONTH_COUNT", whole_month_count)
    write_batch(either_store, wakes())
    roll_up_dirty(either_store)
    records, days = read_records(either_store, *EVER), read_days(either_store)
    done = list(archive_closed_months(either_store, tmp_path / "old", keep_months=2, now_s=JUNE))
    assert [(path.name, rows) for path, rows in done] == [
        ("wakes-2026-03.parquet", 144),
        ("wakes-2026-04.parquet", 456),
    ]
    assert hot_rows(either_store) == 0
    assert not list(archive_closed_months(either_store, tmp_path / "old", keep_months=2, now_s=JUNE))
    pd.testing.assert_frame_equal(read_records(either_store, *EVER), records)
    assert len(read_records(either_store, MARCH, MARCH + 7200, [2])) == 2
    with either_store.write() as conn:
        conn.execute(text("DELETE FROM days"))
    mark_all_dirty(either_store)
    roll_up_dirty(either_store)
    pd.testing.assert_frame_equal(read_days(either_store), days)
    archived = pd.read_parquet(done[0][0])
    assert archived["extra"].notna().sum() == 6 and archived["node_id"].is_monotonic_increasing
    assert check_archives(either_store) == []


def test_only_closed_months_leave(either_store: Store, tmp_path: Path) -> None:
    write_batch(either_store, wakes())
    done = list(archive_closed_months(either_store, tmp_path, keep_months=3, now_s=JUNE))
    assert [path.name for path, _ in done] == ["wakes-2026-03.parquet"] and hot_rows(either_store) == 456


def test_late_records_are_merged_at_the_next_run(either_store: Store, tmp_path: Path) -> None:
    records = wakes()
    late = [a for a in records if a.record.seq in (5, 6, 30)]
    write_batch(either_store, [a for a in records if a not in late])
    roll_up_dirty(either_store)
    list(archive_closed_months(either_store, tmp_path, keep_months=1, now_s=JUNE))
    assert write_batch(either_store, late).stored_count == 9
    roll_up_dirty(either_store)
    assert read_days(either_store)["seen"].sum() == 600 and read_days(either_store)["missing"].sum() == 0
    done = list(archive_closed_months(either_store, tmp_path, keep_months=1, now_s=JUNE))
    assert [(path.name, rows) for path, rows in done] == [("wakes-2026-03.2.parquet", 9)]
    assert sorted(path.name for path in tmp_path.glob("*.parquet")) == [
        "wakes-2026-03.2.parquet",
        "wakes-2026-04.parquet",
    ]
    assert len(read_records(either_store, *EVER)) == 600


@pytest.mark.parametrize("clock", [True, False])
def test_an_archived_record_is_known_when_it_comes_back(either_store: Store, tmp_path: Path, clock: bool) -> None:
    records = wakes(60, clock=clock)
    write_batch(either_store, records)
    list(archive_closed_months(either_store, tmp_path, keep_months=1, now_s=JUNE))
    again = records if clock else [a._replace(t=a.t + 40 * 86_400, arrived=a.arrived + 40 * 86_400) for a in records]
    assert write_batch(either_store, again).duplicate_count == 180


def test_records_that_come_meanwhile_keep_the_month_in_place(
    either_store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    records = wakes(40)
    write_batch(either_store, records[:-3])
    waiting = [records[-1:], records[-2:-1], records[-3:-2]]

    def comes(path: Path) -> str:
        write_batch(either_store, waiting.pop())
        return "0"

    monkeypatch.setattr("fleet.store.archive._sha256", comes)
    with pytest.raises(StoreError, match="records kept coming"):
        list(archive_closed_months(either_store, tmp_path, keep_months=1, now_s=JUNE))
    assert len(read_records(either_store, *EVER)) == hot_rows(either_store) == 120


def test_a_file_that_does_not_read_back_stops_it(
    either_store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import pyarrow.parquet

    write_batch(either_store, wakes(40))
    real = pyarrow.parquet.ParquetFile.read_row_group

    def wrong(self: object, group: int) -> object:
        return real(self, group).slice(1)

    monkeypatch.setattr("pyarrow.parquet.ParquetFile.read_row_group", wrong)
    with pytest.raises(StoreError, match="reads back other than written"):
        list(archive_closed_months(either_store, tmp_path, keep_months=1, now_s=JUNE))
    assert hot_rows(either_store) == 120


def test_a_missing_or_changed_file_is_named(either_store: Store, tmp_path: Path) -> None:
    write_batch(either_store, wakes(80))
    (march, _), (april, _) = archive_closed_months(either_store, tmp_path, keep_months=1, now_s=JUNE)
    march.unlink()
    with april.open("ab") as file:
        file.write(b"x")
    assert [line.split(": ")[1].split(" ")[0] for line in check_archives(either_store)] == ["is", "was"]
    with pytest.raises(StoreError, match=r"wakes-2026-03\.parquet: archive can't be read"):
        read_records(either_store, *EVER)


def test_size_and_growth_are_told(either_store: Store) -> None:
    write_batch(either_store, wakes(24 * 20))
    roll_up_dirty(either_store)
    lines = {line["table"]: line for line in size_forecast(either_store, now_s=MARCH + 20 * 86_400)}
    assert lines["wakes"]["rows"] == 1440 and lines["wakes"]["rows_per_d"] == 72.0
    assert lines["all"]["mib"] > 0 and lines["wakes"]["mib_in_365_d"] > lines["wakes"]["mib_in_30_d"] > 0
