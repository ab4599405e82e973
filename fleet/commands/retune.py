"""`wakeledger retune …`: draft, check, show, send, hold, put back and list orders."""

from __future__ import annotations

from typing import Annotated, Any

import typer

COLUMNS = ("order", "node", "rev", "kind", "state", "since", "change", "detail")
NAMES = ("lo", "hi", "hyst", "sleep_s", "period_ms", "avg")
CAUTION = (
    "An order is a proposal until a record proves it. Never let an alarm for fire, gas, flood, cold chain or health "
    "depend on settings sent this way; local codes and licensed people go first."
)


def register(app: typer.Typer) -> None:
    """Mount the order commands."""
    group = typer.Typer(
        help="Orders to nodes: draft, check, send in stages, undo.", no_args_is_help=True, rich_markup_mode=None
    )
    for command in (draft, check, show, send, hold, putback, listing):
        group.command("list" if command is listing else command.__name__)(command)
    app.add_typer(group, name="retune")


def draft(
    node: Annotated[list[str], typer.Argument(help="Nodes that get these settings.")],
    lo: Annotated[float | None, typer.Option(help="Lower threshold, in the reading's unit.")] = None,
    hi: Annotated[float | None, typer.Option(help="Upper threshold, in the reading's unit.")] = None,
    hyst: Annotated[float | None, typer.Option(min=0, help="Hysteresis, in the reading's unit.")] = None,
    sleep_s: Annotated[float | None, typer.Option("--sleep", min=1, help="Timer interval. [s]")] = None,
    period_ms: Annotated[float | None, typer.Option("--period", min=1, help="Coprocessor period. [ms]")] = None,
    avg: Annotated[int | None, typer.Option(min=1, help="Readings averaged.")] = None,
    never_with: Annotated[str | None, typer.Option(help="Node that must not be on trial at the same time.")] = None,
    who: Annotated[str, typer.Option(envvar="USER", help="Who asks for it.")] = "unknown",
) -> None:
    """Draft other settings for nodes; nothing leaves before `send`.

    Example: wakeledger retune draft n001 n002 --lo 0.75 --hyst 0.1
    """
    from fleet.clock import now_utc
    from fleet.jobs.drafts import draft as make
    from fleet.jobs.drafts import known_of
    from fleet.jobs.opened import deployment_of, opened

    settings, store = opened(readonly=False)
    now_at = now_utc()
    known = known_of(store, deployment_of(settings, store), settings, now_at)
    change = dict(zip(NAMES, (lo, hi, hyst, sleep_s, period_ms, avg), strict=True))
    for name in node:
        number = make(store, known, name, change, drafted_by=who, now_at=now_at, never_with=never_with)
        typer.echo(f"{name}: draft {number}", err=True)


def check(
    as_json: Annotated[bool, typer.Option("--json", help="JSON instead of a table.")] = False,
) -> None:
    """Hold every draft against the limits; exit 5 if one forbids it.

    Example: wakeledger retune check
    """
    from fleet.clock import now_utc
    from fleet.jobs.drafts import breaches_of, drafts, known_of
    from fleet.jobs.opened import deployment_of, opened
    from fleet.show import show_json, show_table
    from fleet.store.results import rows_of

    settings, store = opened()
    deployment = deployment_of(settings, store)
    known = known_of(store, deployment, settings, now_utc())
    rows = rows_of(drafts(store, deployment))
    found = [(str(row["node"]), breaches_of(known, deployment, settings, row)) for row in rows]
    if as_json:
        show_json([{"node": node, "breaches": [one.text for one in broken]} for node, broken in found])
    else:
        lines = [(node, one.code, one.text) for node, broken in found for one in broken]
        show_table(("node", "limit", "found"), lines, title=f"{len(found)} drafts, {len(lines)} limits in the way")
        typer.echo(CAUTION, err=True)
    if any(broken for _, broken in found):
        raise typer.Exit(5)


def show(
    order: Annotated[int, typer.Argument(help="Number of the order.")],
) -> None:
    """Show one order: settings before and after, what was promised, its bytes.

    Example: wakeledger retune show 3
    """
    from fleet.errors import OrderError
    from fleet.jobs.opened import opened
    from fleet.show import show_json
    from fleet.store.orders import read_order

    _, store = opened()
    row = read_order(store, order)
    if row is None:
        raise OrderError(f"order {order}: no such order. See `wakeledger retune list`.")
    row["sealed"] = bytes(row["sealed"]).hex() if row["sealed"] else None
    show_json(row)


