"""Frames in, one report model out. Pure: the time, the settings' digest and the version are arguments."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

import msgspec
import numpy as np

from fleet.units import S_PER_D
from fleet.words import Flag
from reports.build_calendar import calendar_of
from reports.build_changes import change_lines, forecast_against_seen, order_lines
from reports.build_nodes import known, node_lines
from reports.build_sites import cells_to_bring, count_states, site_lines
from reports.build_strips import strip_lines
from reports.build_visits import site_zones, visit_days
from reports.dates import local_day, zone_of
from reports.found import Found
from reports.model import SCHEMA, CalendarEvent, NodeLine, OverrideLine, ReportModel, Sure, VisitDay
from reports.plan import plan_rounds
from reports.positions import Line, shown_positions

NO_SITE = "–"
MONTH_D = 28
NO_BACKGROUND: tuple[list[Line], str] = ([], "")


def build_report(
    found: Found,
    *,
    week: str,
    now_at: datetime,
    title: str,
    timezone: str,
    settings_digest: str,
    version: str,
    earlier: Sequence[CalendarEvent] = (),
    positions: str = "exact",
    background: tuple[list[Line], str] = NO_BACKGROUND,
) -> ReportModel:
    """The report of one week as plain values.

    Parameters
    ----------
    found
        Frames of one analysis and of the week before.
    now_at
        The moment the analysis stands for; all odds count from here.
    timezone
        Zone of the report; a site that names none is in it.
    earlier
        The calendar of the report before, so that its events are changed or cancelled and not sent anew.
    positions
        "exact", "blurred" or "none".
    background
        Lines behind the map and why there are none; drawn under exact positions only, as they would give others away.
    """
    found = _only_active(found)
    found = replace(found, nodes=shown_positions(found.nodes, positions))
    as_of = now_at.timestamp()
    zones = site_zones(found.nodes, timezone)
    visits = visit_days(found.nodes, found.events, zones, as_of)
    lines = node_lines(found, visits, zones, as_of)
    sites = site_lines(lines, found.estimates, visits, zones)
    digest = data_digest(lines)
    today = local_day(as_of, zone_of(timezone))
    rounds = plan_rounds(sites, lines, found.estimates, as_of_day=today)
    return ReportModel(
        schema=SCHEMA,
        report_id=f"{week}-{digest[:12]}",
        title=title,
        week=week,
        as_of=as_of,
        as_of_day=today.isoformat(),
        timezone=timezone,
        version=version,
        settings_digest=settings_digest,
        data_digest=digest,
        node_count=len(lines),
        site_count=len(sites),
        by_state=count_states(lines),
        next_visit=_soonest([site.next_visit for site in sites]),
        visit_after=_soonest([site.visit_after for site in sites]),
        bring=cells_to_bring(lines),
        nodes=lines,
        sites=sites,
        rounds=rounds,
        calendar=calendar_of(rounds, sites, earlier, as_of_day=today.isoformat()),
        changes=change_lines(found, lines, visits, zones, as_of),
        orders=order_lines(found, lines, zones, as_of),
        strips=strip_lines(lines, found.days, found.records, zones, as_of),
        sure=_sure(found, lines, [visit for pair in visits.values() for visit in pair], zones, as_of),
        positions=positions,
        background=background[0] if positions == "exact" else [],
        background_left_out=background[1],
    )


def _only_active(found: Found) -> Found:
    """Without retired nodes; a node without a site stands at a site of its own name for none."""
    nodes = found.nodes[~found.nodes["retired"].fillna(False).astype(bool)].copy()
    nodes["site"] = nodes["site"].where(nodes["site"].notna() & (nodes["site"] != ""), NO_SITE).astype(str)
    keep = set(nodes["node_id"])
    return replace(
        found,
        nodes=nodes.reset_index(drop=True),
        estimates=found.estimates[found.estimates["node_id"].isin(keep)].reset_index(drop=True),
        before=found.before[found.before["node_id"].isin(keep)].reset_index(drop=True),
    )


def data_digest(lines: list[NodeLine]) -> str:
    """SHA-256 of all node lines: two reports with the same digest rest on the same findings."""
    return hashlib.sha256(msgspec.json.encode(sorted(lines, key=lambda line: line.node_id))).hexdigest()


def _soonest(visits: list[VisitDay]) -> VisitDay | None:
    planned = [visit for visit in visits if visit.planned] or visits
    return min(planned, key=lambda visit: visit.day, default=None)


def _sure(found: Found, lines: list[NodeLine], visits: list[VisitDay], zones: Mapping[str, str], as_of: float) -> Sure:
    week = forecast_against_seen(found, lines, as_of)
    month = found.days[found.days["day"] >= as_of // S_PER_D - MONTH_D]
    scores = found.scores
    return Sure(
        coverage=known(scores.get("coverage")),
        coverage_lo=known(scores.get("coverage_lo")),
        coverage_hi=known(scores.get("coverage_hi")),
        ended_count=int(scores.get("nodes_ended", 0)),
        forecasts_count=int(scores.get("forecasts", 0)),
        flat_forecast=week.expected,
        flat_forecast_lo=week.low,
        flat_forecast_hi=week.high,
        flat_seen=week.seen,
        correction=known(scores.get("correction")),
        unsure=dict(sorted(Counter(_reason(line) for line in lines if line.state == "unsure").items())),
        records_seen=int(np.nansum(month["seen"])) if len(month) else None,
        records_missing=int(np.nansum(month["missing"])) if len(month) else None,
        set_aside_count=found.set_aside_count,
        overrides_count=found.overrides_count,
        overrides=_overrides(found, lines, zones),
        audit_head=found.audit_head,
        assumed_dates=any(not visit.planned for visit in visits),
    )


def _overrides(found: Found, lines: list[NodeLine], zones: Mapping[str, str]) -> list[OverrideLine]:
    """Orders past a limit that nobody has undone, newest first."""
    site = {line.node: line.site for line in lines}
    out = []
    for row in sorted(found.overrides, key=lambda one: (-(known(one["since"], 12) or 0.0), str(one["node"]))):
        at, zone = known(row["since"], 12), zones.get(site.get(str(row["node"]), ""), "UTC")
        day = None if at is None else local_day(at, zone_of(zone)).isoformat()
        out.append(OverrideLine(node=str(row["node"]), text=str(row["text"]), since_day=day))
    return out


def _reason(line: NodeLine) -> str:
    if any(flag.flag == Flag.GONE_QUIET for flag in line.flags):
        return "silent"
    return line.why_unsure or "never_heard"
