"""ISO weeks and local days."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from fleet.errors import ReportError
from reports.dates import local_day, week_bounds, week_of, zone_of

BERLIN = ZoneInfo("Europe/Berlin")


def test_2026_has_a_week_53_and_2027_begins_in_it() -> None:
    """ISO 8601-1:2019, 3.1.1.23: a week belongs to the year that holds its Thursday; 31 Dec 2026 is a Thursday."""
    assert date(2026, 12, 31).strftime("%A") == "Thursday"
    assert week_of(date(2027, 1, 3)) == "2026-W53"
    assert week_of(date(2027, 1, 4)) == "2027-W01"
    assert week_bounds("2026-W53", BERLIN)[0].date() == date(2026, 12, 28)


def test_a_week_that_is_not_one_is_refused_with_what_was_expected() -> None:
    for wrong in ("2027-W53", "2026-W00", "week 3", "2026-47"):
        with pytest.raises(ReportError, match=r"expected e\.g\. 2026-W47"):
            week_bounds(wrong, BERLIN)


def test_a_week_in_which_the_clocks_go_back_is_an_hour_longer() -> None:
    """EU directive 2000/84/EC: summer time ends on the last Sunday of October, 25 Oct in 2026."""
    start, end = week_bounds("2026-W43", BERLIN)
    assert end.astimezone(UTC) - start.astimezone(UTC) == timedelta(days=7, hours=1)


def test_a_day_is_the_day_at_the_site() -> None:
    at = datetime(2026, 11, 23, 23, 30, tzinfo=UTC).timestamp()
    assert local_day(at, BERLIN) == date(2026, 11, 24)
    assert local_day(at, zone_of("no such zone")) == date(2026, 11, 23)
