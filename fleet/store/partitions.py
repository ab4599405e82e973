"""Months of `wakes` on PostgreSQL: one partition each, made when its first record comes."""

from __future__ import annotations

from datetime import UTC, datetime

from sqlalchemy import Connection

from fleet.units import S_PER_H

_LOCK = 0x77616B65  # one number for all who make partitions


def month_of(hour: int) -> tuple[int, int]:
    """Year and month of an hour since 1970.

    >>> month_of(0), month_of(490_000)
    ((1970, 1), (2025, 11))
    """
    at = datetime.fromtimestamp(hour * S_PER_H, UTC)
    return at.year, at.month


def hours_of(year: int, month: int) -> tuple[int, int]:
    """First hour of a month, and of the one after.

    >>> hours_of(1970, 1)
    (0, 744)
    """
    after = (year + month // 12, month % 12 + 1)
    return _first_hour(year, month), _first_hour(*after)


def _first_hour(year: int, month: int) -> int:
    return int(datetime(year, month, 1, tzinfo=UTC).timestamp() // S_PER_H)


def make_partitions(conn: Connection, hours: set[int]) -> None:
    """See that every month of these hours has its partition."""
    wanted = {month_of(hour) for hour in hours}
    names = {f"wakes_{year:04d}_{month:02d}": (year, month) for year, month in wanted}
    there = conn.exec_driver_sql("SELECT relname FROM pg_class WHERE relname = ANY(%s)", (list(names),)).scalars()
    missing = sorted(set(names) - set(there))
    if not missing:
        return
    conn.exec_driver_sql("SELECT pg_advisory_xact_lock(%s)", (_LOCK,))
    for name in missing:
        first, after = hours_of(*names[name])
        conn.exec_driver_sql(
            f"CREATE TABLE IF NOT EXISTS {name} PARTITION OF wakes FOR VALUES FROM ({first}) TO ({after})"
        )
