"""Local days and ISO weeks of a report."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from fleet.errors import ReportError

WEEK = re.compile(r"(\d{4})-?W(\d{2})")


def zone_of(name: object, fallback: str = "UTC") -> ZoneInfo:
    """The time zone of that name; the fallback's if there is none of that name."""
    for candidate in (name, fallback):
        if isinstance(candidate, str) and candidate:
            try:
                return ZoneInfo(candidate)
            except (ZoneInfoNotFoundError, ValueError):
                continue
    return ZoneInfo("UTC")


def local_day(at_s: float, zone: ZoneInfo) -> date:
    """The date at a place, of seconds since 1970 UTC."""
    return datetime.fromtimestamp(at_s, UTC).astimezone(zone).date()


def week_of(day: date) -> str:
    """The ISO week of a day: the week belongs to the year that holds its Thursday.

    >>> week_of(date(2026, 12, 31)), week_of(date(2027, 1, 3))
    ('2026-W53', '2026-W53')
    """
    year, week, _ = day.isocalendar()
    return f"{year}-W{week:02d}"


def week_bounds(week: str, zone: ZoneInfo) -> tuple[datetime, datetime]:
    """First moment of the week and of the one after, in that zone.

    Raises
    ------
    ReportError
        If there is no such ISO week.
    """
    found = WEEK.fullmatch(week.strip().upper())
    try:
        if found is None:
            raise ValueError(week)
        monday = date.fromisocalendar(int(found[1]), int(found[2]), 1)
    except ValueError as why:
        raise ReportError(
            f"--week {week}: no such ISO week; expected e.g. 2026-W47. Weeks run 01 to 52 or 53."
        ) from why
    return tuple(datetime.combine(monday + timedelta(days=n), datetime.min.time(), zone) for n in (0, 7))  # type: ignore[return-value]  # two moments
