"""`wakeledger audit …`: the chain of everything that was ordered, held, overridden and muted."""

from __future__ import annotations

from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Mount the audit commands."""
    group = typer.Typer(help="The audit chain.", no_args_is_help=True, rich_markup_mode=None)
    group.command("verify")(verify)
    group.command("list")(listing)
    app.add_typer(group, name="audit")


def verify(
    head: Annotated[str | None, typer.Option(help="A head printed earlier, NUMBER:HASH; shows a cut tail.")] = None,
) -> None:
    """Check the whole chain and name the first broken row.

    Example: wakeledger audit verify --head 41:9f2c…
    """
    from fleet.errors import StoreError
    from fleet.jobs.opened import opened
    from fleet.store.audit import audit_head, verify_audit

    _, store = opened()
    printed = None
    if head is not None:
        number, _, digest = head.partition(":")
        if not number.isdigit() or not digest:
            raise StoreError(f"--head {head}: expected NUMBER:HASH as the report prints it.")
        printed = (int(number), digest)
    wrong = verify_audit(store, head=printed)
    if wrong:
        raise StoreError(f"audit: {wrong}. Compare with a back-up and with the heads printed in reports.")
    now = audit_head(store)
    typer.echo(f"the chain holds; its head is {now[0]}:{now[1]}" if now else "the chain is empty")


def listing(as_json: Annotated[bool, typer.Option("--json", help="JSON instead of a table.")] = False) -> None:
    """List what was done, by whom, when.

    Example: wakeledger audit list
    """
    from fleet.jobs.opened import opened
    from fleet.show import iso, show_json, show_table
    from fleet.store.audit import read_audit

    _, store = opened()
    rows = [(row.n, iso(row.at), row.who, row.what, row.body) for row in read_audit(store)]
    if as_json:
        show_json([dict(zip(("n", "at", "who", "what", "body"), row, strict=True)) for row in rows])
    else:
        show_table(("n", "at", "who", "what", "body"), rows, title=f"{len(rows)} rows")
