"""`wakeledger nodes` and `wakeledger node`: every node on a line, or one node on a page."""

from __future__ import annotations

from typing import Annotated, Any

import typer

COLUMNS = (
    "node",
    "site",
    "state",
    "wakes/day",
    "awake",
    "mAh/day",
    "charge left",
    "days left P10",
    "P50",
    "P90",
    "flags",
)
DUE_WITHIN_D = 14.0
SOON_WITHIN_D = 60.0


def register(app: typer.Typer) -> None:
    """Mount the listing commands."""
    app.command("nodes")(nodes)
    app.command("node")(node)


def nodes(
    site: Annotated[str | None, typer.Option(help="Only nodes of this site.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="The results contract's objects.")] = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="The same columns, flat.")] = False,
    fail_on: Annotated[str | None, typer.Option(help="Exit 3 if any node is `due` or `soon`.")] = None,
) -> None:
    """List every node: how often it wakes, what that costs, how long it will last.

    Example: wakeledger nodes --site "North creek" --json
    """
    from fleet.jobs.opened import opened
    from fleet.show import show_csv, show_json, show_table
    from fleet.store.findings import read_results

    _, store = opened()
    results = [one for one in read_results(store) if site is None or one["site"] == site]
    results.sort(key=_need)
    if as_json:
        show_json(results)
    elif as_csv:
        names = list(results[0]) if results else ["node"]
        show_csv(names, [[one[name] for name in names] for one in results])
    else:
        show_table(COLUMNS, [_line(one) for one in results], title=f"{len(results)} nodes")
    if fail_on and any(_state(one) in ("due", fail_on) for one in results):
        raise typer.Exit(3)


def node(
    name: Annotated[str, typer.Argument(help="The node.")],
    as_json: Annotated[bool, typer.Option("--json", help="The results contract's object.")] = False,
) -> None:
    """Show one node: figures with their ranges, flags with evidence, advice, what is not known and why.

    Example: wakeledger node n001
    """
    from fleet.jobs.opened import opened
    from fleet.show import show_json, show_table

    _, store = opened()
    one = result_of(store, name)
    if as_json:
        show_json(one)
        return
    rows = [
        (key, value, one.get(f"{key}_lo"), one.get(f"{key}_hi"))
        for key, value in one.items()
        if not isinstance(value, dict | list) and not key.endswith(("_lo", "_hi"))
    ]
    show_table(("figure", "value", "low", "high"), rows, title=name)
    show_table(("part of the drain", "mAh/day"), list((one.get("drain_parts") or {}).items()))
    for flag in one.get("flags") or []:
        typer.echo(f"{flag['flag']} since {flag['since']}, strength {flag['strength']:.2f}: {flag['evidence']}")
    for column, why in (one.get("why_null") or {}).items():
        typer.echo(f"{column}: {why}")
    if one.get("advice"):
        typer.echo(one["advice"].get("sentence", ""))


def result_of(store: Any, name: str) -> dict[str, Any]:
    """The stored result of one node.

    Raises
    ------
    StoreError
        If there is none.
    """
    import difflib

    from fleet.errors import StoreError
    from fleet.store.findings import read_results

    results = {one["node"]: one for one in read_results(store)}
    if name not in results:
        near = difflib.get_close_matches(name, results, 1)
        hint = f"Did you mean {near[0]}?" if near else "Run `wakeledger analyse` first, or see `wakeledger nodes`."
        raise StoreError(f"{name}: no result for such a node. {hint}")
    return results[name]


def _state(one: dict[str, Any]) -> str:
    p10 = one.get("days_left_p10")
    if p10 is None:
        return "unsure"
    return "due" if p10 < DUE_WITHIN_D else "soon" if p10 < SOON_WITHIN_D else "holds"


def _need(one: dict[str, Any]) -> tuple[float, str]:
    p10 = one.get("days_left_p10")
    return (float("inf") if p10 is None else p10, one["node"])


def _line(one: dict[str, Any]) -> tuple[Any, ...]:
    duty, charge = one.get("duty_main"), one.get("charge_left")
    return (
        one["node"],
        one["site"],
        _state(one),
        one.get("wakes_per_day"),
        None if duty is None else f"{duty * 100:.2g} %",
        one.get("drain_mah_per_day"),
        None if charge is None else f"{charge * 100:.0f} %",
        one.get("days_left_p10"),
        one.get("days_left_p50"),
        one.get("days_left_p90"),
        ", ".join(flag["flag"] for flag in one.get("flags") or []),
    )
