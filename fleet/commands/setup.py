"""`wakeledger init` and `wakeledger settings`: the files a deployment starts from, and what is in force."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

STARTER = "starter"


def register(app: typer.Typer) -> None:
    """Mount the set-up commands."""
    app.command("init")(init)
    app.command("settings")(settings)


def init(
    folder: Annotated[Path, typer.Argument(help="Folder to write to; it may exist, files in it are kept.")] = Path(),
) -> None:
    """Write a commented starter set: fleet.toml, profiles/, nodes.csv, visits.csv.

    Example: wakeledger init north-field
    """
    from importlib.resources import files

    from fleet.errors import SetupError

    source = files("demo_data") / STARTER
    for name in ("fleet.toml", "profiles/creek-level.toml", "nodes.csv", "visits.csv"):
        target = folder / name
        if target.exists():
            typer.echo(f"kept     {target}", err=True)
            continue
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_text((source / name).read_text(encoding="utf-8"), encoding="utf-8")
        except OSError as why:
            raise SetupError(
                f"{target}: can't be written: {why.strerror}. Choose a folder that you may write to."
            ) from why
        typer.echo(f"written  {target}", err=True)
    typer.echo("Next: edit nodes.csv and the profile, then `wakeledger check` in that folder.", err=True)


def settings(
    as_json: Annotated[bool, typer.Option("--json", help="JSON instead of a table.")] = False,
) -> None:
    """Print every setting, its value and where it came from.

    Example: FLEET_BROKER__ROOT=marsh wakeledger settings
    """
    import msgspec

    from fleet.settings import Settings, load_settings, source_of
    from fleet.show import show_json, show_table

    values = msgspec.to_builtins(load_settings())
    defaults = msgspec.to_builtins(Settings())
    rows = []
    for key, value in _flat(values):
        rows.append((key, value, source_of(key, value, dict(_flat(defaults)))))
    if as_json:
        show_json({key: {"value": value, "from": source} for key, value, source in rows})
        return
    show_table(("key", "value", "from"), [(key, str(value), source) for key, value, source in rows])


def _flat(values: dict[str, object], before: str = "") -> list[tuple[str, object]]:
    pairs: list[tuple[str, object]] = []
    for key, value in values.items():
        pairs += _flat(value, f"{before}{key}.") if isinstance(value, dict) else [(before + key, value)]
    return pairs
