"""Page one: what to do. A sentence with its two numbers, the ladder, cells to bring, rounds worth driving."""

from __future__ import annotations

from typing import Any

from reports.charts.draw import draw
from reports.charts.ladder import ladder
from reports.model import STATES, NodeLine, ReportModel, SiteLine, VisitDay
from reports.pages.picture import both
from reports.say import Say, shown
from reports.standing import almost_flat, silent_flat, standing

LADDER_ROWS = 25
SITES_SHOWN = 8
WIDE_PX, NARROW_PX = 570, 150


def front(model: ReportModel, say: Say) -> dict[str, Any]:
    """Everything on page one, in words."""
    at_risk = [line for line in model.nodes if line.state in ("due", "soon")]
    return {
        "kicker": kicker(model, say),
        "headline": headline(model, say),
        "lead": _lead(model, at_risk, say),
        "counts": [] if not model.nodes else _counts(model, say),
        "ladder": _ladder(model, at_risk, say),
        "bring": {"title": say("front.bring"), "lines": bring_lines(model.bring, say)},
        "rounds": _rounds(model, say),
    }


def kicker(model: ReportModel, say: Say) -> str:
    """Title, week, how many nodes and sites."""
    year, week = model.week.split("-W")
    return say(
        "front.kicker",
        title=model.title,
        week=int(week),
        year=year,
        nodes=say("front.nodes", count=model.node_count),
        sites=say("front.sites", count=model.site_count),
    )


def one_date(model: ReportModel) -> VisitDay | None:
    """The date of the next visit, if all sites share it."""
    days = {site.next_visit.day: site.next_visit for site in model.sites}
    return next(iter(days.values())) if len(days) == 1 else None


def headline(model: ReportModel, say: Say) -> str:
    """One sentence with two numbers: trips of their own now, cells at the next visit."""
    if not model.nodes:
        return say("front.empty")
    due, soon = model.by_state["due"], model.by_state["soon"]
    if not any(site.next_visit.planned for site in model.sites):
        first = say("front.unplanned_due", count=due) if due else say("front.unplanned_due_none")
        then = say("front.unplanned_soon", count=soon) if soon else say("front.unplanned_soon_none")
        return f"{first}, {then}"
    shared = one_date(model)
    first = say("front.trip", count=due) if due else say("front.no_trip")
    key = "front.then_cells" if soon else "front.then_none"
    if shared is None:
        key += "_next"
    day = say.day(shared.day, year=False) if shared else ""
    return f"{first}, {say(key, count=soon, day=day) if soon else say(key, day=day)}"


def _lead(model: ReportModel, at_risk: list[NodeLine], say: Say) -> list[str]:
    if not model.nodes:
        return [say("front.empty_lead")]
    out = []
    sites = {site.site: site for site in model.sites}
    if at_risk:
        out.append(_first(at_risk[0], sites[at_risk[0].site], say))
    elif model.visit_after and model.by_state["holds"]:
        out.append(say("front.lead_holds", day=say.day(model.visit_after.day)))
    if not any(site.next_visit.planned for site in model.sites):
        out.append(say("front.lead_unplanned"))
    if model.by_state["unsure"]:
        out.append(say("front.lead_unsure", count=model.by_state["unsure"]))
    return out


def _first(line: NodeLine, site: SiteLine, say: Say) -> str:
    if silent_flat(line):
        since = say.day(line.silent_since_day, year=False)
        return say("front.lead_silent", node=shown(line.node), site=shown(line.site), since=since)
    if almost_flat(line):
        day = say.day(site.next_visit.day, year=False)
        return say(
            "front.lead_flat", node=shown(line.node), site=shown(line.site), share=say.share(line.lasts_next), day=day
        )
    return say(
        "front.lead_due" if line.state == "due" else "front.lead_soon",
        node=shown(line.node),
        site=shown(line.site),
        odds=say.odds(line.lasts_next),
        day=say.day(site.next_visit.day, year=False),
        share=say.share(line.lasts_next),
        p10=say.day(line.day_p10),
        p50=say.day(line.day_p50),
    )


def _counts(model: ReportModel, say: Say) -> list[dict[str, str]]:
    shared = one_date(model)
    afters = {site.visit_after.day for site in model.sites}
    day = say.day(shared.day, year=False) if shared else say("front.next_visit")
    after = say.day(next(iter(afters))) if len(afters) == 1 else say("front.visit_after")
    return [
        {
            "state": state,
            "n": say.number(model.by_state[state]),
            "text": say(f"front.count_{state}", day=day if state == "due" else after),
        }
        for state in STATES
    ]


def _ladder(model: ReportModel, at_risk: list[NodeLine], say: Say) -> dict[str, Any]:
    sites = {site.site: site for site in model.sites}
    top = at_risk[:LADDER_ROWS]
    out: dict[str, Any] = {
        "title": say("front.ladder"),
        "note": say("front.ladder_note"),
        "none": "" if top else say("front.ladder_none"),
        "more": say("front.ladder_more", count=len(at_risk) - len(top)) if len(at_risk) > len(top) else "",
        "columns": [say(f"columns.{name}") for name in ("node", "site", "p10", "p50", "p90", "next", "after")],
        "rows": [ladder_row(line, say) for line in top],
        "picture": None,
    }
    if top and model.nodes:
        finding = say(
            "front.ladder_alt",
            count=say.number(len(top)),
            node=shown(top[0].node),
            p10=say.day(top[0].day_p10),
            p90=say.day(top[0].day_p90),
        )
        out["picture"] = both(
            "ladder",
            finding,
            *(
                draw(
                    ladder(top, sites, model.as_of, say, width),
                    name=f"ladder-{width}",
                    title=say("front.ladder"),
                    finding=finding,
                )
                for width in (WIDE_PX, NARROW_PX)
            ),
        )
    return out


def ladder_row(line: NodeLine, say: Say) -> dict[str, Any]:
    """A row of the table under the ladder."""
    days = [say.day(day) for day in (line.day_p10, line.day_p50, line.day_p90)]
    lasts = [standing(line, say) or say.share(line.lasts_next), say.share(line.lasts_after)]
    return {
        "id": line.node_id,
        "state": line.state,
        "cells": [shown(line.node), shown(line.site), *days, *lasts],
    }


def _site_names(sites: list[str], say: Say) -> str:
    """Site names; of many the first ones and how many more."""
    if len(sites) <= SITES_SHOWN:
        return ", ".join(shown(site) for site in sites)
    names = [shown(site) for site in sites[: SITES_SHOWN - 1]]
    return say.listed([*names, say("front.more_sites", count=len(sites) - len(names))])


def bring_lines(bring: dict[str, int], say: Say) -> list[str]:
    """Cells by type, or the word for none."""
    return [
        say("front.bring_line", count=count, what=shown(what) if what else say("front.bring_unknown"))
        for what, count in bring.items()
    ] or [say("front.bring_none")]


def _rounds(model: ReportModel, say: Say) -> dict[str, Any]:
    return {
        "title": say("front.rounds"),
        "note": say("front.rounds_note"),
        "columns": [say(f"columns.{name}") for name in ("date", "sites", "flat", "cells")],
        "rows": [
            [
                say("front.planned", day=say.day(line.day)) if line.planned else say.day(line.day),
                _site_names(line.sites, say),
                say.expected(line.flat_expected),
                ", ".join(bring_lines(line.cells, say)),
            ]
            for line in model.rounds
        ],
    }
