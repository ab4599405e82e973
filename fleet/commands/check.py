"""`wakeledger check`: broker, database, clock, set-up; what is wrong and what to do."""

from __future__ import annotations

from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Mount the check command."""
    app.command("check")(check)


def check(
    as_json: Annotated[bool, typer.Option("--json", help="JSON instead of a table.")] = False,
    no_broker: Annotated[bool, typer.Option("--no-broker", help="Leave the broker alone.")] = False,
) -> None:
    """Look at settings, set-up files, database, broker and clock; exit 1 if anything is wrong.

    Example: wakeledger check
    """
    from fleet.clock import now_utc
    from fleet.jobs.look_over import look_over
    from fleet.settings import load_settings
    from fleet.show import show_json, show_table
    from ingest.broker import probe_broker

    settings = load_settings()
    found = look_over(settings, now_utc())
    if not no_broker:
        found += probe_broker(settings)
    if as_json:
        show_json([{"what": what, "ok": ok, "found": text} for what, ok, text in found])
    else:
        show_table(("what", "state", "found"), [(what, "ok" if ok else "WRONG", text) for what, ok, text in found])
    if not all(ok for _, ok, _ in found):
        raise typer.Exit(1)
