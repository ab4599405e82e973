"""`wakeledger analyse`: the nightly job, by hand or by a timer."""

from __future__ import annotations

from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Mount the analysis command."""
    app.command("analyse")(analyse)


def analyse(
    as_of: Annotated[str | None, typer.Option(help="Moment to judge from, ISO 8601. Default: now.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Summary as JSON.")] = False,
) -> None:
    """Roll up what is new, then estimate, flag and advise for every node.

    Example: wakeledger analyse
    """
    from datetime import UTC, datetime

    from fleet.clock import monotonic_s, now_utc
    from fleet.jobs.nightly import nightly, sync_setup
    from fleet.jobs.opened import opened
    from fleet.profiles.nodes import moment_s
    from fleet.show import iso, show_json

    settings, store = opened(readonly=False)
    started_s = monotonic_s()
    now_at = datetime.fromtimestamp(moment_s("--as-of", as_of), UTC) if as_of else now_utc()
    for problem in sync_setup(store, settings.setup_dir).problems:
        typer.echo(f"wakeledger: {problem}", err=True)
    findings = nightly(store, settings, now_at=now_at)
    summary = {
        "as_of": iso(now_at),
        "nodes": len(findings.estimates.nodes),
        "flags": len(findings.flags),
        "advice": int((findings.advice["remedy"] == "settings").sum()),
        "took_s": round(monotonic_s() - started_s, 1),
    }
    if as_json:
        show_json(summary)
    else:
        typer.echo(
            f"{summary['nodes']} nodes as of {summary['as_of']}: {summary['flags']} flags, "
            f"{summary['advice']} proposals, in {summary['took_s']} s"
        )
