"""Time axes in the reader's language: months, with the year where it begins."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import altair as alt

from reports.say import Say

MONTH_PX = 34


def ms(day: str) -> float:
    """Milliseconds since 1970 of a date, as charts count."""
    return datetime.combine(date.fromisoformat(day), datetime.min.time(), UTC).timestamp() * 1000


def month_starts(start: datetime, end: datetime) -> list[datetime]:
    """First days of the months inside."""
    at = start.replace(day=1, hour=0, minute=0, second=0, microsecond=0)
    out = []
    while at <= end:
        if at >= start:
            out.append(at)
        at = (at + timedelta(days=32)).replace(day=1)
    return out


def months(start: datetime, end: datetime, say: Say, width: float, **more: Any) -> alt.Axis:
    """An axis with the months' names; every second or third one where there is no room."""
    starts = month_starts(start, end)
    step = next((s for s in (1, 2, 3, 4, 6) if len(starts) * MONTH_PX <= width * s), 12)
    marks = starts[::step]
    labels = {}
    for index, at in enumerate(marks):
        name = say.format["months"][at.month - 1]
        first = index == 0 or at.year != marks[index - 1].year
        labels[str(int(at.timestamp() * 1000))] = [name, str(at.year)] if first else [name]
    expr = f"({_js(labels)})[toString(datum.value)]"
    return alt.Axis(
        values=[at.timestamp() * 1000 for at in marks],
        labelExpr=expr,
        title=None,
        grid=False,
        labelAlign="left",
        labelOffset=3,
        tickSize=6,
        labelPadding=2,
        labelOverlap=False,
        **more,
    )


def _js(labels: dict[str, list[str]]) -> str:
    pairs = ", ".join(f"'{key}': [{', '.join(repr(text) for text in texts)}]" for key, texts in labels.items())
    return "{" + pairs + "}"
