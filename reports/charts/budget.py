"""Where the charge goes: one stacked bar a node, with what is not accounted for always shown."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import altair as alt

from reports.charts.theme import INK, PART_COLOUR, PART_EDGE, themed
from reports.model import PARTS
from reports.say import Say, shown

ROW_PX, GAP_PX = 24, 14


def budget(bars: Sequence[tuple[str, dict[str, float | None]]], say: Say, width: int) -> dict[str, Any]:
    """The definition; bars are name and parts, a name of "" is a gap."""
    rows: list[dict[str, Any]] = []
    totals: list[dict[str, Any]] = []
    top = 0.0
    for name, parts in bars:
        if not name:
            top += GAP_PX
            continue
        low = 0.0
        for part in PARTS:
            value = parts.get(part) or 0.0
            if value > 0:
                rows.append({"y": top + 4, "y2": top + ROW_PX - 4, "low": low, "high": low + value, "part": part})
            low += value
        question = "" if parts.get("unaccounted") is not None else " + ?"
        middle = top + ROW_PX / 2
        totals.append({"y": middle, "high": low, "text": say.short(low) + question, "name": shown(name, 16)})
        top += ROW_PX
    largest = max([total["high"] for total in totals], default=1.0) or 1.0
    names = list(PARTS)
    x = alt.X("low:Q", scale=alt.Scale(domain=[0, largest * 1.02], nice=False), axis=_axis(say, width))
    y = alt.Y("y:Q", scale=alt.Scale(domain=[top, 0], nice=False), axis=None)
    bars_ = (
        alt.Chart(alt.Data(values=rows))
        .mark_rect(strokeWidth=1)
        .encode(
            x=x,
            x2="high:Q",
            y=y,
            y2="y2:Q",
            color=alt.Color(
                "part:N", scale=alt.Scale(domain=names, range=[PART_COLOUR[p] for p in names]), legend=None
            ),
            stroke=alt.Stroke(
                "part:N", scale=alt.Scale(domain=names, range=[PART_EDGE.get(p, "#FFFFFF") for p in names]), legend=None
            ),
        )
    )
    base = alt.Chart(alt.Data(values=totals))
    total = base.mark_text(align="left", dx=7, color=INK).encode(x=alt.X("high:Q"), y=y, text="text:N")
    label = base.mark_text(align="right", fontWeight=600).encode(x=alt.value(-8), y=y, text="name:N")
    chart = alt.layer(bars_, total, label).properties(width=width, height=top)
    return themed(chart)


def _axis(say: Say, width: int) -> alt.Axis:
    expr = "datum.label" if say.format["decimal"] == "." else f"replace(datum.label, '.', '{say.format['decimal']}')"
    return alt.Axis(
        title=say("charge.axis"),
        titleAlign="right",
        titleAnchor="end",
        tickCount=max(3, width // 100),
        domain=False,
        ticks=False,
        labelExpr=expr,
    )
