"""Planned rounds as calendar events that keep their identity from week to week (RFC 5545: UID, SEQUENCE)."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

import msgspec

from reports.model import CalendarEvent, RoundLine, SiteLine


def calendar_of(
    rounds: Sequence[RoundLine], sites: Sequence[SiteLine], earlier: Sequence[CalendarEvent], *, as_of_day: str
) -> list[CalendarEvent]:
    """One event a planned round and site; those of the report before that are gone stay, cancelled, until their day."""
    cells = {site.site: site.bring for site in sites}
    before = {event.uid: event for event in earlier}
    events = {}
    for one in rounds:
        if not one.planned:
            continue
        for site in one.sites:
            fresh = CalendarEvent(
                uid=uid_of(site, one.day), day=one.day, site=site, cells=cells[site], sequence=0, cancelled=False
            )
            events[fresh.uid] = _numbered(fresh, before.get(fresh.uid))
    for uid, event in before.items():
        if uid not in events and event.day > as_of_day:
            events[uid] = _numbered(msgspec.structs.replace(event, cancelled=True), event)
    return sorted(events.values(), key=lambda event: (event.day, event.site))


def uid_of(site: str, day: str) -> str:
    """The identity of a visit: its site and its day."""
    return hashlib.sha256(f"{site}\n{day}".encode()).hexdigest()[:32] + "@wakeledger"


def _numbered(event: CalendarEvent, before: CalendarEvent | None) -> CalendarEvent:
    if before is None:
        return event
    same = msgspec.structs.replace(event, sequence=before.sequence)
    return same if same == before else msgspec.structs.replace(event, sequence=before.sequence + 1)
