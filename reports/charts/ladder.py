"""The ladder: one row a node at risk, bar P10 to P90, dot at even odds, ticks at its site's visits."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import altair as alt

from reports.charts.axis import months, ms
from reports.charts.theme import FAN_EDGE, INK, LINE, SOFT, STATE_COLOUR, STATE_SHAPE, STATE_TEXT, themed
from reports.model import NodeLine, SiteLine
from reports.say import Say, shown
from reports.standing import standing

ROW_PX = 23
BAR_COLOUR = "#A9CBE6"
SHOWN_D = 330


def ladder(lines: Sequence[NodeLine], sites: dict[str, SiteLine], as_of: float, say: Say, width: int) -> dict[str, Any]:
    """The definition, for a plot of this width."""
    start = datetime.fromtimestamp(as_of, UTC)
    latest = max([line.days_left_p50 or 0 for line in lines] + [v.ahead_d for v in _visits(lines, sites)])
    end = start + timedelta(days=min(SHOWN_D, latest + 45))
    rows = [_row(index, line, sites[line.site], end, say) for index, line in enumerate(lines)]
    ticks = [
        {"row": index, "at": ms(visit.day)}
        for index, line in enumerate(lines)
        for visit in (sites[line.site].next_visit, sites[line.site].visit_after)
        if ms(visit.day) <= end.timestamp() * 1000
    ]
    scale = alt.Scale(type="utc", domain=[start.timestamp() * 1000, end.timestamp() * 1000])
    y = alt.Y("row:O", axis=None, scale=alt.Scale(domain=list(range(len(rows)))))
    x = alt.X("p10:Q", scale=scale, axis=months(start, end, say, width))
    base = alt.Chart(alt.Data(values=rows))
    layers = [
        alt.Chart(alt.Data(values=ticks))
        .mark_tick(color=SOFT, thickness=1.5, size=ROW_PX - 1)
        .encode(y=y, x=alt.X("at:Q", scale=scale)),
        base.mark_bar(height=9, color=BAR_COLOUR, stroke=FAN_EDGE, strokeWidth=0.7).encode(y=y, x=x, x2="p90:Q"),
        base.mark_point(filled=True, size=52, color=LINE, opacity=1).encode(y=y, x=alt.X("p50:Q", scale=scale)),
        _state_marks(base, y),
        _names(base, y),
        *_shares(base, y, width),
        *_heads(lines, sites, say, scale=scale, end=end, width=width),
    ]
    chart = alt.layer(*layers).properties(width=width, height=ROW_PX * len(rows))
    return themed(chart)


def _visits(lines: Sequence[NodeLine], sites: dict[str, SiteLine]) -> list[Any]:
    return [visit for line in lines for visit in (sites[line.site].next_visit, sites[line.site].visit_after)]


def _row(index: int, line: NodeLine, site: SiteLine, end: datetime, say: Say) -> dict[str, Any]:
    last = end.timestamp() * 1000
    clipped = {
        share: min(ms(day), last) if (day := getattr(line, f"day_{share}")) else last for share in ("p10", "p50", "p90")
    }
    if clipped["p50"] >= last:
        clipped.pop("p50")
    told = standing(line, say)
    return {
        "row": index,
        "name": shown(line.node, 16),
        "state": line.state,
        "ink": STATE_TEXT[line.state],
        "next": "" if told else say.share(line.lasts_next),
        "after": "" if told else say.share(line.lasts_after),
        "told": told,
        **clipped,
    }


def _state_marks(base: alt.Chart, y: alt.Y) -> alt.Chart:
    states = list(STATE_COLOUR)
    return base.mark_point(filled=True, size=58, opacity=1).encode(
        y=y,
        x=alt.value(-118),
        shape=alt.Shape("state:N", scale=alt.Scale(domain=states, range=[STATE_SHAPE[s] for s in states]), legend=None),
        color=alt.Color("state:N", scale=alt.Scale(domain=states, range=list(STATE_COLOUR.values())), legend=None),
    )


def _names(base: alt.Chart, y: alt.Y) -> alt.Chart:
    return base.mark_text(align="left", fontWeight=600, color=INK).encode(y=y, x=alt.value(-106), text="name:N")


def _shares(base: alt.Chart, y: alt.Y, width: int) -> list[alt.Chart]:
    texts = []
    for field, at in (("next", 68), ("after", 130), ("told", 130)):
        texts.append(
            base.mark_text(align="right", fontWeight=400 if field == "after" else 600).encode(
                y=y,
                x=alt.value(width + at),
                text=f"{field}:N",
                color=alt.Color("ink:N", scale=None),
            )
        )
    return texts


def _heads(
    lines: Sequence[NodeLine], sites: dict[str, SiteLine], say: Say, *, scale: alt.Scale, end: datetime, width: int
) -> list[alt.Chart]:
    """Names over the two columns of shares, and over the visits where all rows share them."""
    texts = [
        {"x": width + 68, "lines": say("front.head_next").split("|")},
        {"x": width + 130, "lines": say("front.head_after").split("|")},
    ]
    heads = [
        alt.Chart(alt.Data(values=[text]))
        .mark_text(align="right", baseline="bottom", color=SOFT, lineHeight=13)
        .encode(x=alt.value(text["x"]), y=alt.value(-20), text="lines:N")
        for text in texts
    ]
    both = {(sites[line.site].next_visit.day, sites[line.site].visit_after.day) for line in lines}
    if len(both) > 1:
        return heads
    for day, key in zip(next(iter(both)), ("next_mark", "after_mark"), strict=True):
        if ms(day) <= end.timestamp() * 1000:
            row = {"at": ms(day), "lines": [say(f"panels.{key}"), say.day(day, year=False)]}
            heads.append(
                alt.Chart(alt.Data(values=[row]))
                .mark_text(align="center", baseline="bottom", lineHeight=13)
                .encode(x=alt.X("at:Q", scale=scale), y=alt.value(-20), text="lines:N")
            )
    return heads
