"""Page two: by site. The chance that all last, a sketch map, and what moving the date costs or saves."""

from __future__ import annotations

from typing import Any

from reports.charts.draw import draw
from reports.charts.sketch import positioned, sketch
from reports.model import STATES, ReportModel, SiteLine
from reports.pages.front import bring_lines
from reports.pages.picture import both
from reports.say import Say, shown

MAP_PX, MAP_NARROW_PX = 850, 300
SITES_SHOWN = 40
WORTH_SAYING = 0.05
"""Expected flat nodes below which moving a date changes little."""


def sites(model: ReportModel, say: Say) -> dict[str, Any]:
    """Everything of the page, in words."""
    return {
        "title": say("sites.title"),
        "headline": _headline(model, say),
        "map": _map(model, say),
        "independent": say("sites.independent"),
        "columns": [say(f"columns.{name}") for name in ("site", "nodes", "visit", "all_last", "flat", "cells")],
        "rows": [_row(site, say) for site in model.sites],
        "cards": [_card(site, say) for site in model.sites[:SITES_SHOWN]],
        "move_columns": [say(f"columns.{name}") for name in ("weeks", "date", "flat", "all_last")],
    }


def _map(model: ReportModel, say: Say) -> dict[str, Any]:
    here = positioned(model.nodes)
    missing = len(model.nodes) - len(here)
    out: dict[str, Any] = {"title": say("sites.map"), "note": say("sites.map_none"), "picture": None}
    if model.positions == "none":
        return {**out, "note": say("sites.map_hidden")}
    if not here:
        return out
    urgent = sum(line.state in ("due", "soon") for line in here)
    finding = say("sites.map_alt", sites=say("front.sites", count=model.site_count), count=say.number(urgent))
    left = say("sites.map_left", count=missing) if missing else ""
    notes = [say("sites.map_note", left=left).strip()]
    if model.positions == "blurred":
        notes.append(say("sites.map_blurred"))
    if model.background_left_out:
        notes.append(say("sites.map_background", why=shown(model.background_left_out, 120)))
    out["note"] = " ".join(notes)
    drawn = [
        draw(sketch(here, say, width, model.background), name=f"map-{width}", title=say("sites.map"), finding=finding)
        for width in (MAP_PX, MAP_NARROW_PX)
    ]
    return {**out, "picture": both("map", finding, *drawn)}


def _headline(model: ReportModel, say: Say) -> str:
    judged = [site for site in model.sites if site.all_last_next is not None]
    if not judged:
        return say("sites.headline_none")
    first = judged[0]
    if (first.all_last_next or 0.0) > 0.99:
        return say("sites.headline_all")
    return say("sites.headline", site=shown(first.site), share=say.share(first.all_last_next))


def _visit(site: SiteLine, say: Say) -> str:
    key = "sites.visit_planned" if site.next_visit.planned else "sites.visit_assumed"
    return say(key, day=say.day(site.next_visit.day))


def _row(site: SiteLine, say: Say) -> list[str]:
    return [
        shown(site.site),
        say.number(site.node_count),
        say.day(site.next_visit.day),
        say.share(site.all_last_next),
        say.expected(site.flat_expected),
        ", ".join(bring_lines(site.bring, say)),
    ]


def _card(site: SiteLine, say: Say) -> dict[str, Any]:
    known = site.all_last_next is not None
    return {
        "site": shown(site.site),
        "sub": f"{say('front.nodes', count=site.node_count)} · {_visit(site, say)}",
        "all_last": say("sites.all_last", share=say.share(site.all_last_next))
        if known
        else say("sites.all_last_unknown"),
        "counts": [{"state": state, "n": say.number(site.by_state[state])} for state in STATES if site.by_state[state]],
        "move": _move(site, say),
        "moved": [
            [_shift(m.weeks, say), say.day(m.day), say.expected(m.flat_expected), say.share(m.all_last)]
            for m in site.moved
        ],
        "bring": ", ".join(bring_lines(site.bring, say)),
    }


def _shift(weeks: int, say: Say) -> str:
    if weeks == 0:
        return say("sites.on_date")
    return say(
        "sites.later" if weeks > 0 else "sites.earlier", weeks=say.weeks(abs(weeks) * 7.0 if abs(weeks) > 1 else 7.0)
    )


def _move(site: SiteLine, say: Say) -> str:
    """The largest saving of going earlier and the cost of waiting four weeks, if worth a sentence."""
    at = {move.weeks: move.flat_expected for move in site.moved}
    parts = []
    if 4 in at and at[4] - at[0] >= WORTH_SAYING:
        parts.append(say("sites.move_later", weeks=say("format.weeks", count=4), count=say.expected(at[4] - at[0])))
    earlier = [weeks for weeks in at if weeks < 0]
    if earlier and at[0] - at[min(earlier)] >= WORTH_SAYING:
        weeks = min(earlier)
        saved = say.expected(at[0] - at[weeks])
        parts.append(say("sites.move_earlier", weeks=say("format.weeks", count=-weeks), count=saved))
    return " ".join(parts) or say("sites.move_none")
