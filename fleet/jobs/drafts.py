"""Orders drafted from a person's wish or the tool's advice, and what the limits say of them."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import msgspec
import numpy as np
import pandas as pd

from fleet.errors import OrderError
from fleet.jobs.deployment import Deployment
from fleet.messages import BandSettings
from fleet.orders_limits import Breach, NodeState, breaches
from fleet.settings import Settings
from fleet.store.audit import Audited
from fleet.store.days import read_days
from fleet.store.engine import Store
from fleet.store.findings import read_estimates, read_flags
from fleet.store.keys import read_keys
from fleet.store.latest import read_latest
from fleet.store.orders import OPEN, add_order, move_order, read_orders
from fleet.store.results import rows_of
from fleet.units import S_PER_H
from fleet.words import Flag, OrderState

PAIR = "never with "
NAMES = ("lo", "hi", "hyst", "sleep_s", "period_ms", "avg")
FAULTS_THAT_FORBID = (Flag.CLOCK_WRONG, Flag.IDS_CROSSED)


@dataclass(frozen=True)
class Known:
    """What is known of every node when orders are made, by node name."""

    latest: Mapping[str, Mapping[str, Any]]
    nodes: Mapping[str, Mapping[str, Any]]
    estimates: Mapping[int, Mapping[str, Any]]
    flags: Mapping[int, list[str]]
    days: Mapping[int, tuple[float, int]]
    usual_gap_s: Mapping[int, float]
    tries_mean: Mapping[int, float]
    keyed: frozenset[str]
    sent_last_hour_count: int


def known_of(store: Store, deployment: Deployment, settings: Settings, now_at: datetime) -> Known:
    """Read it once for any number of orders."""
    latest = read_latest(store)
    days = read_days(store, columns=("node_id", "day", "seen", "gap_max_s", "tries", "tries_count"))
    estimates = read_estimates(store)
    flags = read_flags(store)
    issued = read_orders(store)["issued"]
    return Known(
        latest={row["node"]: row for row in rows_of(latest)},
        nodes={row["node"]: row for row in rows_of(deployment.nodes)},
        estimates={int(row["node_id"]): row for row in rows_of(estimates)},
        flags=_flags_of(flags),
        days=_spans_of(days),
        usual_gap_s=_usual_gaps_s(days),
        tries_mean=_tries_mean(days),
        keyed=frozenset(read_keys(settings.keys_dir)),
        sent_last_hour_count=int((issued > now_at.timestamp() - S_PER_H).sum()),
    )


def _spans_of(days: pd.DataFrame) -> dict[int, tuple[float, int]]:
    """Records stored, and days from the first to the last, of each node."""
    spans = days.groupby("node_id", as_index=False).agg(
        seen=("seen", "sum"), first=("day", "min"), last=("day", "max")
    )  # fmt: skip
    return {int(row["node_id"]): (float(row["seen"]), int(row["last"] - row["first"]) + 1) for row in rows_of(spans)}


def _usual_gaps_s(days: pd.DataFrame) -> dict[int, float]:
    """The longest silence of a day that a node keeps to on 49 days of 50: its interval and its link together."""
    gaps = days.groupby("node_id", as_index=False).agg(gap_max_s=("gap_max_s", lambda gap_s: gap_s.quantile(0.98)))
    return {int(row["node_id"]): float(row["gap_max_s"]) for row in rows_of(gaps)}


def _tries_mean(days: pd.DataFrame) -> dict[int, float]:
    """Connection attempts a wake: how good the link is."""
    sums = days.groupby("node_id", as_index=False).agg(tries=("tries", "sum"), count=("tries_count", "sum"))
    return {int(row["node_id"]): float(row["tries"] / row["count"]) for row in rows_of(sums) if row["count"] > 0}


def _flags_of(flags: pd.DataFrame) -> dict[int, list[str]]:
    standing: dict[int, list[str]] = {}
    for row in rows_of(flags):
        standing.setdefault(int(row["node_id"]), []).append(str(row["flag"]))
    return standing


def present_settings(known: Known, node: str) -> BandSettings:
    """What a node runs: what its newest record told, else what the node list says.

    Raises
    ------
    OrderError
        If there is no such node.
    """
    if node not in known.nodes:
        raise OrderError(f"{node}: no such node. See `wakeledger nodes`.")
    told, listed = known.latest.get(node, {}), known.nodes[node]
    values = {name: _first_known(told.get(name), listed.get(name)) for name in NAMES}
    rev = _first_known(told.get("rev"), 0.0)
    return msgspec.convert({**values, "rev": int(rev or 0)}, BandSettings, strict=False)


def draft(
    store: Store,
    known: Known,
    node: str,
    change: Mapping[str, float | int | None],
    *,
    drafted_by: str,
    now_at: datetime,
    predicted: Mapping[str, Any] | None = None,
    never_with: str | None = None,
) -> int:
    """Keep one draft with the whole settings; its number. An earlier draft of the node that was not sent is overtaken.

    `never_with` names the node that must not be on trial at the same time.

    Raises
    ------
    OrderError
        If there is no such node, a setting can't be filled in, or nothing would change.
    """
    before = present_settings(known, node)
    wanted = msgspec.structs.replace(before, rev=0, **{k: v for k, v in change.items() if v is not None})
    missing = [name for name in NAMES if getattr(wanted, name) is None]
    if missing:
        raise OrderError(
            f"{node}: {missing[0]} is not known, neither told nor listed. Write it into nodes.csv or give it."
        )
    if all(getattr(wanted, name) == getattr(before, name) for name in NAMES):
        raise OrderError(f"{node}: these are the settings it runs already. Nothing to draft.")
    node_id = int(known.nodes[node]["node_id"])
    at = now_at.timestamp()
    values = {name: getattr(wanted, name) for name in NAMES}
    row = {
        "node_id": node_id, "kind": "settings", "state": str(OrderState.DRAFTED), "state_at": at, **values,
        "before": json.dumps(msgspec.to_builtins(before)), "drafted_by": drafted_by,
        "predicted": json.dumps(predicted, default=str) if predicted else None, "detail": pair_text(never_with) or None,
    }  # fmt: skip
    if never_with is not None and (never_with == node or never_with not in known.nodes):
        raise OrderError(f"{node}: never with {never_with}: expected another node. See `wakeledger nodes`.")
    _overtake(store, node, node_id, at, drafted_by)
    return add_order(store, row, audited=Audited(at, drafted_by, "draft", {"node": node, "set": values}))


def _overtake(store: Store, node: str, node_id: int, at: float, who: str) -> None:
    """One draft a node: an earlier one that nobody sent is overtaken; one that waits in a release is left alone."""
    for row in rows_of(read_orders(store, states=[OrderState.DRAFTED], node_ids=[node_id])):
        if not pd.isna(row["release_id"]):
            raise OrderError(
                f"{node}: has a draft waiting in release {row['release_id']:.0f}. Wait, or `wakeledger retune hold` it."
            )
        values = {"state": str(OrderState.OVERTAKEN), "state_at": at, "detail": "drafted anew"}
        told = Audited(at, who, "overtake", {"node": node, "order": int(row["order_id"])})
        move_order(store, int(row["order_id"]), was=OrderState.DRAFTED, values=values, audited=told)


def pair_text(node: str | None) -> str:
    """How a declared pair stands in an order's detail.

    >>> pair_text("n002"), pair_of({"detail": "never with n002; it is late"}), pair_of({"detail": None})
    ('never with n002', 'n002', None)
    """
    return f"{PAIR}{node}" if node else ""


def pair_of(row: Mapping[str, Any]) -> str | None:
    """The node that must not be on trial at the same time; None if none was declared."""
    detail = str(row.get("detail") or "")
    return detail[len(PAIR) :].partition(";")[0] if detail.startswith(PAIR) else None


def draft_former(
    store: Store, deployment: Deployment, settings: Settings, node: str, *, drafted_by: str, now_at: datetime
) -> int:
    """A draft with the settings that a node had before its last order.

    Raises
    ------
    OrderError
        If no order of it is known.
    """
    known = known_of(store, deployment, settings, now_at)
    if node not in known.nodes:
        raise OrderError(f"{node}: no such node. See `wakeledger nodes`.")
    rows = rows_of(read_orders(store, node_ids=[int(known.nodes[node]["node_id"])]))
    former = next((json.loads(row["before"]) for row in rows[::-1] if row["before"] and row["rev"] == row["rev"]), None)
    if former is None:
        raise OrderError(f"{node}: no order of it is known, so nothing to put back. See `wakeledger retune list`.")
    change = {name: former.get(name) for name in NAMES}
    return draft(store, known, node, change, drafted_by=drafted_by, now_at=now_at)


def state_of(known: Known, node: str, wanted: BandSettings, predicted: Mapping[str, Any] | None) -> NodeState:
    """What the limits look at for one node."""
    told = known.latest.get(node, {})
    node_id = int(known.nodes[node]["node_id"])
    estimate = known.estimates.get(node_id, {})
    seen, span = known.days.get(node_id, (0.0, 0))
    faults = [flag for flag in known.flags.get(node_id, []) if flag in FAULTS_THAT_FORBID]
    before = _number(estimate.get("drain_mah_per_day"))
    after = _number((predicted or {}).get("drain_mah_per_day"))
    return NodeState(
        node=node,
        now=present_settings(known, node),
        records_count=int(seen),
        span_d=float(span),
        open_faults=tuple(faults),
        loaded_mv=_number(told.get("batt_tx_mv")),
        days_left_p10=_number(estimate.get("days_left_p10")),
        drain_ratio_new=after / before if after is not None and before else None,
        wakes_per_d_new=_number((predicted or {}).get("wakes_per_day")),
        key_known=node in known.keyed,
        sent_last_hour_count=known.sent_last_hour_count,
        seen_settings=_number(told.get("set_id")) is not None,
    )


def breaches_of(known: Known, deployment: Deployment, settings: Settings, row: Mapping[str, Any]) -> list[Breach]:
    """What the limits say of one drafted row."""
    node = str(row["node"])
    profile = deployment.profiles.get(str(known.nodes[node]["profile"]))
    if profile is None:
        return [Breach("G8", f"{node}: G8: its profile is not known")]
    wanted = msgspec.convert({name: _number(row[name]) for name in NAMES}, BandSettings, strict=False)
    predicted = json.loads(row["predicted"]) if row.get("predicted") else None
    return breaches(wanted, state_of(known, node, wanted, predicted), profile, per_hour=settings.orders.per_hour)


def drafts(store: Store, deployment: Deployment) -> pd.DataFrame:
    """The drafted orders that nobody has sent yet, with node names."""
    found = named(read_orders(store, states=[OrderState.DRAFTED]), deployment)
    return found[found["release_id"].isna()]


def released_drafts(store: Store, deployment: Deployment, release_id: int) -> pd.DataFrame:
    """The drafts that wait for their group's turn in a release."""
    return named(read_orders(store, states=[OrderState.DRAFTED], release_id=release_id), deployment)


def named(orders: pd.DataFrame, deployment: Deployment) -> pd.DataFrame:
    """Orders with the names of their nodes and sites."""
    return orders.merge(deployment.nodes[["node_id", "node", "site"]], on="node_id", how="left")


def open_nodes(store: Store) -> set[int]:
    """Nodes that have an order open."""
    orders = read_orders(store, states=OPEN)
    return set(orders.loc[orders["kind"] == "settings", "node_id"].astype(int))


def _number(value: Any) -> float | None:
    return None if value is None or pd.isna(value) or not np.isfinite(value) else float(value)


def _first_known(*values: Any) -> float | None:
    return next((number for value in values if (number := _number(value)) is not None), None)
