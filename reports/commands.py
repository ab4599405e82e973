"""Commands of the weekly report: report, visits, swap."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from reports import alerts_commands, live_commands, visit_commands

EXIT_DUE = 3
URGENCY = {"due": ("due",), "soon": ("due", "soon")}


def register(app: typer.Typer) -> None:
    """Mount the commands."""
    app.command()(report)
    visit_commands.register(app)
    live_commands.register(app)
    alerts_commands.register(app)


def report(
    week: Annotated[str | None, typer.Option(help="ISO week, e.g. 2026-W47; without it, the last analysis.")] = None,
    out: Annotated[Path | None, typer.Option(help="Folder for all forms; without it, weekly/WEEK here.")] = None,
    language: Annotated[str | None, typer.Option(help="en or de; without it, as fleet.toml says.")] = None,
    anew: Annotated[bool, typer.Option("--anew", help="Make it again even if the week's report is kept.")] = False,
    send: Annotated[bool, typer.Option("--send", help="Send it by SMTP with TLS; once per report.")] = False,
    send_again: Annotated[bool, typer.Option("--send-again", help="Send it even if it was sent before.")] = False,
    fail_on: Annotated[str | None, typer.Option(help="due or soon: exit code 3 if a node is.")] = None,
    text: Annotated[bool, typer.Option("--text", help="Print page one as text too.")] = False,
) -> None:
    """Write the weekly battery-risk report: page, PDF, tables, calendar, map, mail.

    Example: wakeledger report --week 2026-W47 --language de --fail-on due
    """
    from fleet.errors import ReportError
    from reports.make import make_report, post_report

    if fail_on is not None and fail_on not in URGENCY:
        raise ReportError(f"--fail-on {fail_on}: expected due or soon.")
    made = make_report(week=week, out=out, language=language, anew=anew)
    if text:
        typer.echo(made.files["report.txt"].decode())
    typer.echo(str(made.folder / "report.html"))
    if send or send_again:
        typer.echo(post_report(made, again=send_again), err=True)
    if fail_on is not None and any(made.model.by_state[state] for state in URGENCY[fail_on]):
        raise typer.Exit(EXIT_DUE)
