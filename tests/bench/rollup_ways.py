"""One way from stored records to day rows, in a process of its own: prints wall, CPU and memory as JSON.

Run: python tests/bench/rollup_ways.py WAY FILE    (WAY: ours, read_sql, sqlite_sql, parquet, duckdb)
"""

from __future__ import annotations

import json
import sqlite3
import sys
import time
from collections.abc import Callable
from pathlib import Path

MEDIANS = ("batt_mv", "batt_tx_mv", "rssi_dbm")
GROUPED = (
    "count(*) seen, max(seq) - min(seq) + 1 - count(*) missing, min(t) first_t, max(t) last_t,"
    " sum(cause = 0) n_timer, sum(cause = 1) n_band_low, sum(cause = 2) n_band_high, sum(awake_ms) awake_ms,"
    " sum(radio_ms) radio_ms, sum(tries) tries, min(batt_mv) batt_min_mv, max(batt_mv) batt_max_mv,"
    " min(batt_tx_mv) batt_tx_min_mv, avg(temp_c) temp_c, min(temp_c) temp_min_c, max(temp_c) temp_max_c,"
    " min(asleep_min) asleep_min, max(asleep_max) asleep_max, sum(reading) reading, sum(runs) runs"
)
MEDIAN = (
    "SELECT node_id, day, v FROM (SELECT node_id, hour / 24 AS day, NAME AS v, row_number() OVER w AS place,"
    " count(*) OVER (PARTITION BY node_id, hour / 24) AS n FROM wakes WHERE NAME IS NOT NULL"
    " WINDOW w AS (PARTITION BY node_id, hour / 24 ORDER BY NAME)) WHERE place = (n + 1) / 2"
)


def ours(file: str) -> int:
    """Arrow reads into the project's own roll-up, as the nightly job does; day rows are not written."""
    from fleet.daily.rollup import roll_up
    from fleet.store.days import take_dirty
    from fleet.store.engine import open_store
    from fleet.store.parts import part_records, taken_parts

    with open_store(f"sqlite:///{file}") as store:
        take_dirty(store)
        parts = taken_parts(store)
        start()
        return sum(len(roll_up(part_records(store, part, 1))["day"]) for part in parts)


def read_sql(file: str) -> int:
    """The textbook: everything through pandas.read_sql, then groupby."""
    import pandas as pd

    from fleet.frames import RECORD

    start()
    with sqlite3.connect(file) as link:
        frame = pd.read_sql(" ".join(("SELECT", ", ".join(RECORD), "FROM wakes")), link)
    frame["day"] = (frame["t"] // 86_400).astype(int)
    groups = frame.groupby(["node_id", "day"])
    days = groups.agg(
        seen=("seq", "size"), first_seq=("seq", "min"), last_seq=("seq", "max"), first_t=("t", "min"),
        last_t=("t", "max"), awake_ms=("awake_ms", "sum"), radio_ms=("radio_ms", "sum"), tries=("tries", "sum"),
        batt_mv=("batt_mv", "median"),
        batt_min_mv=("batt_mv", "min"), batt_max_mv=("batt_mv", "max"), batt_tx_mv=("batt_tx_mv", "median"),
        batt_tx_min_mv=("batt_tx_mv", "min"), rssi_dbm=("rssi_dbm", "median"), temp_c=("temp_c", "mean"),
        temp_min_c=("temp_c", "min"), temp_max_c=("temp_c", "max"), asleep_min=("asleep_min", "min"),
        asleep_max=("asleep_max", "max"), reading=("reading", "sum"), runs=("runs", "sum"),
    )  # fmt: skip
    causes = frame.groupby(["node_id", "day", "cause"]).size().unstack(fill_value=0)
    return len(days.join(causes))


def sqlite_sql(file: str) -> int:
    """SQLite's own SQL: sums in one statement, each median by row_number in another."""
    start()
    rows = 0
    with sqlite3.connect(file) as link:
        link.execute("PRAGMA cache_size=-262144")
        summed = " ".join(("SELECT node_id, hour / 24 AS day,", GROUPED, "FROM wakes GROUP BY 1, 2"))
        rows = len(link.execute(summed).fetchall())
        for name in MEDIANS:
            link.execute(MEDIAN.replace("NAME", name)).fetchall()
    return rows


def parquet(folder: str) -> int:
    """The project's roll-up over the archive's files, block by block, cut where a node ends."""
    import numpy as np
    import pyarrow.parquet

    from fleet.daily.rollup import roll_up
    from fleet.frames import RECORD

    start()
    made = 0
    for path in sorted(Path(folder).glob("*.parquet")):
        rest = {name: np.empty(0, dtype) for name, dtype in RECORD.items()}
        with pyarrow.parquet.ParquetFile(path) as file:
            for group in range(file.num_row_groups):
                table = file.read_row_group(group, columns=list(RECORD))
                columns = {name: np.concatenate([rest[name], table.column(name).to_numpy()]) for name in RECORD}
                cut = int(np.searchsorted(columns["node_id"], columns["node_id"][-1]))
                rest = {name: values[cut:] for name, values in columns.items()}
                made += len(roll_up({name: values[:cut] for name, values in columns.items()})["day"])
        made += len(roll_up(rest)["day"])
    return made


def duckdb(folder: str) -> int:
    """DuckDB on the same files: the same columns, exact medians, one thread."""
    import duckdb as engine

    start()
    link = engine.connect(config={"threads": 1})
    medians = ", ".join(f"quantile_disc({name}, 0.5) AS {name}" for name in MEDIANS)
    grouped = GROUPED.replace("sum(cause = 0)", "count_if(cause = 0)").replace("sum(cause = 1)", "count_if(cause = 1)")
    grouped = grouped.replace("sum(cause = 2)", "count_if(cause = 2)")
    source = f"FROM '{folder}/*.parquet' GROUP BY ALL"
    query = " ".join(("SELECT node_id, hour // 24 AS day,", grouped, ",", medians, source))
    return len(link.execute(query).fetchall())


WAYS: dict[str, Callable[[str], int]] = {f.__name__: f for f in (ours, read_sql, sqlite_sql, parquet, duckdb)}
_begun: dict[str, float] = {}


def peak_kb() -> float:
    """Most memory this program has held. (`ru_maxrss` would count its parent's too.)"""
    lines = Path("/proc/self/status").read_text(encoding="utf-8").splitlines()
    return float(next(line.split()[1] for line in lines if line.startswith("VmHWM")))


def start() -> None:
    """Imports are done: time and memory count from here."""
    _begun.update(wall=time.perf_counter(), cpu=time.process_time(), kb=peak_kb())


if __name__ == "__main__":
    made = WAYS[sys.argv[1]](sys.argv[2])
    print(
        json.dumps(
            {
                "way": sys.argv[1],
                "day_rows": made,
                "wall_s": time.perf_counter() - _begun["wall"],
                "cpu_s": time.process_time() - _begun["cpu"],
                "mb": (peak_kb() - _begun["kb"]) / 1024,
            }
        )
    )
