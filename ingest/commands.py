"""`wakeledger listen`, `load`, `dump`, `replay` and, mounted from beside, `setaside`, `mapping`, `adopt`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from ingest import commands_aside, commands_mapping

Files = Annotated[list[Path], typer.Argument(help="Recordings (plain, .gz, .zst), or logs that a mapping file reads.")]
MappingFile = Annotated[Path | None, typer.Option("--mapping", help="Mapping file of a foreign dialect, TOML.")]


def register(app: typer.Typer) -> None:
    """Mount the commands of the ingester."""
    app.command("listen")(listen)
    app.command("load")(load)
    app.command("dump")(dump)
    app.command("replay")(replay)
    commands_aside.register(app)
    commands_mapping.register(app)


def listen(
    replayed: Annotated[
        bool, typer.Option("--replayed", help="Believe the arrival time that replayed messages carry.")
    ] = False,
    metrics_port: Annotated[int | None, typer.Option(help="Serve /metrics, /healthz, /readyz on loopback.")] = None,
    no_fast: Annotated[bool, typer.Option("--no-fast", help="Use stock paho only.")] = False,
    no_orders: Annotated[bool, typer.Option("--no-orders", help="Leave the orders' topics alone.")] = False,
) -> None:
    """Store what the nodes send, until stopped (Ctrl-C or SIGTERM); acknowledge only what is committed.

    Example: wakeledger listen --metrics-port 9464
    """
    from fleet.settings import load_settings
    from ingest.service import serve

    settings = load_settings()
    port = metrics_port or settings.ingest.metrics_port
    serve(settings, replayed=replayed, metrics_port=port, fast=not no_fast, orders=not no_orders)


def load(
    files: Files,
    mapping: MappingFile = None,
    preview: Annotated[bool, typer.Option("--preview", help="Show what would be stored; store nothing.")] = False,
    any_root: Annotated[bool, typer.Option("--any-root", help="Take messages of any topic root.")] = False,
) -> None:
    """Store recordings or logs. Safe to repeat and to interrupt: what is stored is passed over.

    Example: wakeledger load marsh-2025-11.jsonl.zst
    """
    from fleet.settings import load_settings
    from ingest.loading import load_files, preview_files

    settings = load_settings()
    (preview_files if preview else load_files)(settings, files, mapping, any_root)


def dump(
    out: Annotated[Path, typer.Argument(help="Recording to write; .gz or .zst in the name packs it.")],
    since: Annotated[str | None, typer.Option(help="Arrived at or after this moment, ISO 8601.")] = None,
    until: Annotated[str | None, typer.Option(help="Arrived before this moment, ISO 8601.")] = None,
    from_broker: Annotated[
        bool, typer.Option("--from-broker", help="Record what the broker carries from now on.")
    ] = False,
    seconds: Annotated[float | None, typer.Option(help="With --from-broker: for so long; else until Ctrl-C.")] = None,
) -> None:
    """Write a recording of what is stored, or of what the broker carries.

    Example: wakeledger dump everything.jsonl.zst
    """
    from fleet.settings import load_settings
    from ingest.loading import dump_broker, dump_store

    settings = load_settings()
    if from_broker:
        dump_broker(settings, out, seconds)
    else:
        dump_store(settings, out, since, until)


def replay(
    files: Annotated[list[Path], typer.Argument(help="Recordings to publish again.")],
    speed: Annotated[
        float | None, typer.Option(min=0.001, help="Times faster than recorded; without it as fast as it goes.")
    ] = None,
) -> None:
    """Publish recordings to the broker again, each message with the time it first arrived.

    The listener believes that time only with --replayed. Example: wakeledger replay marsh.jsonl.zst --speed 600
    """
    from fleet.settings import load_settings
    from ingest.loading import replay_files

    replay_files(load_settings(), files, speed)
