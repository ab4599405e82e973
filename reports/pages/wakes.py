"""Page four: who wakes too often; when and why, and the setting proposed with what it would do."""

from __future__ import annotations

from collections import Counter
from typing import Any

from fleet.units import S_PER_H, S_PER_MIN
from reports.charts.draw import draw
from reports.charts.strip import strip
from reports.charts.theme import CAUSE_COLOUR, GREY, RULE
from reports.model import AdviceLine, NodeLine, ReportModel, Strip
from reports.pages.picture import both
from reports.say import HARD_SPACE, NOT_KNOWN, Say, shown

UNIT = {"period_ms": "ms"}


def wakes(model: ReportModel, say: Say) -> dict[str, Any]:
    """Everything of the page, in words."""
    by_name = {(line.site, line.node): line for line in model.nodes}
    medians = {site.site: site.wakes_median for site in model.sites}
    strips = [
        _one(index, found, by_name[(found.site, found.node)], medians[found.site], say)
        for index, found in enumerate(model.strips)
    ]
    by_hour = any(found.by_hour for found in model.strips)
    return {
        "title": say("wakes.title"),
        "headline": say("wakes.headline", count=len(strips)) if strips else say("wakes.none"),
        "note": say("wakes.strip_hour" if by_hour else "wakes.strip_day") if strips else "",
        "legend": [{"colour": colour, "text": say(f"cause.{cause}")} for cause, colour in CAUSE_COLOUR.items()]
        + [{"colour": GREY, "edge": RULE, "text": say("wakes.silent")}],
        "strips": strips,
        "columns": [say(f"columns.{name}") for name in ("node", "site", "wakes", "median", "proposed", "would")],
    }


def _one(index: int, found: Strip, line: NodeLine, median: float | None, say: Say) -> dict[str, Any]:
    kinds: Counter[str] = Counter()
    for _, _, group, count in found.cells:
        kinds[group] += count
    cause = say(f"cause.{kinds.most_common(1)[0][0]}") if kinds else "–"
    wakes_text = say.short(line.wakes_per_day)
    finding = say("wakes.alt", node=shown(line.node), wakes=wakes_text, cause=cause)
    name = f"strip-{index}"
    drawn = draw(strip(found, say), name=name, title=shown(line.node), finding=finding)
    proposal, effect = advice_words(line.advice, line, say)
    return {
        "id": line.node_id,
        "node": shown(line.node),
        "site": shown(line.site),
        "line": say("wakes.line", wakes=wakes_text, median=say.short(median)),
        "proposal": proposal,
        "effect": effect,
        "picture": both(name, finding, drawn),
        "cells": [shown(line.node), shown(line.site), wakes_text, say.short(median), proposal, effect],
    }


def advice_words(advice: AdviceLine | None, line: NodeLine, say: Say) -> tuple[str, str]:
    """What to set, and what that would do; a visit where settings won't help."""
    if advice is None or advice.remedy == "none" or (not advice.proposed and advice.remedy != "visit"):
        return say("wakes.no_advice"), ""
    if advice.remedy == "visit":
        return say("wakes.visit"), ""
    proposal = say.listed([_change(name, advice, say) for name in advice.proposed])
    wakes_mid, wakes_lo, wakes_hi = advice.wakes_per_day
    effect = say(
        "wakes.advice",
        what=proposal,
        wakes=say.short(wakes_mid),
        lo=say.short(wakes_lo),
        hi=say.short(wakes_hi),
        p50=say.weeks(advice.days_left[0]),
    ).removeprefix(f"{proposal}: ")
    if advice.events_seen[0] is not None:
        effect += f"; {say('wakes.advice_events', share=say.share(advice.events_seen[0]))}"
    return proposal, effect


def _change(name: str, advice: AdviceLine, say: Say) -> str:
    then, now = advice.proposed[name], advice.now.get(name)
    key = "wakes.change" if now is not None else "wakes.change_new"
    return say(key, name=say(f"setting.{name}"), then=_setting(name, then, say), now=_setting(name, now, say))


def _setting(name: str, value: float | None, say: Say) -> str:
    """A setting in the language's marks; an interval in hours or minutes."""
    if value is None:
        return NOT_KNOWN
    unit = UNIT.get(name, "")
    if name == "sleep_s":
        value, unit = (value / S_PER_H, "h") if value >= S_PER_H else (value / S_PER_MIN, "min")
    return f"{float(f'{value:.3g}'):g}".replace(".", say.format["decimal"]) + (f"{HARD_SPACE}{unit}" if unit else "")
