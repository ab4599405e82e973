"""Commands for the field: visits planned and done, a battery swapped, a wrong entry undone."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, time
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    import pandas as pd

    from fleet.settings import Settings
    from fleet.store.engine import Store

visits = typer.Typer(help="Visits, planned and done.", no_args_is_help=True)
NOON = time(12)


def register(app: typer.Typer) -> None:
    """Mount the commands."""
    app.add_typer(visits, name="visits")
    app.command()(swap)


@visits.command("add")
def add(
    sites: Annotated[list[str], typer.Argument(help="Sites of the round.")],
    on: Annotated[str, typer.Option(help="The day, e.g. 2026-12-09.")],
    note: Annotated[str, typer.Option(help="What is planned.")] = "",
) -> None:
    """Plan a round: one or more sites on one day.

    Example: wakeledger visits add 'Dyke end' 'Elm ferry' --on 2026-12-09
    """
    _tell_visits(sites, on, note)


@visits.command("done")
def done(
    sites: Annotated[list[str], typer.Argument(help="Sites that were visited.")],
    on: Annotated[str | None, typer.Option(help="The day; without it, today.")] = None,
    instead_of: Annotated[str | None, typer.Option(help="The planned day that this visit stands for.")] = None,
    note: Annotated[str, typer.Option(help="What was done.")] = "",
) -> None:
    """Tell that a visit took place.

    Example: wakeledger visits done 'Dyke end' --on 2026-12-08 --instead-of 2026-12-09
    """
    if instead_of is not None:
        _drop(sites, instead_of)
    _tell_visits(sites, on, note)


@visits.command("drop")
def drop(
    sites: Annotated[list[str], typer.Argument(help="Sites of the visit.")],
    on: Annotated[str, typer.Option(help="The day it was planned for.")],
) -> None:
    """Take back a visit that will not take place, or was told wrongly.

    Example: wakeledger visits drop 'Dyke end' --on 2026-12-09
    """
    typer.echo(f"{_drop(sites, on)} entries taken back.", err=True)


@visits.command("list")
def list_(
    as_json: Annotated[bool, typer.Option("--json", help="JSON instead of a table.")] = False,
    all_: Annotated[bool, typer.Option("--all", help="Past visits too.")] = False,
) -> None:
    """Visits by day, planned ones first to come.

    Example: wakeledger visits list --json
    """
    from fleet.clock import present_s
    from fleet.store.for_report import told_events
    from reports.dates import local_day, zone_of
    from reports.say import shown

    settings, store = _opened(readonly=True)
    with store:
        told = told_events(store, "visit")
    zone, today = zone_of(settings.report.timezone), local_day(present_s(), zone_of(settings.report.timezone))
    rounds: dict[tuple[str, str], dict[str, Any]] = {}
    for event in told:
        day = local_day(float(event["at"]), zone)
        if all_ or day >= today:
            site = str(event["site"] or "–")
            fresh = {
                "day": day.isoformat(),
                "site": site,
                "planned": day > today,
                "nodes": 0,
                "note": event["note"] or "",
            }
            found = rounds.setdefault((day.isoformat(), site), fresh)
            found["nodes"] += 1
    rows = [rounds[key] for key in sorted(rounds)]
    if as_json:
        typer.echo(json.dumps({"schema": "wakeledger.visits/1", "visits": rows}, ensure_ascii=False, indent=2))
        return
    from reports.as_text import text_table

    columns = ["day", "site", "planned", "nodes", "note"]
    cells = [[shown(str(row[name])) for name in columns] for row in rows]
    typer.echo("\n".join(line[2:] for line in text_table(columns, cells)))


def swap(
    node: Annotated[str, typer.Argument(help="The node whose battery was changed.")],
    at: Annotated[str | None, typer.Option(help="When, e.g. 2026-11-24T10:30; without it, now.")] = None,
    cells: Annotated[str | None, typer.Option(help="Cell type that is in it now, if another one.")] = None,
    note: Annotated[str, typer.Option(help="What was seen or done.")] = "",
    undo: Annotated[bool, typer.Option("--undo", help="Take back the last swap told for this node.")] = False,
) -> None:
    """Tell that a node's battery was changed; its estimate starts anew from there.

    Never mix types or ages of cells; follow the maker's and local rules for their disposal.

    Example: wakeledger swap n017 --at 2026-11-24T10:30 --note 'two alkaline, seal renewed'
    """
    from fleet.clock import now_s, present_s
    from fleet.errors import SetupError
    from fleet.profiles.chemistry import load_chemistry
    from fleet.store.for_report import told_events
    from fleet.store.setup import add_event, adopt_node, undo_event

    settings, store = _opened()
    with store:
        if undo:
            told = told_events(store, "swap", node=node)
            if not told:
                raise SetupError(
                    f"{node}: no swap is told of it; expected one to take back. See `wakeledger visits list`."
                )
            undo_event(store, int(told[-1]["event_id"]))
            typer.echo(f"{node}: the swap of {_shown_at(float(told[-1]['at']), settings)} is taken back.", err=True)
            return
        if cells is not None:
            load_chemistry(cells)
        at_s = _moment(at, settings) if at else present_s()
        number = add_event(store, node, "swap", at_s=at_s, note=note or None, told_by=_who(), told_at_s=now_s())
        if cells is not None:
            adopt_node(store, node, {"chemistry": cells})
    typer.echo(
        f"{node}: swap no. {number} at {_shown_at(at_s, settings)}. `wakeledger swap {node} --undo` takes it back.",
        err=True,
    )


def _opened(*, readonly: bool = False) -> tuple[Settings, Store]:
    """Settings and the store that they name."""
    from fleet.settings import load_settings
    from fleet.store.engine import open_store

    settings = load_settings()
    return settings, open_store(settings.database_url, readonly=readonly)


def _tell_visits(sites: list[str], on: str | None, note: str) -> None:
    from fleet.clock import now_s
    from fleet.store.setup import add_event

    settings, store = _opened()
    with store:
        at_s = _noon(on, settings)
        for site, nodes in _nodes_of(store, sites).items():
            for node in nodes:
                add_event(store, node, "visit", at_s=at_s, note=note or None, told_by=_who(), told_at_s=now_s())
            typer.echo(f"{site}: visit {_shown_at(at_s, settings)[:10]}, {len(nodes)} nodes.", err=True)


def _drop(sites: list[str], on: str) -> int:
    from fleet.store.for_report import told_events
    from fleet.store.setup import undo_event
    from reports.dates import local_day, zone_of

    settings, store = _opened()
    with store:
        _nodes_of(store, sites)
        zone = zone_of(settings.report.timezone)
        found = [
            event
            for event in told_events(store, "visit")
            if event["site"] in sites and local_day(float(event["at"]), zone) == _day(on)
        ]
        return sum(undo_event(store, int(event["event_id"])) for event in found)


def _nodes_of(store: Store, sites: list[str]) -> dict[str, list[str]]:
    """Nodes at these sites, retired ones left out."""
    import difflib

    from fleet.errors import SetupError
    from fleet.store.setup import read_nodes

    nodes: pd.DataFrame = read_nodes(store)
    active = nodes[~nodes["retired"].astype(bool)]
    by_site = {str(site): [str(name) for name in names] for site, names in active.groupby("site")["node"]}
    for site in sites:
        if site not in by_site:
            near = difflib.get_close_matches(site, by_site, 1)
            hint = f" Did you mean {near[0]!r}?" if near else ""
            raise SetupError(
                f"{site!r}: no site of that name; expected one of the node list's.{hint} See `wakeledger nodes`."
            )
    return {site: by_site[site] for site in sites}


def _day(text: str) -> date:
    from fleet.errors import SetupError

    try:
        return date.fromisoformat(text)
    except ValueError as why:
        raise SetupError(f"{text!r}: not a day; expected e.g. 2026-12-09.") from why


def _noon(on: str | None, settings: Settings) -> float:
    from fleet.clock import present_s
    from reports.dates import local_day, zone_of

    zone = zone_of(settings.report.timezone)
    day = _day(on) if on else local_day(present_s(), zone)
    return (
        min(datetime.combine(day, NOON, zone).timestamp(), present_s())
        if on is None
        else datetime.combine(day, NOON, zone).timestamp()
    )


def _moment(text: str, settings: Settings) -> float:
    from fleet.errors import SetupError
    from reports.dates import zone_of

    try:
        at = datetime.fromisoformat(text)
    except ValueError as why:
        raise SetupError(f"--at {text!r}: not a moment; expected e.g. 2026-11-24T10:30.") from why
    return (at if at.tzinfo else at.replace(tzinfo=zone_of(settings.report.timezone))).timestamp()


def _shown_at(at_s: float, settings: Settings) -> str:
    from reports.dates import zone_of

    return f"{datetime.fromtimestamp(at_s, UTC).astimezone(zone_of(settings.report.timezone)):%Y-%m-%d %H:%M %Z}"


def _who() -> str:
    import getpass

    return getpass.getuser()
