"""Day rows: which are due, making them, reading them. Weeks and fleet days follow in the same transaction."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy import Connection, delete, func, select, text

from fleet.daily.rollup import roll_up
from fleet.frames import DAY, SETTING
from fleet.store.archived import archived_node_days
from fleet.store.arrow import read_frame
from fleet.store.engine import Store
from fleet.store.insert import upsert
from fleet.store.parts import part_records, taken_parts
from fleet.store.reading import read_settings
from fleet.store.state import read_state, write_state
from fleet.store.tables import DAYS, DIRTY, NODES, TAKEN

EPOCH = "epoch"


def take_dirty(store: Store) -> int:
    """Take the dirty node-days for a roll-up and return how many; those of one that broke off are taken again.

    A record that comes while the roll-up reads marks its node-day anew, so nothing is lost and nothing waits.
    """
    with store.write() as conn:
        conn.execute(text("INSERT INTO taken SELECT day, node_id FROM dirty WHERE true ON CONFLICT DO NOTHING"))
        conn.execute(delete(DIRTY))
        write_state(conn, EPOCH, str(_epoch(conn) + 1))
        return int(conn.execute(select(func.count()).select_from(TAKEN)).scalar_one())


def epoch(store: Store) -> int:
    """How many roll-ups there were: changes whenever day rows may have."""
    with store.read() as conn:
        return _epoch(conn)


def _epoch(conn: Connection) -> int:
    return int(read_state(conn, EPOCH) or 0)


def roll_up_dirty(store: Store) -> int:
    """Make the day rows that new or late records touched; how many. Killed midway, the rest is made next time."""
    if not take_dirty(store):
        return 0
    reported = read_settings(store)
    settings = {name: reported[name].to_numpy() for name in SETTING}
    with store.read() as conn:
        node_count = int(conn.execute(select(func.count()).select_from(NODES)).scalar_one())
    made = 0
    for part in taken_parts(store):
        rows = roll_up(part_records(store, part, node_count), settings)
        with store.write() as conn:
            write_days(conn, rows)
        made += len(rows["day"])
    finish_taken(store)
    return made


def finish_taken(store: Store) -> None:
    """Bring weeks and fleet days of the node-days taken up to date, and let these go."""
    with store.write() as conn:
        conn.execute(_WEEKS)
        conn.execute(_FLEET_DAYS)
        conn.execute(delete(TAKEN))


def mark_all_dirty(store: Store) -> None:
    """Have every day row made anew; an archived month is read from its file."""
    archived = sorted(archived_node_days(store))
    with store.write() as conn:
        conn.execute(_ALL_DIRTY)
        upsert(conn, DIRTY, ("day", "node_id"), archived)


def write_days(conn: Connection, rows: Mapping[str, np.ndarray[Any, Any]] | pd.DataFrame) -> None:
    """Write day rows over those of the same node and day."""
    columns = []
    for name, dtype in DAY.items():
        values = np.asarray(rows[name])
        if dtype.startswith("int"):
            columns.append(values.astype(np.int64).tolist())
        else:
            columns.append([None if value != value else value for value in values.astype(float).tolist()])
    upsert(conn, DAYS, list(DAY), list(zip(*columns, strict=True)))


def read_days(
    store: Store,
    node_ids: Collection[int] | None = None,
    *,
    since_day: int | None = None,
    until_day: int | None = None,
    columns: Collection[str] | None = None,
) -> pd.DataFrame:
    """DAY frame, by node and day; `until_day` is not included. Fewer columns are read faster."""
    types = {name: dtype for name, dtype in DAY.items() if columns is None or name in columns}
    query = select(*(DAYS.c[name] for name in types)).order_by(DAYS.c.node_id, DAYS.c.day)
    if node_ids is not None:
        query = query.where(DAYS.c.node_id.in_(sorted(int(node_id) for node_id in node_ids)))
    if since_day is not None:
        query = query.where(DAYS.c.day >= since_day)
    if until_day is not None:
        query = query.where(DAYS.c.day < until_day)
    return read_frame(store, query, types)


_ALL_DIRTY = text(
    "INSERT INTO dirty SELECT DISTINCT hour / 24, node_id FROM wakes WHERE hour >= 0"
    " UNION SELECT day, node_id FROM days WHERE true ON CONFLICT DO NOTHING"
)
_WEEKS = text(
    "INSERT INTO weeks (node_id, week, seen, missing, band, timer, reset, batt_mv, batt_tx_min_mv, temp_c, temp_min_c)"
    " SELECT d.node_id, a.week, sum(seen), sum(missing), sum(n_band_low + n_band_high), sum(n_timer),"
    " sum(n_power_on + n_brownout + n_watchdog + n_crash), avg(batt_mv), min(batt_tx_min_mv), avg(temp_c),"
    " min(temp_min_c)"
    " FROM (SELECT DISTINCT node_id, (day + 3) / 7 AS week FROM taken) a"
    " CROSS JOIN days d WHERE d.node_id = a.node_id AND d.day BETWEEN a.week * 7 - 3 AND a.week * 7 + 3"
    " GROUP BY d.node_id, a.week"
    " ON CONFLICT (node_id, week) DO UPDATE SET seen = excluded.seen, missing = excluded.missing, band = excluded.band,"
    " timer = excluded.timer, reset = excluded.reset, batt_mv = excluded.batt_mv,"
    " batt_tx_min_mv = excluded.batt_tx_min_mv, temp_c = excluded.temp_c, temp_min_c = excluded.temp_min_c"
)
_FLEET_DAYS = text(
    "INSERT INTO fleet_days (site, day, nodes, seen, missing, wakes, band, batt_mv, temp_c)"
    " SELECT coalesce(n.site, ''), a.day, count(*), sum(seen), sum(missing), sum(seen + missing),"
    " sum(n_band_low + n_band_high), avg(batt_mv), avg(temp_c)"
    " FROM (SELECT DISTINCT day FROM taken) a CROSS JOIN nodes n CROSS JOIN days d"
    " WHERE d.node_id = n.node_id AND d.day = a.day GROUP BY coalesce(n.site, ''), a.day"
    " ON CONFLICT (site, day) DO UPDATE SET nodes = excluded.nodes, seen = excluded.seen, missing = excluded.missing,"
    " wakes = excluded.wakes, band = excluded.band, batt_mv = excluded.batt_mv, temp_c = excluded.temp_c"
)
