"""`wakeledger setaside list|show|retry` and `wakeledger adopt`: what could not be read, and nodes nobody listed."""

from __future__ import annotations

from typing import Annotated

import typer

Reason = Annotated[str | None, typer.Option(help="Only this reason, e.g. not_json or bad_topic.")]
AsJson = Annotated[bool, typer.Option("--json", help="JSON instead of a table.")]
SHOWN_COUNT = 120


def register(app: typer.Typer) -> None:
    """Mount the commands."""
    aside = typer.Typer(
        help="Payloads that could not be read: kept with the reason, listed, tried again.", no_args_is_help=True
    )
    aside.command("list")(list_)
    aside.command("show")(show)
    aside.command("retry")(retry)
    app.add_typer(aside, name="setaside")
    app.command("adopt")(adopt)


def list_(
    reason: Reason = None,
    limit: Annotated[int, typer.Option(help="At most so many.")] = 100,
    after: Annotated[int, typer.Option(help="Only numbers above this one.")] = 0,
    everything: Annotated[bool, typer.Option("--all", help="Also those that were read by a retry.")] = False,
    as_json: AsJson = False,
) -> None:
    """List payloads that were set aside.

    Example: wakeledger setaside list --reason not_json
    """
    from fleet.jobs.opened import opened
    from fleet.show import iso, show_json, show_table
    from fleet.store.set_aside import read_set_aside

    _, store = opened()
    with store:
        found = read_set_aside(store, reason=reason, after_id=after, limit=limit, open_only=not everything)
    if as_json:
        show_json(
            [
                {"id": one.set_aside_id, "arrived": iso(one.arrived), "topic": one.topic, "reason": one.reason,
                 "detail": one.detail, "origin": one.origin, "bytes": len(one.raw), "retried": one.retried}
                for one in found
            ]
        )  # fmt: skip
        return
    rows = [
        (one.set_aside_id, iso(one.arrived), one.topic, one.reason, one.detail[:SHOWN_COUNT], one.origin)
        for one in found
    ]
    show_table(("id", "arrived", "topic", "reason", "detail", "from"), rows)


def show(
    number: Annotated[int, typer.Argument(help="Number from `setaside list`.")],
    raw: Annotated[bool, typer.Option("--raw", help="Only the bytes as they came, on standard output.")] = False,
) -> None:
    """Show one payload that was set aside, with its bytes.

    Example: wakeledger setaside show 12
    """
    import sys

    from fleet.jobs.opened import opened
    from fleet.show import iso, show_table
    from fleet.store.set_aside import one_set_aside

    _, store = opened()
    with store:
        one = one_set_aside(store, number)
    if raw:
        sys.stdout.buffer.write(one.raw)
        return
    shown = one.raw.decode("utf-8", "backslashreplace")
    show_table(
        ("what", "value"),
        [("topic", one.topic), ("arrived", iso(one.arrived)), ("reason", one.reason), ("detail", one.detail),
         ("from", one.origin), ("read since", one.retried), ("bytes", len(one.raw)), ("payload", shown)],
    )  # fmt: skip


def retry(reason: Reason = None) -> None:
    """Read set-aside payloads again, after a mapping or an update was mended; what is read now is stored.

    Example: wakeledger setaside retry --reason no_mapping
    """
    from fleet.jobs.opened import opened
    from ingest.retrying import retry_set_aside

    settings, store = opened(readonly=False)
    with store:
        read, still = retry_set_aside(store, settings, reason)
    typer.echo(f"{read} payloads read now; {still} still can't be.", err=True)


def adopt(
    node: Annotated[str | None, typer.Argument(help="Node that was heard; without it they are shown.")] = None,
    profile: Annotated[str, typer.Option(help="Its profile.")] = "",
    site: Annotated[str, typer.Option(help="Its site.")] = "",
) -> None:
    """Take a node that was heard but is not in the node list into it; without a name, show them.

    Example: wakeledger adopt n049 --profile creek-level-2 --site mill-creek
    """
    from fleet.errors import SetupError
    from fleet.jobs.opened import opened
    from fleet.show import show_table
    from fleet.store.setup import adopt_node
    from ingest.known_nodes import unknown_nodes

    settings, store = opened(readonly=node is None)
    with store:
        if node is None:
            show_table(("heard, not listed",), [(name,) for name in unknown_nodes(store)])
            return
        if not profile:
            raise SetupError(f"adopt {node}: --profile is needed: the name of a file in {settings.setup_dir}/profiles.")
        adopt_node(store, node, {"profile": profile, "site": site})
    typer.echo(f"{node} is known now. Add it to nodes.csv, so that the next reading of the list agrees.", err=True)
