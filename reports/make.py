"""One week's report from the store to files: read, build, render, write; and sent at most once."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from fleet import __version__
from fleet.clock import now_utc
from fleet.errors import ReportError
from fleet.settings import Settings, load_settings
from reports.build import build_report
from reports.dates import local_day, week_bounds, week_of, zone_of
from reports.model import CalendarEvent, ReportModel
from reports.positions import read_background
from reports.reads import read_found
from reports.send import send_mail
from reports.write import kept_model, report_files, write_files

if TYPE_CHECKING:
    from fleet.store.engine import Store

FOLDER = "weekly"
SENT = "report_sent:"


@dataclass(frozen=True)
class Made:
    """A report, its files and where they lie."""

    model: ReportModel
    files: dict[str, bytes]
    folder: Path
    settings: Settings


def make_report(
    *, week: str | None = None, out: Path | None = None, language: str | None = None, anew: bool = False
) -> Made:
    """Make or re-make the report of a week and write every form of it.

    A week whose report is kept is rendered from that again, so that it gives the same bytes.

    Raises
    ------
    ReportError
        If there is no such week, or nothing was analysed yet.
    """
    settings = load_settings()
    base = Path(settings.folder) / FOLDER
    model = None
    if week is not None and not anew:
        week = _proper(week, settings)
        model = kept_model(out or base / week)
    if model is None:
        model = _fresh(settings, week, base)
    folder = out or base / model.week
    files = report_files(
        model,
        language or settings.report.language,
        sender=settings.report.mail_from,
        recipients=settings.report.mail_to,
    )
    write_files(folder, files)
    return Made(model, files, folder, settings)


def _proper(week: str, settings: Settings) -> str:
    """The week as files are named by it."""
    start, _ = week_bounds(week, zone_of(settings.report.timezone))
    return week_of(start.date())


def _fresh(settings: Settings, week: str | None, base: Path) -> ReportModel:
    """A report from what the store holds."""
    from fleet.jobs.nightly import read_deployment
    from fleet.store.engine import open_store

    with open_store(settings.database_url, readonly=True) as store:
        as_of = moment_of(store, settings, week)
        found = read_found(store, read_deployment(store, settings.setup_dir), as_of)
    now_at = datetime.fromtimestamp(as_of, UTC)
    name = week or week_of(local_day(as_of, zone_of(settings.report.timezone)))
    return build_report(
        found,
        week=name,
        now_at=now_at,
        title=settings.report.title,
        timezone=settings.report.timezone,
        settings_digest=settings_digest(settings),
        version=__version__,
        earlier=_earlier_calendar(base, name),
        positions=settings.report.positions,
        background=read_background(settings.setup_dir),
    )


def moment_of(store: Store, settings: Settings, week: str | None) -> float:
    """The moment the report stands for: the last analysis, or the last one of that week, or the week's end.

    Raises
    ------
    ReportError
        If nothing was analysed yet, or the week has not begun.
    """
    from fleet.store.findings import last_analysis

    last = last_analysis(store)
    if last is None:
        raise ReportError("report: nothing was analysed yet; expected one analysis. Run `wakeledger analyse`.")
    if week is None:
        return last
    start, end = week_bounds(week, zone_of(settings.report.timezone))
    if start.timestamp() <= last < end.timestamp():
        return last
    if start > now_utc():
        raise ReportError(f"--week {week}: it has not begun; expected a week up to {week_of(now_utc().date())}.")
    return min(end.timestamp(), max(last, start.timestamp()))


def settings_digest(settings: Settings) -> str:
    """SHA-256 of the settings, the folder they lie in left out."""
    return hashlib.sha256(msgspec.json.encode(msgspec.structs.replace(settings, folder=""))).hexdigest()


def _earlier_calendar(base: Path, week: str) -> list[CalendarEvent]:
    """The calendar of the newest kept report of a week before."""
    kept = sorted(path.name for path in base.iterdir() if path.is_dir() and path.name < week) if base.is_dir() else []
    for name in reversed(kept):
        model = kept_model(base / name)
        if model is not None:
            return list(model.calendar)
    return []


def post_report(made: Made, *, again: bool = False) -> str:
    """Send the report's mail, once per report id; a sentence of what was done.

    Raises
    ------
    ReportError
        If no server or nobody to send to is set.
    """
    from fleet.store.engine import open_store
    from fleet.store.state import read_state, write_state

    told = made.settings.report
    if told.smtp_url is None:
        raise ReportError("report.smtp_url: not set; expected smtp://user@host:587. Write it into fleet.toml.")
    key = SENT + made.model.report_id
    with open_store(made.settings.database_url) as store:
        with store.read() as conn:
            before = read_state(conn, key)
        if before is not None and not again:
            return f"Report {made.model.report_id} was sent {before}; not sent again. --send-again sends it anyway."
        password = Path(made.settings.folder) / told.smtp_password_file if told.smtp_password_file else None
        send_mail(
            made.files["report.eml"],
            url=told.smtp_url,
            sender=told.mail_from or "wakeledger@localhost",
            recipients=told.mail_to,
            password_file=password,
        )
        at = f"{now_utc():%Y-%m-%dT%H:%M:%SZ}"
        with store.write() as conn:
            write_state(conn, key, at)
    return f"Report {made.model.report_id} sent to {', '.join(told.mail_to)}."
