"""The calendar strip: when a node woke and why, day by hour, or by day where no records are at hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import altair as alt

from reports.charts.theme import CAUSE_COLOUR, GREY, SOFT, themed
from reports.model import Strip
from reports.say import Say

DAY_PX, HEIGHT_PX = 4.9, 92


def strip(strip_: Strip, say: Say) -> dict[str, Any]:
    """The definition filled with one node."""
    groups = list(CAUSE_COLOUR)
    colour = alt.Color("group:N", scale=alt.Scale(domain=groups, range=list(CAUSE_COLOUR.values())), legend=None)
    x = alt.X("day:Q", scale=alt.Scale(domain=[0, strip_.days], nice=False), axis=_weeks(strip_, say))
    silent = (
        alt.Chart(alt.Data(values=_spans(strip_.silent)))
        .mark_rect(color=GREY)
        .encode(x=x, x2="to:Q", y=alt.value(0), y2=alt.value(HEIGHT_PX))
    )
    marks = _hours(strip_, x, colour) if strip_.by_hour else _days(strip_, x, colour)
    chart = alt.layer(silent, marks).properties(width=DAY_PX * strip_.days, height=HEIGHT_PX)
    return themed(chart)


def _hours(strip_: Strip, x: alt.X, colour: alt.Color) -> alt.Chart:
    rows = [
        {"day": day + 0.06, "to": day + 0.94, "hour": hour + 0.12, "till": hour + 0.88, "group": group}
        for day, hour, group, _ in sorted(_strongest(strip_), key=lambda cell: cell[2])
    ]
    axis = alt.Axis(values=[0, 6, 12, 18, 24], title=None, domain=False, ticks=False, labelPadding=6, format="02d")
    y = alt.Y("hour:Q", scale=alt.Scale(domain=[24, 0], nice=False), axis=axis)
    return alt.Chart(alt.Data(values=rows)).mark_rect().encode(x=x, x2="to:Q", y=y, y2="till:Q", color=colour)


def _strongest(strip_: Strip) -> list[tuple[int, int, str, int]]:
    """One mark an hour: the rarer kind goes first, so that a restart is never hidden by the clock."""
    first = ("reset", "other", "band_high", "band_low", "timer")
    best: dict[tuple[int, int], tuple[int, int, str, int]] = {}
    for cell in strip_.cells:
        here = best.get(cell[:2])
        if here is None or first.index(cell[2]) < first.index(here[2]):
            best[cell[:2]] = cell
    return list(best.values())


def _days(strip_: Strip, x: alt.X, colour: alt.Color) -> alt.Chart:
    rows = []
    height: dict[int, int] = {}
    for day, _, group, count in strip_.cells:
        low = height.get(day, 0)
        height[day] = low + count
        rows.append({"day": day + 0.06, "to": day + 0.94, "low": low, "high": low + count, "group": group})
    axis = alt.Axis(title=None, domain=False, ticks=False, labelPadding=6, tickCount=4)
    y = alt.Y("low:Q", axis=axis)
    return alt.Chart(alt.Data(values=rows)).mark_rect().encode(x=x, x2="to:Q", y=y, y2="high:Q", color=colour)


def _spans(days: list[int]) -> list[dict[str, int]]:
    spans: list[dict[str, int]] = []
    for day in days:
        if spans and spans[-1]["to"] == day:
            spans[-1]["to"] = day + 1
        else:
            spans.append({"day": day, "to": day + 1})
    return spans


def _weeks(strip_: Strip, say: Say) -> alt.Axis:
    first = datetime.fromisoformat(strip_.first_day).replace(tzinfo=UTC)
    monday = (7 - first.weekday()) % 7
    days = list(range(monday, strip_.days, 14))
    labels = {day: say.day((first + timedelta(days=day)).date().isoformat(), year=False) for day in days}
    pairs = ", ".join(f"'{day}': {text!r}" for day, text in labels.items())
    return alt.Axis(
        values=days, labelExpr=f"({{{pairs}}})[toString(datum.value)]", title=None, grid=False, labelAlign="left",
        labelOffset=2, tickSize=5, domainColor=SOFT,
    )  # fmt: skip
