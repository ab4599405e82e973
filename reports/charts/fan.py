"""The fan: charge left as measured, then even odds, half of outcomes, eight in ten, and the visit dates."""

from __future__ import annotations

import copy
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from itertools import pairwise
from typing import Any

import altair as alt
import numpy as np

from reports.charts.axis import months, ms
from reports.charts.theme import FAN_EDGE, FAN_HALF, FAN_WIDE, INK, LINE, SOFT, themed
from reports.model import NodeLine, SiteLine
from reports.say import Say

WIDTH_PX, HEIGHT_PX = 372, 132
BACK_D, AHEAD_D = 182, 300
MS_PER_DAY = 86_400_000.0
EPOCH = date(1970, 1, 1)
Fan = list[tuple[int, float, float, float, float, float]]


def fan_points(fan: Fan) -> list[tuple[float, ...]]:
    """The fan with a point where each quantile meets zero, cut where the highest one does.

    Without these points the lower right corner of the area would cut across.
    """
    if len(fan) < 2:
        return []
    table = np.array(fan, float)
    ahead = table[:, 0]
    crossings = [_zero_at(ahead, table[:, column]) for column in range(1, 6)]
    stops = sorted({*ahead.tolist(), *(at for at in crossings if at is not None)})
    last = crossings[-1] if crossings[-1] is not None else ahead[-1]
    columns = []
    for column, crossing in zip(range(1, 6), crossings, strict=True):
        x, y = ahead, table[:, column].copy()
        if crossing is not None:
            keep = x < crossing - 1e-9
            x, y = np.append(x[keep], [crossing, max(ahead[-1], crossing)]), np.append(y[keep], [0.0, 0.0])
        columns.append(np.interp(stops, x, y))
    return [(at, *(float(c[i]) for c in columns)) for i, at in enumerate(stops) if at <= last + 1e-9]


def _zero_at(ahead: np.ndarray[Any, Any], level: np.ndarray[Any, Any]) -> float | None:
    """Where a falling quantile that stops at zero would meet it, by its last slope."""
    zero = np.flatnonzero(level <= 1e-9)
    if not len(zero) or zero[0] == 0:
        return None
    first = int(zero[0])
    if first == 1:
        return float(ahead[1])
    slope = (level[first - 2] - level[first - 1]) / (ahead[first - 1] - ahead[first - 2])
    if slope <= 0:
        return float(ahead[first])
    return float(min(ahead[first], ahead[first - 1] + level[first - 1] / slope))


def fan(line: NodeLine, site: SiteLine, as_of: float, say: Say) -> dict[str, Any]:
    """The definition filled with one node."""
    start = datetime.fromtimestamp(as_of, UTC) - timedelta(days=BACK_D)
    spec = copy.deepcopy(_definition(int(start.timestamp()), say.language))
    today = as_of * 1000
    points: list[dict[str, Any]] = [
        dict(zip(("at", "p10", "p25", "p50", "p75", "p90"), (today + at * MS_PER_DAY, *levels), strict=True))
        for at, *levels in fan_points(line.fan)
        if at <= AHEAD_D
    ]
    history = [{"at": day * MS_PER_DAY, "level": level} for day, level in line.history]
    marks = [
        {"at": ms(visit.day), "key": say(f"panels.{key}"), "text": say.day(visit.day, year=False), "align": "left"}
        for visit, key in ((site.next_visit, "next_mark"), (site.visit_after, "after_mark"))
        if 0 < visit.ahead_d <= AHEAD_D
    ]
    now = [{"at": today, "text": say("panels.today", level=say.level(line.charge_left)), "level": line.charge_left}]
    for before, point in pairwise(points[::-1]):
        if point["p50"] <= 0:
            before["p50"] = None
    values = {"fan": points, "history": _broken(history), "marks": marks, "now": now}
    spec["datasets"] = values
    return spec


def _broken(history: list[dict[str, float]]) -> list[dict[str, Any]]:
    """Split where more than three weeks are missing, so that no line bridges a silence."""
    part, out = 0, []
    for index, point in enumerate(history):
        if index and point["at"] - history[index - 1]["at"] > 21 * MS_PER_DAY:
            part += 1
        out.append({**point, "part": part})
    return out


@lru_cache(maxsize=8)
def _definition(start_s: int, language: str) -> dict[str, Any]:
    from reports.say import say

    start = datetime.fromtimestamp(start_s, UTC)
    end = start + timedelta(days=BACK_D + AHEAD_D)
    scale = alt.Scale(type="utc", domain=[start_s * 1000, int(end.timestamp() * 1000)])
    x = alt.X("at:Q", scale=scale, axis=months(start, end, say(language), WIDTH_PX))
    share = alt.Axis(values=[0, 0.25, 0.5, 0.75, 1], labelExpr="datum.value * 100 + (datum.value == 1 ? ' %' : '')",
                     title=None, domain=False, ticks=False, labelPadding=6)  # fmt: skip

    def y(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", scale=alt.Scale(domain=[0, 1]), axis=share)

    def on(name: str) -> alt.Chart:
        return alt.Chart(alt.NamedData(name=name))

    layers = [
        on("fan").mark_area(color=FAN_WIDE).encode(x=x, y=y("p10"), y2="p90:Q"),
        on("fan").mark_area(color=FAN_HALF).encode(x=x, y=y("p25"), y2="p75:Q"),
        on("fan").mark_line(color=FAN_EDGE, strokeWidth=1).encode(x=x, y=y("p10")),
        on("fan").mark_line(color=FAN_EDGE, strokeWidth=1).encode(x=x, y=y("p90")),
        on("fan").mark_line(color=LINE, strokeWidth=2, strokeDash=[6, 3]).encode(x=x, y=y("p50")),
        on("marks").mark_rule(color=SOFT, strokeDash=[1.5, 3], strokeWidth=1.2).encode(x=x),
        on("now").mark_rule(color=INK, strokeWidth=1.2).encode(x=x),
        on("history").mark_line(color=LINE, strokeWidth=2).encode(x=x, y=y("level"), detail="part:N"),
        on("now").mark_point(fill="white", stroke=LINE, strokeWidth=2.2, size=64, opacity=1).encode(x=x, y=y("level")),
        on("now")
        .mark_text(align="right", dx=-5, baseline="bottom", fontWeight=600)
        .encode(x=x, y=alt.value(-4), text="text:N"),
        on("marks")
        .mark_text(align="left", dx=3, baseline="bottom", color=SOFT)
        .encode(x=x, y=alt.value(-17), text="key:N"),
        on("marks")
        .mark_text(align="left", dx=3, baseline="bottom", fontWeight=600)
        .encode(x=x, y=alt.value(-4), text="text:N"),
    ]
    chart = alt.layer(*layers).properties(width=WIDTH_PX, height=HEIGHT_PX)
    return themed(chart)
