"""`wakeledger advise` and `wakeledger whatif`: which settings would serve better, and what any others would do."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from fleet.jobs.deployment import Deployment
    from fleet.store.engine import Store

COLUMNS = ("node", "remedy", "change", "wakes/day", "events seen", "days left P10", "P50", "P90", "why")
PROOF_COLUMNS = (
    "node", "rev", "since", "days", "wakes/day promised", "came", "held", "mAh/day promised", "came", "held",
    "days left promised", "came", "held", "told wrong",
)  # fmt: skip
RESERVE_COLUMNS = ("below charge", "timer interval s", "wakes/day", "mAh/day", "events seen")
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
    proof: Annotated[
        bool, typer.Option("--proof", help="Past orders instead: what was promised against what came.")
    ] = False,
    reserve: Annotated[
        str | None, typer.Option(help="Instead, the interval to fall to as this node's charge falls, until its visit.")
    ] = None,
    wrong: Annotated[str | None, typer.Option(help="Tell that the advice for this node was wrong.")] = None,
    reason: Annotated[str, typer.Option(help="Why it was wrong, with --wrong.")] = "",
    as_json: Annotated[bool, typer.Option("--json", help="JSON instead of a table.")] = False,
) -> None:
    """Propose at most one change a node: what it saves, and what it would miss.

    Example: wakeledger advise --site "North creek" --until 2027-03-01 --odds 0.9
    """
    from fleet.clock import now_utc
    from fleet.jobs.advice import advice_rows, draft_orders, target_of
    from fleet.jobs.opened import deployment_of, opened
    from fleet.show import show_json, show_table

    settings, store = opened(readonly=not (draft or wrong))
    if wrong is not None:
        _tell_wrong(store, wrong, reason)
        return
    deployment = deployment_of(settings, store)
    target = target_of(until, odds, wakes_per_day, now_at=now_utc())
    if proof:
        _show_proof(store, deployment, as_json=as_json)
        return
    if reserve is not None:
        _show_reserve(store, deployment, reserve, until_at=target.until_at, odds=odds, as_json=as_json)
        return
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


def _tell_wrong(store: Store, node: str, reason: str) -> None:
    from fleet.clock import now_utc
    from fleet.jobs.proof import wrong_told

    wrong_told(store, node, reason, told_by=_who(), now_at=now_utc())
    typer.echo(f"{node}: kept. Later predictions for it, and a little for all, are wider from the next analysis on.")


def _show_proof(store: Store, deployment: Deployment, *, as_json: bool) -> None:
    """The retune scorecard: one line an order, then each figure over all of them."""
    from fleet.clock import now_utc
    from fleet.jobs.proof import proof, proof_object
    from fleet.show import iso, show_json, show_table

    told = proof_object(proof(store, deployment, now_at=now_utc()), deployment.nodes)
    if as_json:
        show_json(told)
        return
    lines = []
    for one in told["orders"]:
        figures = [one[key] for name in ("wakes_per_day", "drain_mah_per_day", "days_left") for key in _ends(name)]
        since = None if one["since"] is None else iso(one["since"])
        lines.append((one["node"], one["rev"], since, one["days"], *figures, one["reason"] or None))
    show_table(PROOF_COLUMNS, lines, title=f"{len(lines)} orders that ran")
    for one in told["pooled"]:
        if one["proven"]:
            said = f"off by {one['median_error_frac']:.0%} (median)"
            held = "" if one["held_frac"] is None else f", {one['held_frac']:.0%} within their 80 % interval"
            typer.echo(f"{one['figure']}: {one['proven']} proven, {said}{held}", err=True)


def _ends(name: str) -> tuple[str, str, str]:
    return (name, f"{name}_real", f"{name}_held")


def _show_reserve(
    store: Store, deployment: Deployment, node: str, *, until_at: datetime | None, odds: float, as_json: bool
) -> None:
    """The reserve ladder of one node."""
    from dataclasses import asdict

    from fleet.clock import now_utc
    from fleet.jobs.reserve import reserve_of
    from fleet.show import iso, show_json, show_table

    told = reserve_of(store, deployment, node, until_at=until_at, odds=odds, now_at=now_utc())
    if as_json:
        show_json(asdict(told) | {"until": iso(told.until)})
        return
    lines = [
        (_percent(one["below_charge_left"]), one["sleep_s"], one["wakes_per_day"], one["drain_mah_per_day"],
         _percent(one["events_seen"]))
        for one in told.rungs
    ]  # fmt: skip
    now = "not known" if told.charge_left is None else f"{told.charge_left:.0%}"
    show_table(RESERVE_COLUMNS, lines, title=f"{node}: to live until {iso(told.until)} at odds {told.odds:g}")
    typer.echo(f"charge left now: {now}; {_rung_sentence(told.rung, len(told.rungs))}", err=True)


def _rung_sentence(rung: int, count: int) -> str:
    if not count:
        return "no longer interval within its limits."
    if not rung:
        return "it lasts at its present interval."
    return f"fall to line {rung} of {count}" + (", and even that may not last." if rung == count else ".")


def _percent(frac: float | None) -> str | None:
    return None if frac is None or frac != frac else f"{frac * 100:.0f} %"


def _line(one: dict[str, Any]) -> tuple[Any, ...]:
    seen = one.get("events_seen")
    return (
        one["node"],
        one["remedy"],
        _change(one.get("set") or {}),
        one.get("wakes_per_day"),
        _percent(seen),
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
