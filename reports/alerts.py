"""What others are told when a node changes its state: once a change, all-clear too, not in quiet hours. Pure."""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Mapping
from datetime import datetime, time
from typing import Any

import msgspec

from fleet.errors import SetupError
from reports.model import NodeLine, ReportModel

SCHEMA = "wakeledger.alert/1"
LOUD = ("due", "silent")
"""States worth a message; leaving them is the all-clear."""


def told_state(line: NodeLine) -> str:
    """The state that is told of a node: silent goes before its forecast."""
    return "silent" if line.silent_since_day is not None else line.state


def changes(model: ReportModel, told: Mapping[str, str]) -> list[dict[str, Any]]:
    """Nodes that entered or left a loud state since the last message, by name."""
    out = []
    for line in sorted(model.nodes, key=lambda line: line.node):
        now, before = told_state(line), told.get(line.node)
        if now == before or (now not in LOUD and before not in LOUD):
            continue
        flags = [flag.flag for flag in line.flags if not flag.under]
        out.append(
            {"node": line.node, "site": line.site, "before": before, "now": now, "all_clear": now not in LOUD,
             "days_left_p10": line.days_left_p10, "days_left_p50": line.days_left_p50, "flags": flags}
        )  # fmt: skip
    return out


def message(model: ReportModel, found: list[dict[str, Any]]) -> tuple[str, bytes]:
    """The number by which a receiver knows a repeat, and the JSON body."""
    values = {"schema": SCHEMA, "title": model.title, "as_of": model.as_of, "changes": found}
    number = hashlib.sha256(msgspec.json.encode(values)).hexdigest()[:32]
    return number, msgspec.json.encode({**values, "id": number})


def signature(key: bytes, at_s: int, body: bytes) -> str:
    """HMAC-SHA-256 (RFC 2104) of `<seconds>.<body>`, in hexadecimal digits."""
    return hmac.new(key, str(at_s).encode() + b"." + body, hashlib.sha256).hexdigest()


def is_quiet(hours: str | None, local_at: datetime) -> bool:
    """Whether nothing may be told now; `22:00-06:00` goes over midnight.

    Raises
    ------
    SetupError
        If the hours can't be read.

    Examples
    --------
    >>> is_quiet("22:00-06:00", datetime(2026, 11, 24, 23, 30)), is_quiet("22:00-06:00", datetime(2026, 11, 24, 6, 0))
    (True, False)
    """
    if hours is None:
        return False
    try:
        start, end = (time.fromisoformat(part.strip()) for part in hours.split("-"))
    except ValueError as why:
        raise SetupError(f"alerts.quiet_hours: {hours!r}; expected e.g. 22:00-06:00.") from why
    at = local_at.time()
    return start <= at < end if start <= end else at >= start or at < end
