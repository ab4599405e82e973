"""Invented wake records for the benches, written straight into a store: nodes × days, about 93 a node-day.

Run: python tests/bench/storage_data.py FILE NODES DAYS
"""

from __future__ import annotations

import sys
from collections.abc import Iterator

import numpy as np

from fleet.store.engine import open_store
from fleet.store.insert import insert_wakes, upsert
from fleet.store.rows import WAKE_COLUMNS
from fleet.store.tables import DIRTY, NODES, WAKES

FIRST_DAY = 20_400
A_DAY = 96
LOST_FRAC, NO_TEMP_FRAC = 0.01, 0.3


def day_rows(nodes: int, day: int, seed: int = 1) -> list[tuple[object, ...]]:
    """One day of all nodes in order of the key; the days before decide the counters."""
    chance = np.random.default_rng((seed, day))
    count = nodes * A_DAY
    node = np.repeat(np.arange(1, nodes + 1), A_DAY)
    step = np.tile(np.arange(A_DAY), nodes)
    t = (FIRST_DAY + day) * 86_400.0 + step * 900.0 + chance.uniform(0, 800, count).round(3)
    seq = day * A_DAY + step
    keep = chance.random(count) > LOST_FRAC
    columns: dict[str, np.ndarray | float | int | None] = {
        "hour": (t // 3600).astype(int), "node_id": node, "t": t, "boot": 1, "seq": seq, "arrived": t + 2.5,
        "time_from": 0, "clock_t": t, "cause": chance.choice([0, 0, 0, 1, 2], count), "up_s": seq * 900.0,
        "late_s": None, "reading": chance.normal(1.4, 0.2, count).round(3),
        "batt_mv": np.round(3000 - day * 2 + chance.normal(0, 5, count)),
        "batt_tx_mv": np.round(2800 - day * 2 + chance.normal(0, 8, count)),
        "awake_ms": np.round(chance.gamma(20, 100, count)), "radio_ms": np.round(chance.gamma(20, 70, count)),
        "tries": chance.choice([1, 1, 1, 2], count), "rssi_dbm": np.round(chance.normal(-75, 5, count)),
        "temp_c": chance.normal(8, 6, count).round(1), "runs": 9000, "asleep_n": 9000,
        "asleep_min": chance.normal(1.2, 0.1, count).round(3), "asleep_max": chance.normal(1.7, 0.1, count).round(3),
        "asleep_mean": chance.normal(1.4, 0.1, count).round(3), "asleep_sd": 0.05, "set_id": 1, "trial": 0,
        "life_wakes": seq, "extra": None,
    }  # fmt: skip
    lists = [_list(columns[name], keep) for name in WAKE_COLUMNS]
    rows = list(zip(*lists, strict=True))
    rows.sort(key=lambda row: row[:5])
    return rows


def _list(value: np.ndarray | float | int | None, keep: np.ndarray) -> list[object]:
    return value[keep].tolist() if isinstance(value, np.ndarray) else [value] * int(keep.sum())


def fill(file: str, nodes: int, days: int) -> Iterator[int]:
    """Write the fleet day by day; yields rows written."""
    with open_store(f"sqlite:///{file}") as store:
        with store.write() as conn:
            upsert(
                conn, NODES, ("node_id", "node", "site"), [(n, f"n{n}", f"site {n % 40}") for n in range(1, nodes + 1)]
            )
        for day in range(days):
            rows = day_rows(nodes, day)
            with store.write() as conn:
                insert_wakes(conn, WAKES, rows)
                upsert(conn, DIRTY, ("day", "node_id"), [(FIRST_DAY + day, n) for n in range(1, nodes + 1)])
            yield len(rows)


if __name__ == "__main__":
    print(sum(fill(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))))
