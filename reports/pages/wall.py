"""Page seven: the wall, every node as a small cell, by site."""

from __future__ import annotations

from datetime import date
from typing import Any

from reports.model import NodeLine, ReportModel, SiteLine
from reports.pages.picture import Picture, both
from reports.say import Say, shown
from reports.wall import AHEAD_D, BACK_D, alternative, cell
from reports.wall_key import key_cell, key_line

OWN_PAGES_FROM = 1500


def wall(model: ReportModel, say: Say) -> dict[str, Any]:
    """Everything of the page, in words; `by_site` holds the cells."""
    by_site: dict[str, list[NodeLine]] = {}
    for line in model.nodes:
        by_site.setdefault(line.site, []).append(line)
    sites = {site.site: site for site in model.sites}
    split = len(model.nodes) > OWN_PAGES_FROM
    return {
        "title": say("wall.title"),
        "note": say("wall.note", back=BACK_D // 7, ahead=AHEAD_D // 7),
        "key": _key(model, sites, say),
        "split": split,
        "own_pages": say("wall.own_pages", limit=say.number(OWN_PAGES_FROM)) if split else "",
        "by_site": [_site(sites[name], by_site[name], model, say) for name in sorted(by_site)],
    }


def _key(model: ReportModel, sites: dict[str, SiteLine], say: Say) -> Picture | None:
    line = key_line(model.nodes)
    if line is None:
        return None
    site = sites[line.site]
    drawn = key_cell(line, (site.next_visit, site.visit_after), date.fromisoformat(model.as_of_day), say)
    return both("wall-key", alternative(line, say), drawn)


def _site(site: SiteLine, here: list[NodeLine], model: ReportModel, say: Say) -> dict[str, Any]:
    today = date.fromisoformat(model.as_of_day)
    visits = (site.next_visit, site.visit_after)
    return {
        "site": shown(site.site),
        "sub": say(
            "wall.site",
            nodes=say("front.nodes", count=site.node_count),
            due=say.number(site.by_state["due"]),
            soon=say.number(site.by_state["soon"]),
            unsure=say.number(site.by_state["unsure"]),
        ),
        "cells": [
            {
                "id": line.node_id,
                "state": line.state,
                "svg": cell(line, visits, today, say),
                "alt": alternative(line, say),
            }
            for line in here
        ],
    }
