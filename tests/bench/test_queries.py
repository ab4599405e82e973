"""What a screen waits for: 10,000 nodes in `latest`, a node's year of day rows, one node-day of raw records.

Run: pytest -m bench -s tests/bench/test_queries.py
"""

from __future__ import annotations

import os
import statistics
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import select

from fleet.frames import DAY
from fleet.store.days import write_days
from fleet.store.engine import Store, open_store
from fleet.store.insert import upsert
from fleet.store.tables import DAYS, FLEET_DAYS, LATEST, WAKES, WEEKS

pytestmark = pytest.mark.bench
SHORT = os.environ.get("WAKELEDGER_SHORT") == "1"
NODES, YEAR_NODES, YEAR = 10_000, 200 if SHORT else 2_000, 365
BUSY = 3.0  # a shared machine may take so many times as long
HOUR = 490_000


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    opened = open_store(f"sqlite:///{tmp_path_factory.mktemp('queries') / 'fleet.sqlite'}")
    chance = np.random.default_rng(1)
    with opened.write() as conn:
        names = ("node_id", "last_heard", "t", "seq", "batt_mv", "days_left_p10", "days_left_p50", "need")
        rows = [
            (n, 1.7e9, 1.7e9, 5, *chance.uniform(0, 3000, 3).tolist(), float(chance.random())) for n in range(NODES)
        ]
        upsert(conn, LATEST, names, rows)
        for node in range(YEAR_NODES):
            days = {name: np.full(YEAR, 1 if kind.startswith("int") else 1.5) for name, kind in DAY.items()}
            write_days(conn, days | {"node_id": np.full(YEAR, node), "day": np.arange(20_000, 20_000 + YEAR)})
        upsert(conn, WEEKS, ("node_id", "week", "seen"), [(n, w, 5.0) for n in range(YEAR_NODES) for w in range(53)])
        upsert(conn, FLEET_DAYS, ("site", "day", "seen"), [(f"s{s}", d, 5.0) for s in range(40) for d in range(YEAR)])
        key = ("hour", "node_id", "t", "boot", "seq", "arrived", "time_from", "cause")
        wakes = [
            (HOUR + h, n, (HOUR + h) * 3600.0 + q * 900, 1, h * 4 + q, 1.0, 0, 0)
            for h in range(48) for n in range(2_000) for q in range(4)
        ]  # fmt: skip
        upsert(conn, WAKES, key, wakes)
    return opened


def median_ms(run: Callable[[], object]) -> float:
    run()
    times = []
    for _ in range(9):
        begun = time.perf_counter()
        run()
        times.append((time.perf_counter() - begun) * 1e3)
    return statistics.median(times)


def test_screens_are_quick(store: Store) -> None:
    year = (DAYS.c.node_id, DAYS.c.day, DAYS.c.seen, DAYS.c.batt_mv, DAYS.c.temp_c, DAYS.c.n_timer, DAYS.c.missing)
    some = [LATEST.c[name] for name in ("node_id", "last_heard", "t", "boot", "seq", "cause", "reading", "batt_mv")]
    some += [LATEST.c[name] for name in ("temp_c", "days_left_p10", "days_left_p50", "days_left_p90", "charge_left")]
    hours = list(range(HOUR, HOUR + 24))
    asked = {
        "overview, 50 worst": (select(LATEST).order_by(LATEST.c.need.desc()).limit(50), 5.0),
        f"overview, all {NODES}": (select(*some), 100.0),
        "one node's year": (select(*year).where(DAYS.c.node_id == 77), 5.0),
        "one node's weeks": (select(WEEKS).where(WEEKS.c.node_id == 77), 5.0),
        "fleet a day, a year": (select(FLEET_DAYS), 100.0),
        "one node-day raw": (select(WAKES).where(WAKES.c.hour.in_(hours), WAKES.c.node_id == 77), 1.0),
    }
    print()
    with store.read() as conn:
        raw = conn.connection.dbapi_connection
        assert raw is not None
        for name, (query, goal_ms) in asked.items():
            sql = str(query.compile(store.engine, compile_kwargs={"literal_binds": True}))
            took_ms = median_ms(lambda sql=sql: raw.execute(sql).fetchall())  # type: ignore[misc]
            print(f"{name:22} {took_ms:8.2f} ms (goal {goal_ms:g})")
            assert took_ms <= goal_ms * BUSY


def test_the_file_is_as_small_as_planned(store: Store, tmp_path: Path) -> None:
    """Bytes a day row; the file holds little else."""
    assert store.file is not None
    with store.read() as conn:
        size = conn.exec_driver_sql("SELECT sum(pgsize) FROM dbstat WHERE name = 'days'").scalar()
    print(f"day row: {float(size or 0) / (YEAR_NODES * YEAR):.0f} B")
