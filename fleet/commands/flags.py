"""`wakeledger flags`, `why`, `mute`: which node misbehaves, why it is thought so, and quieting a known one."""

from __future__ import annotations

from typing import Annotated

import typer

BESIDE = ("strength", "evidence", "part", "under")
COLUMNS = ("node", "flag", "since", "strength", "evidence", "look at", "under")


def register(app: typer.Typer) -> None:
    """Mount the flag commands."""
    app.command("flags")(flags)
    app.command("why")(why)
    app.command("mute")(mute)


def flags(
    node: Annotated[str | None, typer.Option(help="Only this node.")] = None,
    since: Annotated[str | None, typer.Option(help="Only flags that began at or after this moment, ISO 8601.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="JSON instead of a table.")] = False,
) -> None:
    """List what is wrong, strongest first, with the figures that show it.

    Example: wakeledger flags --node n001
    """
    from fleet.flags.rank import expected_false_count
    from fleet.jobs.opened import opened
    from fleet.profiles.nodes import moment_s
    from fleet.show import iso, show_json, show_table
    from fleet.store.findings import read_flags
    from fleet.store.results import rows_of
    from fleet.store.setup import read_nodes

    settings, store = opened()
    found = read_flags(store).merge(read_nodes(store)[["node_id", "node"]], on="node_id")
    if node is not None:
        found = found[found["node"] == node]
    if since is not None:
        found = found[found["since"] >= moment_s("--since", since)]
    found = found.sort_values("strength", ascending=False)
    rows = [
        (
            row["node"],
            row["flag"],
            iso(row["since"]),
            *(row[name] for name in ("strength", "evidence", "part", "under")),
        )
        for row in rows_of(found)
    ]
    if as_json:
        show_json(
            [
                dict(zip(("node", "flag", "since", "strength", "evidence", "part", "under"), row, strict=True))
                for row in rows
            ]
        )
        return
    budget, doubtful = settings.flags.false_alarms_per_week, expected_false_count(found)
    title = f"{len(rows)} flags, of which about {doubtful:.1f} are expected to be false (budget: {budget:g} new a week)"
    show_table(COLUMNS, rows, title=title)


def why(
    node: Annotated[str, typer.Argument(help="The node.")],
) -> None:
    """Tell one node's story: what it did, what it cost, what changed when, and which explanations were ruled out.

    Example: wakeledger why n001
    """
    from fleet.clock import now_utc
    from fleet.jobs.opened import deployment_of, opened
    from fleet.jobs.why import why_text

    settings, store = opened()
    typer.echo(why_text(store, deployment_of(settings, store), node, now_at=now_utc()))


def mute(
    node: Annotated[str, typer.Argument(help="The node.")],
    flag: Annotated[str, typer.Argument(help="The flag to quiet.")],
    reason: Annotated[str, typer.Option(help="Why; it stands in the audit log.")],
    until: Annotated[
        str | None, typer.Option(help="Moment it speaks again, ISO 8601. Without it: when it changes.")
    ] = None,
    who: Annotated[str, typer.Option(envvar="USER", help="Who says so.")] = "unknown",
) -> None:
    """Quiet a flag until a date or until it changes.

    Example: wakeledger mute n001 gone_quiet --until 2026-12-24 --reason "gateway is being moved"
    """
    from fleet.clock import now_utc
    from fleet.errors import SetupError
    from fleet.jobs.opened import opened
    from fleet.profiles.nodes import moment_s
    from fleet.store.setup import add_mute
    from fleet.words import Flag

    if flag not in set(Flag):
        raise SetupError(f"mute: `{flag}` is not a flag; expected one of {', '.join(Flag)}.")
    _, store = opened(readonly=False)
    until_s = moment_s("--until", until) if until else None
    add_mute(store, node, flag, until_s=until_s, why=reason, told_by=who, at_s=now_utc().timestamp())
    typer.echo(f"{node}: {flag} is quiet {'until ' + until if until else 'until it changes'}", err=True)
