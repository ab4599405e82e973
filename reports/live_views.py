"""What the live page's views show of the fleet: due, wall, visits, advice. Plain values for the templates."""

from __future__ import annotations

from datetime import date
from typing import Any

from markupsafe import Markup

from reports.dates import zone_of
from reports.live import LiveModel, age_text, by_need, is_stale
from reports.model import STATES, NodeLine
from reports.pages.front import bring_lines, headline
from reports.pages.wakes import advice_words
from reports.say import Say, shown
from reports.wall import cell

PAGE_ROWS = 200
WALL_PAGE = 1000


def strip(model: LiveModel, now_s: float) -> dict[str, Any]:
    """The line on top of every view: how old the knowledge is."""
    moving = sum(one.order in ("sealed", "posted", "on_trial") for one in model.now.values())
    return {
        "title": shown(model.report.title, 60),
        "nodes": model.report.node_count,
        "heard": model.last_heard,
        "heard_text": age_text(model.last_heard, now_s),
        "judged": model.analysed,
        "judged_text": age_text(model.analysed, now_s),
        "stale": is_stale(model, now_s),
        "moving": moving,
    }


def due_view(model: LiveModel, say: Say, now_s: float, *, page: int, needle: str, state: str) -> dict[str, Any]:
    """Who needs a person, by need, one page at a time."""
    lines = [line for line in by_need(model) if _fits(line, needle, state)]
    pages = max(1, -(-len(lines) // PAGE_ROWS))
    page = min(max(page, 1), pages)
    rows = [row(model, line, say, now_s) for line in lines[(page - 1) * PAGE_ROWS : page * PAGE_ROWS]]
    counts = [{"state": name, "n": model.report.by_state.get(name, 0), "word": say(f"state.{name}")} for name in STATES]
    return {
        "headline": headline(model.report, say),
        "counts": counts,
        "rows": rows,
        "total": len(lines),
        "page": page,
        "pages": pages,
        "needle": needle,
        "state": state,
        "bring": bring_lines(model.report.bring, say) if model.report.nodes else [],
    }


def _fits(line: NodeLine, needle: str, state: str) -> bool:
    text = f"{line.node} {line.site} {' '.join(flag.flag for flag in line.flags)}".lower()
    return (not state or line.state == state) and all(word in text for word in needle.lower().split())


def row(model: LiveModel, line: NodeLine, say: Say, now_s: float) -> dict[str, Any]:
    """One node as a row."""
    now = model.now.get(line.node_id)
    heard = model.heard(line)
    return {
        "id": line.node_id,
        "node": shown(line.node),
        "site": shown(line.site),
        "state": line.state,
        "state_word": say(f"state.{line.state}"),
        "why": reason(line, say),
        "p10": say.day(line.day_p10) if line.days_left_p50 is not None else "–",
        "p50": say.day(line.day_p50) if line.days_left_p50 is not None else "–",
        "left": say.level(line.charge_left),
        "heard": heard,
        "heard_text": age_text(heard, now_s),
        "order": (now.order if now else None) or "",
    }


def reason(line: NodeLine, say: Say) -> str:
    """Why a node stands where it stands, in a few words."""
    flags = [say(f"flag.{flag.flag}") for flag in line.flags if not flag.under and say.has(f"flag.{flag.flag}")]
    if flags:
        return flags[0] if len(flags) == 1 else f"{flags[0]} (+{len(flags) - 1})"
    if line.state == "unsure":
        return line.why_unsure or "too little is known"
    return {"due": "may be flat before the next visit", "soon": "may be flat before the visit after"}.get(
        line.state, "nothing stands out"
    )


def wall_view(model: LiveModel, say: Say, *, site: str, changed_ids: frozenset[int] = frozenset()) -> dict[str, Any]:
    """Every node's cell by site; a large fleet one site at a time."""
    report = model.report
    names = [one.site for one in report.sites]
    split = report.node_count > WALL_PAGE
    wanted = [site] if site in names else names[:1] if split else names
    by_site: dict[str, list[NodeLine]] = {}
    for line in report.nodes:
        by_site.setdefault(line.site, []).append(line)
    sites = {one.site: one for one in report.sites}
    today = date.fromisoformat(report.as_of_day)
    groups = []
    for name in wanted:
        visits = (sites[name].next_visit, sites[name].visit_after)
        cells = [
            {
                "id": line.node_id,
                "state": line.state,
                "svg": Markup(cell(line, visits, today, say)),  # drawn by us; every text in it is escaped
                "changed": line.node_id in changed_ids,
            }
            for line in by_site.get(name, [])
        ]
        groups.append({"site": shown(name), "counts": sites[name].by_state, "n": len(cells), "cells": cells})
    return {
        "groups": groups,
        "split": split,
        "names": [{"name": name, "shown": shown(name), "on": name in wanted} for name in names],
        "note": say("wall.note", back=26, ahead=52),
        "changed": len(changed_ids),
    }


def changed_ids(model: LiveModel) -> frozenset[int]:
    """Nodes that moved between states since the week before."""
    moved = {(change.site, change.node) for change in model.report.changes}
    return frozenset(line.node_id for line in model.report.nodes if (line.site, line.node) in moved)


def visits_view(model: LiveModel, say: Say) -> dict[str, Any]:
    """Rounds by date, and what each site needs."""
    rounds = [
        {
            "day": say.day(one.day),
            "planned": one.planned,
            "sites": [shown(name) for name in one.sites],
            "flat": say.expected(one.flat_expected),
            "cells": bring_lines(one.cells, say),
        }
        for one in model.report.rounds
    ]
    at_risk: dict[str, list[dict[str, Any]]] = {}
    for line in model.report.nodes:
        if line.state in ("due", "soon"):
            entry = {"id": line.node_id, "node": shown(line.node), "state": line.state}
            at_risk.setdefault(line.site, []).append(entry)
    sites = [
        {
            "site": shown(one.site),
            "next": say.day(one.next_visit.day),
            "planned": one.next_visit.planned,
            "all_last": say.share(one.all_last_next),
            "bring": bring_lines(one.bring, say),
            "nodes": at_risk.get(one.site, []),
        }
        for one in model.report.sites
    ]
    return {"rounds": rounds, "sites": sites, "zone": zone_of(model.report.timezone).key}


def advice_view(model: LiveModel, say: Say, drafted: frozenset[int]) -> dict[str, Any]:
    """Settings worth changing, most wakes saved first; and nodes that need a visit instead."""
    rows: list[dict[str, Any]] = []
    visit: list[dict[str, Any]] = []
    for line in model.report.nodes:
        advice = line.advice
        if advice is None:
            continue
        if advice.remedy == "visit":
            visit.append({"id": line.node_id, "node": shown(line.node), "text": shown(advice.sentence, 300)})
        if advice.remedy != "settings" or not advice.proposed:
            continue
        proposal, effect = advice_words(advice, line, say)
        saved = (line.wakes_per_day or 0.0) - (advice.wakes_per_day[0] or 0.0)
        gained = [
            None if new is None or old is None else (new - old) / 7.0
            for new, old in (
                (advice.days_left[1], line.days_left_p10),
                (advice.days_left[0], line.days_left_p50),
                (advice.days_left[2], line.days_left_p90),
            )
        ]
        rows.append(
            {
                "id": line.node_id,
                "node": shown(line.node),
                "site": shown(line.site),
                "proposal": proposal,
                "effect": effect,
                "wakes_now": say.short(line.wakes_per_day),
                "wakes_then": say.short(advice.wakes_per_day[0]),
                "saved": saved,
                "saved_share": min(1.0, max(0.0, saved / line.wakes_per_day)) if line.wakes_per_day else 0.0,
                "saved_text": say.short(saved),
                "gained": say.number(gained[1]),
                "missed": say.share(None if advice.events_seen[0] is None else 1 - advice.events_seen[0]),
                "method": advice.method,
                "busy": line.node_id in drafted,
            }
        )
    rows.sort(key=lambda one: -one["saved"])
    return {"rows": rows, "visit": visit}
