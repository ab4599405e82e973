"""Months of `wakes` on PostgreSQL: one partition each, made when its first record comes."""

from __future__ import annotations

from sqlalchemy import Connection

from fleet.store.months import hours_of, month_of

_THERE = "SELECT relname FROM pg_class WHERE relname = ANY(%s) AND pg_table_is_visible(oid)"
_LOCK = 0x77616B65  # one number for all who make partitions


def make_partitions(conn: Connection, hours: set[int]) -> None:
    """See that every month of these hours has its partition."""
    wanted = {month_of(hour) for hour in hours}
    names = {f"wakes_{year:04d}_{month:02d}": (year, month) for year, month in wanted}
    there = conn.exec_driver_sql(_THERE, (list(names),)).scalars()
    missing = sorted(set(names) - set(there))
    if not missing:
        return
    conn.exec_driver_sql("SELECT pg_advisory_xact_lock(%s)", (_LOCK,))
    for name in missing:
        first, after = hours_of(*names[name])
        conn.exec_driver_sql(
            f"CREATE TABLE IF NOT EXISTS {name} PARTITION OF wakes FOR VALUES FROM ({first}) TO ({after})"
        )
