"""The planned visits as iCalendar: all-day events that a calendar updates and never doubles (RFC 5545)."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta

from reports.model import CalendarEvent, ReportModel
from reports.pages.front import bring_lines
from reports.say import Say, say, shown

FOLD_OCTETS = 74


def as_ics(model: ReportModel, language: str) -> str:
    """The calendar; lines end in CRLF and are folded."""
    words = say(language)
    stamp = datetime.fromtimestamp(model.as_of, UTC).strftime("%Y%m%dT%H%M%SZ")
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        f"PRODID:-//wakeledger//{model.version}//{language.upper()}",
        "CALSCALE:GREGORIAN",
        "METHOD:PUBLISH",
        f"X-WR-CALNAME:{_text(words('calendar.name'))}",
    ]
    for event in model.calendar:
        lines += _event(event, stamp, words)
    return "".join(fold(line) for line in [*lines, "END:VCALENDAR"])


def _event(event: CalendarEvent, stamp: str, words: Say) -> list[str]:
    day = date.fromisoformat(event.day)
    cells = ", ".join(bring_lines(event.cells, words))
    told = words("calendar.take", cells=cells) if event.cells else words("calendar.nobody")
    if event.cancelled:
        told = words("calendar.cancelled")
    site = shown(event.site)
    return [
        "BEGIN:VEVENT",
        f"UID:{event.uid}",
        f"DTSTAMP:{stamp}",
        f"SEQUENCE:{event.sequence}",
        f"DTSTART;VALUE=DATE:{day:%Y%m%d}",
        f"DTEND;VALUE=DATE:{day + timedelta(days=1):%Y%m%d}",
        f"STATUS:{'CANCELLED' if event.cancelled else 'CONFIRMED'}",
        "TRANSP:TRANSPARENT",
        f"SUMMARY:{_text(words('calendar.event', site=site))}",
        f"LOCATION:{_text(site)}",
        f"DESCRIPTION:{_text(told)}",
        "END:VEVENT",
    ]


def _text(value: str) -> str:
    """TEXT escaped as RFC 5545 §3.3.11 says."""
    return re.sub(r"([\\;,])", r"\\\1", value).replace("\n", "\\n")


def fold(line: str) -> str:
    """The line in pieces of at most 75 octets, never through a character (RFC 5545 §3.1).

    12 octets and 31 letters of two make 74; a space and the other 29 make 59:

    >>> [len(piece.encode()) for piece in fold("DESCRIPTION:" + "é" * 60).split("\\r\\n")]
    [74, 59, 0]
    """
    pieces, piece = [], ""
    for character in line:
        if len((piece + character).encode()) > FOLD_OCTETS:
            pieces.append(piece)
            piece = " "
        piece += character
    return "\r\n".join([*pieces, piece]) + "\r\n"
