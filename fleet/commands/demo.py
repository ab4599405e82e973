"""`wakeledger demo`: the whole job on Harrow Flats, an invented marsh, through a real broker."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

FOLDER = Path("harrow-flats")


def register(app: typer.Typer) -> None:
    """Mount the demo."""
    app.command("demo")(demo)


def demo(
    folder: Annotated[Path, typer.Option(help="Where set-up, database and report go; begun anew each time.")] = FOLDER,
    broker: Annotated[str | None, typer.Option(help="URL of a broker of your own; without it one is started.")] = None,
    live: Annotated[bool, typer.Option("--live", help="Go on playing until Ctrl-C, while you watch.")] = False,
    speed_up: Annotated[float, typer.Option(min=1, help="With --live: times faster than real.")] = 3600.0,
) -> None:
    """Play 26 weeks of 48 creek-level nodes, analyse, report, retune three of them and show what it changed.

    Example: wakeledger demo --live --speed-up 1800
    """
    from fleet.commands.demo_run import run_demo

    for line in run_demo(folder, broker_url=broker, live_speed_up=speed_up if live else None):
        typer.echo(line)
