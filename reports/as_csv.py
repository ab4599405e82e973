"""Every node as a row of CSV (RFC 4180): one figure a cell, units in the names, nothing where it is not known."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime
from typing import Any

from reports.model import PARTS, NodeLine, ReportModel, SiteLine

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\x00")
PLAIN = (
    "node", "site", "chemistry", "cells", "state", "charge_left", "charge_left_lo", "charge_left_hi", "days_left_p10",
    "days_left_p50", "days_left_p90", "day_p10", "day_p50", "day_p90", "lasts_next", "lasts_after", "wakes_per_day",
    "drain_mah_per_day", "drain_mah_per_day_lo", "drain_mah_per_day_hi", "silent_since_day", "why_unsure",
)  # fmt: skip
COLUMNS = (
    *PLAIN, "next_visit", "visit_after", "last_heard", *(f"part_{part}_mah_per_day" for part in PARTS), "flags",
    "advice", "week", "timezone", "version", "settings_digest", "data_digest",
)  # fmt: skip


def as_csv(model: ReportModel) -> str:
    """The table, most urgent node first."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    sites = {site.site: site for site in model.sites}
    for line in model.nodes:
        writer.writerow([csv_cell(value) for value in _row(line, sites[line.site], model)])
    return out.getvalue()


def _row(line: NodeLine, site: SiteLine, model: ReportModel) -> list[Any]:
    heard = (
        None if line.last_heard is None else datetime.fromtimestamp(line.last_heard, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    )
    return [
        *(getattr(line, name) for name in PLAIN),
        site.next_visit.day,
        site.visit_after.day,
        heard,
        *(line.parts[part] for part in PARTS),
        " ".join(flag.flag for flag in line.flags),
        line.advice.sentence if line.advice else None,
        model.week,
        model.timezone,
        model.version,
        model.settings_digest[:12],
        model.data_digest[:12],
    ]


def csv_cell(value: Any) -> Any:
    """A text that a spreadsheet would run as a formula gets an apostrophe before it.

    >>> csv_cell("=1+1"), csv_cell(None), csv_cell(-1.5)
    ("'=1+1", '', -1.5)
    """
    if value is None:
        return ""
    if isinstance(value, str) and value.lstrip(" ").startswith(FORMULA_STARTS):
        return "'" + value
    return value
