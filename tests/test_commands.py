"""Every command has help with an example, and stands in the README."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from fleet.cli import app

ROOT = Path(__file__).parent.parent


def leaves(command: Any, path: tuple[str, ...] = ()) -> list[tuple[tuple[str, ...], Any]]:
    """Every command that does something, with the words that call it."""
    if hasattr(command, "commands"):
        return [leaf for name, part in sorted(command.commands.items()) for leaf in leaves(part, (*path, name))]
    return [(path, command)]


COMMANDS = leaves(typer.main.get_command(app))


@pytest.mark.parametrize(("path", "command"), COMMANDS, ids=[" ".join(path) for path, _ in COMMANDS])
def test_a_command_has_help_with_an_example_and_stands_in_the_readme(path: tuple[str, ...], command: Any) -> None:
    call = f"wakeledger {' '.join(path)}"
    shown = CliRunner().invoke(app, [*path, "--help"])
    assert shown.exit_code == 0
    assert command.help and len(command.help) > 20
    assert call in command.help, "no example"
    assert call in (ROOT / "README.md").read_text(encoding="utf-8")
    assert all(param.help for param in command.params if param.param_type_name == "option" and param.name != "help")
