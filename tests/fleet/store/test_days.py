"""Day rows follow what arrived, in any order, and only node-days that were touched are made again."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from sqlalchemy import text

from fleet.frames import DAY, RECORD
from fleet.messages import Asleep, BandSettings, Histogram, WakeRecord
from fleet.store.days import epoch, mark_all_dirty, read_days, roll_up_dirty
from fleet.store.engine import Store, open_store
from fleet.store.records import ArrivedRecord, read_hists, read_records, read_settings, write_batch
from fleet.words import TimeFrom

T0 = 20_400 * 86_400.0


@pytest.fixture
def store(either_store: Store) -> Store:
    return either_store


def wakes(nodes: int = 5, per_node: int = 300) -> list[ArrivedRecord]:
    """Invented records over some three days, some of them lost, none before the 2,000th row with a temperature."""
    chance = random.Random(7)
    found = []
    for node in range(nodes):
        for seq in range(per_node):
            t = T0 + 900.0 * seq + chance.random() * 60
            record = WakeRecord(
                boot=1,
                seq=seq,
                cause=chance.choice(["timer", "band_high", "band_low"]),
                t=t,
                batt_mv=2900 - seq,
                temp_c=12.5 if node == nodes - 1 and seq > per_node - 5 else None,
                asleep=Asleep(900, 1.0, 2.0, 1.5, 0.1, Histogram(0.0, 0.5, [1, 2, 3])) if seq % 50 == 0 else None,
                set=BandSettings(lo=0.8, hi=2.0, sleep_s=900.0, rev=seq // 200),
            )
            if chance.random() > 0.03:
                found.append(
                    ArrivedRecord(f"n{node}", record, t + 2, t, TimeFrom.CLOCK, 1.0 + seq % 7, extra_of(record))
                )
    return found


def extra_of(record: WakeRecord) -> str | None:
    return None if record.asleep is None else '{"hist":{"lo":0.0,"step":0.5,"n":[1,2,3]}}'


def test_any_order_doubles_and_lateness_give_the_same_rows(store: Store, tmp_path: Path) -> None:
    records = wakes()
    write_batch(store, records)
    assert roll_up_dirty(store) == len(read_days(store))
    shuffled = records * 2
    random.Random(3).shuffle(shuffled)
    other = open_store(f"sqlite:///{tmp_path / 'other.sqlite'}")
    with other.write() as conn:  # only so that node ids are alike
        conn.execute(text("INSERT INTO nodes (node) VALUES ('n0'), ('n1'), ('n2'), ('n3'), ('n4')"))
    for start in range(0, len(shuffled), 397):
        write_batch(other, shuffled[start : start + 397])
        roll_up_dirty(other)
    pd.testing.assert_frame_equal(with_rev(store), with_rev(other), check_exact=False, rtol=1e-12)


def with_rev(store: Store) -> pd.DataFrame:
    """Day rows with the settings' `rev` in place of their number, which depends on who reported first."""
    rev = read_settings(store).set_index("set_id")["rev"]
    return read_days(store).assign(set_id=lambda days: days["set_id"].map(rev))


def test_only_touched_node_days_are_made_again(store: Store) -> None:
    records = wakes()
    write_batch(store, [a for a in records if a.record.seq != 150])
    roll_up_dirty(store)
    before = epoch(store)
    assert roll_up_dirty(store) == 0
    write_batch(store, [a for a in records if a.record.seq == 150 and a.node == "n3"])
    assert roll_up_dirty(store) == 1
    assert epoch(store) > before
    with store.read() as conn:
        assert conn.execute(text("SELECT (SELECT count(*) FROM dirty) + (SELECT count(*) FROM taken)")).scalar() == 0
        assert conn.execute(text("SELECT sum(seen) FROM weeks WHERE node_id = 4")).scalar() == sum(
            a.node == "n3" for a in records if a.record.seq != 150 or a.node == "n3"
        )
        assert conn.execute(text("SELECT nodes FROM fleet_days ORDER BY day")).scalars().all()[0] == 5


def test_a_roll_up_that_broke_off_is_done_again(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    write_batch(store, wakes(nodes=2))

    def broken(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr("fleet.store.days.write_days", broken)
        with pytest.raises(KeyboardInterrupt):
            roll_up_dirty(store)
    assert roll_up_dirty(store) == len(read_days(store)) > 0


def test_frames_come_back_as_they_went_in(store: Store) -> None:
    records = wakes()
    write_batch(store, records)
    frame = read_records(store, T0, T0 + 9e6)
    assert list(frame.columns) == list(RECORD)
    assert {name: str(dtype) for name, dtype in frame.dtypes.items()} == RECORD
    assert len(frame) == len(records)
    assert frame["temp_c"].notna().sum() == sum(a.record.temp_c is not None for a in records)
    assert set(read_settings(store)["rev"]) == {0, 1}
    few = read_records(store, T0 + 86_400, T0 + 2 * 86_400, [2])
    assert len(few) == sum(a.node == "n1" and T0 + 86_400 <= a.t < T0 + 2 * 86_400 for a in records)
    hists = read_hists(store, few)
    assert set(hists.values().__iter__().__next__()[2]) == {1, 2, 3}
    with store.read():  # while a connection of ours is open another way of reading is taken
        pd.testing.assert_frame_equal(frame, read_records(store, T0, T0 + 9e6))


def test_everything_can_be_rebuilt(store: Store) -> None:
    write_batch(store, wakes())
    roll_up_dirty(store)
    before = read_days(store)
    with store.write() as conn:
        conn.execute(text("UPDATE days SET seen = 0"))
    mark_all_dirty(store)
    assert roll_up_dirty(store) == len(before)
    pd.testing.assert_frame_equal(before, read_days(store))
    narrow = read_days(store, [1, 2], since_day=20_401, columns=["node_id", "day", "batt_mv"])
    assert list(narrow.columns) == ["node_id", "day", "batt_mv"] and np.all(narrow["node_id"] <= 2)
    assert {name: str(kind) for name, kind in before.dtypes.items()} == DAY
