"""`wakeledger db …`: size and growth, archive, rebuild, back-up."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Mount the database commands."""
    group = typer.Typer(help="The database: size, archive, rebuild.", no_args_is_help=True, rich_markup_mode=None)
    group.command("size")(size)
    group.command("archive")(archive)
    group.command("rebuild")(rebuild)
    group.command("upgrade")(upgrade)
    app.add_typer(group, name="db")


def size(as_json: Annotated[bool, typer.Option("--json", help="JSON instead of a table.")] = False) -> None:
    """Show rows and bytes a table, and how they will grow.

    Example: wakeledger db size
    """
    from fleet.clock import now_utc
    from fleet.jobs.opened import opened
    from fleet.show import show_json, show_table
    from fleet.store.archive import size_forecast

    _, store = opened()
    rows = size_forecast(store, now_s=now_utc().timestamp())
    if as_json:
        show_json(rows)
    else:
        show_table(tuple(rows[0]) if rows else ("table",), [tuple(row.values()) for row in rows])


def archive(
    folder: Annotated[Path, typer.Argument(help="Folder for the Parquet files.")],
    keep_months: Annotated[int, typer.Option(min=1, help="Months that stay in the database.")] = 2,
) -> None:
    """Move closed months of wake records to Parquet files, verified before any row leaves.

    Example: wakeledger db archive archive --keep-months 2
    """
    from fleet.clock import now_utc
    from fleet.jobs.opened import opened
    from fleet.store.archive import archive_closed_months

    _, store = opened(readonly=False)
    for file, rows in archive_closed_months(store, folder, keep_months=keep_months, now_s=now_utc().timestamp()):
        typer.echo(f"{file}: {rows} records")


def rebuild() -> None:
    """Make every day row again from the records, archived ones too.

    Example: wakeledger db rebuild
    """
    from fleet.jobs.opened import opened
    from fleet.jobs.rebuild import rebuild as run

    _, store = opened(readonly=False)
    typer.echo(f"{run(store)} day rows")


def upgrade() -> None:
    """Bring the database to this version; a copy is kept beside a SQLite file first.

    Example: wakeledger db upgrade
    """
    from fleet.settings import load_settings
    from fleet.store.upgrade import upgrade_store

    settings = load_settings()
    upgrade_store(settings.database_url)
    typer.echo(f"{settings.database}: up to date", err=True)
