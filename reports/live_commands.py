"""Commands that stay: watch in a terminal."""

from __future__ import annotations

import sys
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Mount the commands."""
    app.command()(watch)


def watch(
    once: Annotated[bool, typer.Option("--once", help="Print every node once, tab-separated, and exit.")] = False,
) -> None:
    """Watch the fleet in a terminal, nodes that need a person first; in a pipe it prints once.

    Keys: j/k move, enter opens a node, / filters by node, site, state or flag, q quits.
    Example: wakeledger watch
    """
    from fleet.jobs.opened import opened
    from reports.live import LiveReader
    from reports.watch import print_once
    from reports.watch import watch as stay

    settings, store = opened()
    reader = LiveReader(store, settings)
    if once or not (sys.stdout.isatty() and sys.stdin.isatty()):
        print_once(reader.look())
        return
    stay(reader)
