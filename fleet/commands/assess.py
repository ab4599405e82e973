"""`wakeledger assess`: results without a broker or a database of one's own."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Mount the one-shot command."""
    app.command("assess")(assess)


def assess(
    recording: Annotated[list[Path], typer.Argument(help="Message recordings: JSON lines, .gz or .zst.")],
    profiles: Annotated[Path, typer.Option(help="Folder with one TOML file per kind of node.")],
    nodes: Annotated[Path, typer.Option(help="Node list, CSV.")],
    visits: Annotated[Path | None, typer.Option(help="Visits and swaps told by people, CSV.")] = None,
    as_of: Annotated[
        list[str] | None,
        typer.Option(help="Moment to judge from, ISO 8601; may be given again. Default: last arrival."),
    ] = None,
    whatif: Annotated[Path | None, typer.Option(help="Settings to try, JSON array of node and set.")] = None,
    json: Annotated[Path | None, typer.Option(help="File to write to; without it standard output.")] = None,
) -> None:
    """Judge every node of some recordings in one go: files in, the results contract's objects out.

    Example: wakeledger assess --profiles profiles --nodes nodes.csv --json out.json march.jsonl.gz
    """
    from fleet.jobs.assess import assess as run
    from fleet.jobs.assess import read_what_if
    from fleet.jobs.deployment import load_deployment
    from fleet.show import plain, show_json

    deployment = load_deployment(profiles, nodes, visits)
    for problem in deployment.problems:
        typer.echo(f"wakeledger: {problem}", err=True)
    moments = [_moment(text) for text in as_of or []]
    results, notes = run(recording, deployment, as_of_at=moments, asked=read_what_if(whatif) if whatif else ())
    for note in notes:
        typer.echo(f"wakeledger: {note}", err=True)
    if json is None:
        show_json(results)
        return
    import msgspec

    json.write_bytes(msgspec.json.format(msgspec.json.encode(plain(results)), indent=1) + b"\n")
    typer.echo(f"{json}: {len(results)} results", err=True)


def _moment(text: str) -> datetime:
    from datetime import UTC

    from fleet.profiles.nodes import moment_s

    return datetime.fromtimestamp(moment_s("--as-of", text), UTC)
