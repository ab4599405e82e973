"""Months as spans of hours since 1970: the partitions on PostgreSQL and the files of the archive."""

from __future__ import annotations

from datetime import UTC, datetime

from fleet.units import S_PER_H


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
