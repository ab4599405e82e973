"""`wakeledger alert …`: try the webhook, or tell what changed since the last message."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import typer

if TYPE_CHECKING:
    from fleet.settings import Settings

TOLD = "alerts_told"


def register(app: typer.Typer) -> None:
    """Mount the commands."""
    group = typer.Typer(help="Messages to others when a node changes its state.", no_args_is_help=True)
    group.command("try")(try_)
    group.command()(send)
    app.add_typer(group, name="alert")


def try_() -> None:
    """Send one trial message to the webhook of the settings; changes nothing.

    Example: wakeledger alert try
    """
    import msgspec

    from fleet.settings import load_settings
    from reports.alerts import SCHEMA

    settings = load_settings()
    _deliver(settings, "trial", msgspec.json.encode({"schema": SCHEMA, "id": "trial", "trial": True, "changes": []}))
    typer.echo("delivered", err=True)


def send() -> None:
    """Tell what changed since the last message: nodes now due or silent, and the all-clear; for a timer.

    Nothing is sent in `alerts.quiet_hours`; it is told afterwards. Off unless `alerts.webhook_url` is set.
    Example: wakeledger alert send
    """
    import msgspec

    from fleet.clock import now_utc
    from fleet.jobs.opened import opened
    from fleet.store.state import read_state, write_state
    from reports.alerts import changes, is_quiet, message, told_state
    from reports.dates import zone_of
    from reports.live import read_report

    settings, store = opened(readonly=False)
    if settings.alerts.webhook_url is None:
        typer.echo("alerts.webhook_url is not set: nobody is told.", err=True)
        return
    if is_quiet(settings.alerts.quiet_hours, now_utc().astimezone(zone_of(settings.report.timezone))):
        typer.echo("Quiet hours: told afterwards.", err=True)
        return
    with store:
        report, _, _ = read_report(store, settings)
        with store.read() as conn:
            kept = read_state(conn, TOLD)
        found: list[dict[str, Any]] = changes(report, msgspec.json.decode(kept) if kept else {})
        if found:
            _deliver(settings, *message(report, found))
        with store.write() as conn:
            write_state(conn, TOLD, msgspec.json.encode({one.node: told_state(one) for one in report.nodes}).decode())
    typer.echo(f"{len(found)} changes told", err=True)


def _deliver(settings: Settings, number: str, body: bytes) -> None:
    from pathlib import Path

    from fleet.clock import now_s
    from fleet.errors import SetupError
    from reports.alerts_send import post, read_key

    told = settings.alerts
    if told.webhook_url is None or told.webhook_key_file is None:
        raise SetupError("alerts: webhook_url and webhook_key_file are needed both. Write them into fleet.toml.")
    key = read_key(Path(settings.folder) / told.webhook_key_file)
    post(told.webhook_url, key, number, body, at_s=int(now_s()))