def send(
    yes: Annotated[int | None, typer.Option(help="Number of nodes, instead of typing it.")] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Print topics and bytes; send nothing.")] = False,
    override: Annotated[str | None, typer.Option(help="Reason to go beyond a limit, for one node.")] = None,
    second: Annotated[str | None, typer.Option(help="The second person who agrees to that.")] = None,
    who: Annotated[str, typer.Option(envvar="USER", help="Who sends.")] = "unknown",
) -> None:
    """Release the drafts in stages: one node, then 5 %, 25 % and the rest, each after evidence.

    The listener posts them and moves them on as records prove them. Example: wakeledger retune send --yes 3
    """
    from fleet.clock import now_utc
    from fleet.errors import LimitError
    from fleet.jobs.drafts import drafts
    from fleet.jobs.one_tool import one_tool
    from fleet.jobs.opened import deployment_of, opened
    from fleet.jobs.release import Override, begin_release, preview

    settings, store = opened(readonly=dry_run)
    deployment = deployment_of(settings, store)
    waiting = drafts(store, deployment)
    _show_drafts(waiting)
    typer.echo(CAUTION, err=True)
    if dry_run:
        for topic, frame, broken in preview(store, deployment, settings, now_at=now_utc()):
            typer.echo(f"{topic}\t{frame.hex()}\t{'; '.join(broken) or 'within limits'}")
        return
    count = yes if yes is not None else typer.prompt("Type the number of nodes to go on", type=int)
    if count != len(waiting):
        raise LimitError(f"send: {len(waiting)} nodes would get an order, {count} was said. Nothing was sent.")
    asked = Override(override, who, second or "") if override is not None else None
    with one_tool(store, "wakeledger retune send"):
        number = begin_release(store, deployment, settings, who=who, now_at=now_utc(), override=asked)
    typer.echo(
        f"release {number}: its first group is sealed. `wakeledger listen` posts it; see `wakeledger retune list`."
    )


def hold(
    release: Annotated[int, typer.Argument(help="Number of the release.")],
    why: Annotated[str, typer.Option(help="Why; it stands in the audit log.")] = "held by hand",
    who: Annotated[str, typer.Option(envvar="USER", help="Who holds it.")] = "unknown",
) -> None:
    """Stop a release; nodes on trial fall back by themselves, without a downlink.

    Example: wakeledger retune hold 2 --why "wrong unit"
    """
    from fleet.clock import now_utc
    from fleet.errors import OrderError
    from fleet.jobs.opened import opened
    from fleet.jobs.release_step import hold as stop

    _, store = opened(readonly=False)
    if not stop(store, release, why=why, who=who, now_at=now_utc()):
        raise OrderError(f"release {release}: is not running. See `wakeledger retune list`.")
    typer.echo(f"release {release} is held", err=True)


def putback(
    node: Annotated[list[str], typer.Argument(help="Nodes that get their former settings again.")],
    who: Annotated[str, typer.Option(envvar="USER", help="Who asks for it.")] = "unknown",
) -> None:
    """Draft the settings that a node had before its last order; send them like any others.

    Example: wakeledger retune putback n001
    """
    from fleet.clock import now_utc
    from fleet.jobs.drafts import draft_former
    from fleet.jobs.opened import deployment_of, opened

    settings, store = opened(readonly=False)
    for name in node:
        number = draft_former(store, deployment_of(settings, store), settings, name, drafted_by=who, now_at=now_utc())
        typer.echo(f"{name}: draft {number} with the former settings. Next: wakeledger retune send", err=True)


def listing(
    node: Annotated[str | None, typer.Option(help="Only this node.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="JSON instead of a table.")] = False,
) -> None:
    """List orders, newest first, each with its state and since when.

    Example: wakeledger retune list --node n001
    """
    from fleet.jobs.drafts import named
    from fleet.jobs.opened import deployment_of, opened
    from fleet.show import iso, show_json, show_table
    from fleet.store.orders import read_orders
    from fleet.store.results import rows_of

    settings, store = opened()
    rows = rows_of(named(read_orders(store), deployment_of(settings, store)))[::-1]
    rows = [row for row in rows if node is None or row["node"] == node]
    if as_json:
        show_json(rows)
        return
    lines = [
        (
            row["order_id"],
            row["node"],
            row["rev"],
            row["kind"],
            row["state"],
            iso(row["state_at"]),
            _settings(row),
            row["detail"],
        )
        for row in rows
    ]
    show_table(COLUMNS, lines, title=f"{len(lines)} orders")


def _show_drafts(waiting: Any) -> None:
    import json

    from fleet.show import show_table
    from fleet.store.results import rows_of

    lines = []
    for row in rows_of(waiting):
        before = json.loads(row["before"]) if row["before"] else {}
        changed = [f"{name} {before.get(name, '–')} → {row[name]:g}" for name in NAMES if before.get(name) != row[name]]
        lines.append((row["order_id"], row["node"], ", ".join(changed)))
    show_table(("draft", "node", "before → after"), lines, title=f"{len(lines)} drafts")


def _settings(row: dict[str, Any]) -> str:
    return (
        "" if row["kind"] == "keep" else ", ".join(f"{name} {row[name]:g}" for name in NAMES if row[name] == row[name])
    )
