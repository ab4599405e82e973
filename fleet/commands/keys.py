"""`wakeledger keys …`: one order key a node, made here, exported for the bench."""

from __future__ import annotations

from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Mount the key commands."""
    group = typer.Typer(help="Order keys of nodes.", no_args_is_help=True, rich_markup_mode=None)
    group.command("make")(make)
    group.command("export")(export)
    group.command("list")(listing)
    app.add_typer(group, name="keys")


def make(node: Annotated[list[str], typer.Argument(help="Nodes that get a new key; the generation rises.")]) -> None:
    """Make a key for each node, in a file with mode 0600.

    Example: wakeledger keys make n001 n002
    """
    from fleet.settings import load_settings
    from fleet.store.keys import make_key, read_keys

    folder = load_settings().keys_dir
    for name in node:
        key = make_key(folder, name)
        typer.echo(f"{name}: generation {key.generation}, in {folder / (name + '.key')}", err=True)
    read_keys(folder)


def export(node: Annotated[str, typer.Argument(help="The node at the bench.")]) -> None:
    """Print one key for the node's firmware: key id and 64 hex digits. Keep it secret.

    Example: wakeledger keys export n001
    """
    from fleet.settings import load_settings
    from fleet.store.keys import read_key

    folder = load_settings().keys_dir
    key = read_key(folder / f"{node}.key", node)
    typer.echo(f"{key.key_id.decode()} {key.key.hex()}")


def listing(as_json: Annotated[bool, typer.Option("--json", help="JSON instead of a table.")] = False) -> None:
    """List which nodes have a key, and its generation; never the key.

    Example: wakeledger keys list
    """
    from fleet.settings import load_settings
    from fleet.show import show_json, show_table
    from fleet.store.keys import read_keys

    rows = [(name, key.generation) for name, key in read_keys(load_settings().keys_dir).items()]
    if as_json:
        show_json([{"node": name, "generation": generation} for name, generation in rows])
    else:
        show_table(("node", "generation"), rows, title=f"{len(rows)} keys")
