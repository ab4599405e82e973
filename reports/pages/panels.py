"""Page six: one panel a node at risk; the fan, four facts, one sentence."""

from __future__ import annotations

from typing import Any

from reports.charts.draw import draw
from reports.charts.fan import fan
from reports.model import NodeLine, ReportModel, SiteLine
from reports.pages.front import bring_lines
from reports.pages.picture import both
from reports.pages.wakes import advice_words
from reports.say import Say, shown
from reports.standing import almost_flat, silent_flat

PANELS = 36


def panels(model: ReportModel, say: Say) -> dict[str, Any]:
    """Everything of the page, in words."""
    at_risk = [line for line in model.nodes if line.state in ("due", "soon")]
    sites = {site.site: site for site in model.sites}
    return {
        "title": say("panels.title"),
        "none": "" if at_risk else say("panels.none"),
        "more": say("panels.more", count=len(at_risk) - PANELS) if len(at_risk) > PANELS else "",
        "legend": {key: say(f"panels.{key}") for key in ("measured", "even", "half", "eight")},
        "panels": [
            panel(index, line, sites[line.site], model.as_of, say) for index, line in enumerate(at_risk[:PANELS])
        ],
    }


def panel(index: int, line: NodeLine, site: SiteLine, as_of: float, say: Say) -> dict[str, Any]:
    """One node's panel; the live page shows the same."""
    name = f"fan-{index}"
    finding = say(
        "panels.fan_alt",
        node=shown(line.node),
        level=say.level(line.charge_left),
        p50=say.day(line.day_p50),
        p10=say.day(line.day_p10),
    )
    drawable = len(line.fan) > 1 and line.state != "unsure"
    drawn = (
        draw(fan(line, site, as_of, say), name=name, title=say("panels.charge"), finding=finding) if drawable else ""
    )
    return {
        "id": line.node_id,
        "state": line.state,
        "site": shown(line.site),
        "headline": _headline(line, site, say),
        "sentence": _sentence(line, say),
        "facts": _facts(line, site, as_of, say),
        "picture": both(name, finding, drawn) if drawn else None,
        "no_fan": "" if drawn else _why_no_fan(line, say),
        "evidence": [flag.evidence for flag in line.flags if flag.evidence and not flag.under][:2],
    }


def _why_no_fan(line: NodeLine, say: Say) -> str:
    if line.silent_since_day is not None:
        return say("panels.no_fan_silent", day=say.day(line.silent_since_day, year=False))
    return say("panels.no_fan", why=line.why_unsure) if line.why_unsure else say("panels.no_fan_plain")


def _headline(line: NodeLine, site: SiteLine, say: Say) -> str:
    if silent_flat(line):
        return say("panels.silent", node=shown(line.node), day=say.day(line.silent_since_day, year=False))
    if line.state == "due":
        day = say.day(site.next_visit.day, year=False)
        return say(
            "panels.flat" if almost_flat(line) else "panels.next",
            node=shown(line.node),
            odds=say.odds(line.lasts_next),
            day=day,
        )
    day = say.day(site.visit_after.day, year=False)
    return say("panels.after", node=shown(line.node), odds=say.odds(line.lasts_after), day=day)


def _sentence(line: NodeLine, say: Say) -> str:
    parts = []
    for flag in [flag for flag in line.flags if not flag.under and say.has(f"flag.{flag.flag}")][:2]:
        what = say(f"flag.{flag.flag}")
        if flag.since_day:
            parts.append(say("panels.why_flag", what=what, day=say.day(flag.since_day, year=False)))
        else:
            parts.append(say("panels.why_flag_nodate", what=what))
    if not parts:
        parts.append(say("panels.plain"))
    parts.append(say("panels.bring", cells=bring_lines({line.chemistry: line.cells}, say)[0]))
    if line.advice is not None and line.advice.remedy == "settings" and line.advice.proposed:
        proposal, _ = advice_words(line.advice, line, say)
        parts.append(say("panels.or_set", what=proposal))
    return " ".join(parts)


def _facts(line: NodeLine, site: SiteLine, as_of: float, say: Say) -> list[dict[str, str]]:
    due = line.state == "due"
    visit = site.next_visit if due else site.visit_after
    lasts = line.lasts_next if due else line.lasts_after
    median = say.short(site.wakes_median)
    if almost_flat(line):
        lo, hi = say.level(line.charge_left_lo), say.level(line.charge_left_hi)
        first = _fact(say("panels.p50"), say.day(line.day_p50), say.weeks(line.days_left_p50, until=True))
        if line.silent_since_day is not None:
            first = _fact(say("panels.silent_since"), say.day(line.silent_since_day), say("panels.silent_beneath"))
        beneath = say("panels.left_range", lo=lo, hi=hi)
        dates = [first, _fact(say("columns.charge"), say.level(line.charge_left), beneath)]
    else:
        dates = [
            _fact(say("panels.p50"), say.day(line.day_p50), say.weeks(line.days_left_p50, until=True)),
            _fact(say("panels.p10"), say.day(line.day_p10), say.weeks(line.days_left_p10, until=True)),
        ]
    return [
        *dates,
        _fact(say("panels.lasts", day=say.day(visit.day, year=False)), say.share(lasts), say("panels.if_nothing")),
        _fact(say("panels.wakes"), say.short(line.wakes_per_day), say("panels.median", median=median)),
    ]


def _fact(name: str, value: str, beneath: str) -> dict[str, str]:
    return {"name": name, "value": value, "beneath": beneath}
