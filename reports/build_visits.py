"""The next two visit dates of each site, from what people told; a date nobody planned is assumed and marked so."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta

import pandas as pd

from fleet.units import S_PER_D
from fleet.words import EventKind
from reports.dates import local_day, zone_of
from reports.model import VisitDay

FIRST_ASSUMED_D = 42
BETWEEN_ASSUMED_D = 182


def site_zones(nodes: pd.DataFrame, fallback: str) -> dict[str, str]:
    """The time zone of each site: the one most of its nodes name."""
    zones = {}
    for site, names in nodes.groupby("site")["timezone"]:
        told = names.dropna()
        told = told[told != ""]
        zones[str(site)] = str(told.mode().iloc[0]) if len(told) else fallback
    return zones


def visit_days(
    nodes: pd.DataFrame, events: pd.DataFrame, zones: Mapping[str, str], as_of: float
) -> dict[str, tuple[VisitDay, VisitDay]]:
    """Next visit and the one after, by site. A visit told for one node is a visit to its site."""
    planned = _planned_days(nodes, events, zones, as_of)
    return {site: _two_days(planned.get(site, []), zone, as_of) for site, zone in zones.items()}


def _planned_days(
    nodes: pd.DataFrame, events: pd.DataFrame, zones: Mapping[str, str], as_of: float
) -> dict[str, list[date]]:
    coming = events[(events["what"] == EventKind.VISIT.value) & (events["at"] > as_of)]
    site_of = nodes.set_index("node_id")["site"]
    sites = coming["node_id"].map(site_of)
    if "site" in coming:
        sites = sites.fillna(coming["site"])
    days: dict[str, set[date]] = {}
    for site, at in zip(sites, coming["at"], strict=True):
        if isinstance(site, str) and site in zones:
            days.setdefault(site, set()).add(local_day(float(at), zone_of(zones[site])))
    return {site: sorted(found) for site, found in days.items()}


def _two_days(planned: list[date], zone: str, as_of: float) -> tuple[VisitDay, VisitDay]:
    today = local_day(as_of, zone_of(zone))
    coming = [day for day in planned if day > today] or []
    first = coming[0] if coming else today + timedelta(days=FIRST_ASSUMED_D)
    second = coming[1] if len(coming) > 1 else first + timedelta(days=BETWEEN_ASSUMED_D)
    return _visit(first, zone, as_of, bool(coming)), _visit(second, zone, as_of, len(coming) > 1)


def _visit(day: date, zone: str, as_of: float, planned: bool) -> VisitDay:
    ahead_d = (day - local_day(as_of, zone_of(zone))).days
    return VisitDay(day=day.isoformat(), ahead_d=float(ahead_d), planned=planned)


def day_ahead(as_of: float, ahead_d: float, zone: str) -> date:
    """The local date so many days ahead."""
    return local_day(as_of + ahead_d * S_PER_D, zone_of(zone))
