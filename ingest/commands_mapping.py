"""`wakeledger mapping try`: what a mapping file makes of a sample, field by field, and what it leaves over."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Mount the command."""
    mapping = typer.Typer(help="How foreign messages and logs become wake records.", no_args_is_help=True)
    mapping.callback()(lambda: None)
    mapping.command("try")(try_)
    app.add_typer(mapping, name="mapping")


def try_(
    file: Annotated[Path, typer.Argument(help="Mapping file, TOML.")],
    sample: Annotated[Path, typer.Argument(help="A payload as it is sent, or a log.")],
    topic: Annotated[str | None, typer.Option(help="Topic of the sample; without it the first dialect.")] = None,
    count: Annotated[int, typer.Option(help="At most so many records.")] = 3,
    as_json: Annotated[bool, typer.Option("--json", help="JSON instead of a table.")] = False,
) -> None:
    """Show field by field what a mapping makes of a sample, and what is left over.

    Example: wakeledger mapping try loggers.toml payload.json --topic loggers/n7/up
    """
    from fleet.settings import load_settings
    from fleet.show import show_json, show_table
    from ingest.dialects import foreign_of
    from ingest.trying import try_sample

    tried = try_sample(foreign_of(load_settings(), file), sample, topic, count)
    if as_json:
        show_json(tried)
        return
    for index, one in enumerate(tried, 1):
        rows = [(field["key"], field["path"], field["found"], field["value"]) for field in one["fields"]]
        rows += [(f"(left over) {key}", "", "", "") for key in one["left_over"]]
        show_table(
            ("key", "path", "found", "becomes"), rows, title=f"record {index} of {one['dialect']}: {one['says']}"
        )
