"""`wakeledger advise` and `wakeledger whatif`: which settings would serve better, and what any others would do."""

from __future__ import annotations

from typing import Annotated, Any

import typer

COLUMNS = ("node", "remedy", "change", "wakes/day", "events seen", "days left P10", "P50", "P90", "why")
SETTINGS = ("lo", "hi", "hyst", "sleep_s", "period_ms", "avg")


def register(app: typer.Typer) -> None:
    """Mount the advice commands."""
    app.command("advise")(advise)
    app.command("whatif")(whatif)


def advise(
    site: Annotated[str | None, typer.Option(help="Only nodes of this site.")] = None,
    node: Annotated[str | None, typer.Option(help="Only this node.")] = None,
    until: Annotated[str | None, typer.Option(help="Date that the battery should reach, ISO 8601.")] = None,
    odds: Annotated[float, typer.Option(min=0.5, max=0.99, help="At these odds.")] = 0.9,
    wakes_per_day: Annotated[float | None, typer.Option(min=0, help="Wakes a day to stay under.")] = None,
    draft: Annotated[bool, typer.Option("--draft", help="Make drafted orders of the proposals.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="JSON instead of a table.")] = False,
) -> None:
    """Propose at most one change a node: what it saves, and what it would miss.

    Example: wakeledger advise --site "North creek" --until 2027-03-01 --odds 0.9
    """
    from fleet.clock import now_utc
    from fleet.jobs.advice import advice_rows, draft_orders, target_of
    from fleet.jobs.opened import deployment_of, opened
    from fleet.show import show_json, show_table

    settings, store = opened(readonly=not draft)
    deployment = deployment_of(settings, store)
    target = target_of(until, odds, wakes_per_day, now_at=now_utc())
    rows = advice_rows(store, deployment, target=target, now_at=now_utc())
    rows = [one for one in rows if (site is None or one["site"] == site) and (node is None or one["node"] == node)]
    if as_json:
        show_json(rows)
    else:
        show_table(COLUMNS, [_line(one) for one in rows], title=f"{len(rows)} nodes with advice")
    if draft:
        count = draft_orders(store, deployment, settings, rows, drafted_by=_who(), now_at=now_utc())
        typer.echo(f"{count} orders drafted. Next: wakeledger retune check, then wakeledger retune send.", err=True)


def whatif(
    node: Annotated[str, typer.Argument(help="The node.")],
    lo: Annotated[float | None, typer.Option(help="Lower threshold, in the reading's unit.")] = None,
    hi: Annotated[float | None, typer.Option(help="Upper threshold, in the reading's unit.")] = None,
    hyst: Annotated[float | None, typer.Option(min=0, help="Hysteresis, in the reading's unit.")] = None,
    sleep_s: Annotated[float | None, typer.Option("--sleep", min=1, help="Timer interval. [s]")] = None,
    period_ms: Annotated[float | None, typer.Option("--period", min=1, help="Coprocessor period. [ms]")] = None,
    avg: Annotated[int | None, typer.Option(min=1, help="Readings averaged.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="JSON instead of a table.")] = False,
) -> None:
    """Show before and after of other settings, each figure with its 80 % interval.

    Example: wakeledger whatif n001 --lo 0.75 --hyst 0.1 --sleep 7200
    """
    from fleet.clock import now_utc
    from fleet.errors import SetupError
    from fleet.jobs.advice import what_if_rows
    from fleet.jobs.opened import deployment_of, opened
    from fleet.show import show_json, show_table

    asked = {
        name: value
        for name, value in zip(SETTINGS, (lo, hi, hyst, sleep_s, period_ms, avg), strict=True)
        if value is not None
    }
    if not asked:
        raise SetupError("whatif: no setting given; expected at least one of --lo --hi --hyst --sleep --period --avg.")
    settings, store = opened()
    before, after = what_if_rows(store, deployment_of(settings, store), node, asked, now_at=now_utc())
    if as_json:
        show_json({"node": node, "now": before, "whatif": after})
        return
    keys = [key for key in after if isinstance(after[key], int | float | None) and not key.endswith(("_lo", "_hi"))]
    rows = [(key, before.get(key), after[key], after.get(f"{key}_lo"), after.get(f"{key}_hi")) for key in keys]
    show_table(("figure", "now", "then", "low", "high"), rows, title=f"{node}: {_change(asked)} ({after['method']})")


def _line(one: dict[str, Any]) -> tuple[Any, ...]:
    seen = one.get("events_seen")
    return (
        one["node"],
        one["remedy"],
        _change(one.get("set") or {}),
        one.get("wakes_per_day"),
        None if seen is None else f"{seen * 100:.0f} %",
        one.get("days_left_p10"),
        one.get("days_left_p50"),
        one.get("days_left_p90"),
        one.get("sentence"),
    )


def _change(settings: dict[str, Any]) -> str:
    return ", ".join(f"{name} {value:g}" for name, value in settings.items() if value is not None)


def _who() -> str:
    import getpass

    return getpass.getuser()
