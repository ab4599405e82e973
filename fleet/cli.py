"""The command line: mounts every command and turns a FleetError into one line and an exit code."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Annotated

import typer

import ingest.commands
import reports.commands
from fleet import __version__
from fleet.commands import (
    advise,
    analyse,
    assess,
    audit,
    check,
    db,
    demo,
    flags,
    keys,
    nodes,
    retune,
    score,
    setup,
)
from fleet.errors import FleetError

EXIT_INTERRUPTED = 130
EPILOG = (
    "Exit codes: 0 done, 1 failed, 2 wrong usage or set-up, 3 finished and something is due (with --fail-on), "
    "4 broker or database out of reach, 5 refused by a safety rule, 130 interrupted. "
    "Start with: wakeledger demo"
)

app = typer.Typer(
    name="wakeledger",
    help="A ledger of every wake of every battery node: what it cost, how long it will last, what to change.",
    epilog=EPILOG,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"wakeledger {__version__}")
        raise typer.Exit


@app.callback()
def options(
    settings: Annotated[Path | None, typer.Option(help="Settings file; without it `fleet.toml` here.")] = None,
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Options of every command."""
    if settings is not None:
        os.environ["FLEET_SETTINGS"] = str(settings)


for place in (
    demo, setup, check, ingest.commands, analyse, nodes, flags, advise, retune, reports.commands, score, assess, keys,
    audit, db,
):  # fmt: skip
    place.register(app)


def main() -> None:
    """Run a command; a FleetError is one line on standard error."""
    try:
        app()
    except FleetError as why:
        typer.echo(f"wakeledger: {why}", err=True)
        sys.exit(why.exit_code)
    except KeyboardInterrupt:
        sys.exit(EXIT_INTERRUPTED)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
