"""Page three: what changed since last week, and last week's forecast against what happened."""

from __future__ import annotations

from typing import Any

from reports.model import STATES, ReportModel
from reports.pages.sure import held
from reports.say import Say, shown

ROWS = 40


def changes(model: ReportModel, say: Say) -> dict[str, Any]:
    """Everything of the page, in words."""
    found = sorted(model.changes, key=lambda c: (STATES.index(c.now), STATES.index(c.before), c.node))
    compared = model.sure.flat_forecast is not None
    worse = sum(STATES.index(change.now) < STATES.index(change.before) for change in found if change.now != "unsure")
    headline = (
        say("changes.headline", count=len(found)) if found else say("changes.none" if compared else "changes.first")
    )
    return {
        "title": say("changes.title"),
        "headline": f"{headline}, {say('changes.worse', count=worse)}" if worse else headline,
        "columns": [say(f"columns.{name}") for name in ("node", "site", "before", "after_move", "cause", "p50_moved")],
        "rows": [
            {
                "state": change.now,
                "cells": [
                    shown(change.node),
                    shown(change.site),
                    say(f"state.{change.before}"),
                    say(f"state.{change.now}"),
                    say(f"changes.cause.{change.cause}"),
                    _dates(change.p50_before_day, change.p50_now_day, say),
                ],
            }
            for change in found[:ROWS]
        ],
        "orders_title": say("changes.orders"),
        "orders": [
            f"{shown(order.node)}: {say(f'order.{order.state}')} ({say.day(order.day, year=False)})"
            for order in model.orders[:ROWS]
        ]
        or [say("changes.orders_none")],
        "forecast_title": say("changes.forecast_title"),
        "forecast": _forecast(model, say) if compared else "",
        "held": held(model, say) if compared else "",
    }


def _dates(before: str | None, now: str | None, say: Say) -> str:
    return say("changes.dates", before=say.day(before) if before else "–", now=say.day(now) if now else "–")


def _forecast(model: ReportModel, say: Say) -> str:
    found = model.sure
    seen, low, high = found.flat_seen or 0, found.flat_forecast_lo or 0, found.flat_forecast_hi or 0
    verdict = "more_than_forecast" if seen > high else "fewer_than_forecast" if seen < low else "as_forecast"
    return say(
        "changes.forecast",
        forecast=say.expected(found.flat_forecast),
        lo=say.number(low),
        hi=say.number(high),
        seen=say.number(seen),
        verdict=say(f"changes.{verdict}"),
    )
