"""The retune scorecard: orders that ran, what was promised for them against what came, and what people told wrong."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pandas as pd

from fleet.advice.proof import COLUMNS, Scorecard, pooled, scorecard
from fleet.errors import SetupError
from fleet.estimates.fleet import estimate_fleet
from fleet.jobs.deployment import Deployment
from fleet.store.days import read_days
from fleet.store.engine import Store
from fleet.store.findings import read_estimates
from fleet.store.proofs import RAN, read_ran, read_told_wrong, tell_wrong
from fleet.store.reading import read_settings
from fleet.store.results import plain, rows_of
from fleet.units import S_PER_D

PROVEN_DAYS_LEAST = 3
PROMISED = {
    "wakes_per_day": ("wakes_per_day", "wakes_per_day_lo", "wakes_per_day_hi"),
    "drain_mah_per_day": ("drain_mah_per_day", "drain_mah_per_day_lo", "drain_mah_per_day_hi"),
    "days_left": ("days_left_p50", "days_left_p10", "days_left_p90"),
}


def wrong_told(store: Store, node: str, reason: str, *, told_by: str, now_at: datetime) -> None:
    """Keep that a person found the advice for a node wrong.

    Raises
    ------
    SetupError
        If no reason is given, or there is no such node.
    """
    if not reason.strip():
        raise SetupError(f"advise --wrong {node}: no reason; expected a sentence. Give it with --reason.")
    tell_wrong(store, node, reason.strip(), told_by=told_by, at_s=now_at.timestamp())


def wider_by_node(store: Store, nodes: pd.DataFrame, *, now_at: datetime) -> dict[int, float]:
    """Spread to add to predictions for each node, by how wrong those before were; empty while nothing is proven."""
    ran, wrong = read_ran(store), read_told_wrong(store)
    if not len(ran) and not len(wrong):
        return {}
    days = read_days(store)
    card = scorecard(_proven(ran, wrong, _wakes_real(ran, days, now_at), {}, {}))
    return {int(node_id): card.wider_log_sd.get(int(node_id), card.pooled_log_sd) for node_id in nodes["node_id"]}


def proof(store: Store, deployment: Deployment, *, now_at: datetime) -> Scorecard:
    """The scorecard of all orders that ran with a prediction, and of advice told wrong."""
    ran, days = read_ran(store), read_days(store)
    drain = _drain_real(ran, days, read_settings(store), deployment, now_at=now_at)
    life = _life_real(ran, read_estimates(store), now_at)
    return scorecard(_proven(ran, read_told_wrong(store), _wakes_real(ran, days, now_at), drain, life))


def proof_object(card: Scorecard, nodes: pd.DataFrame) -> dict[str, Any]:
    """The scorecard in plain values: one object an order, each figure pooled, and how much wider predictions are."""
    named = dict(zip(nodes["node_id"].astype(int), nodes["node"], strict=True))
    orders = [{"node": named.get(int(row["node_id"]))} | _plain_row(row) for row in rows_of(card.orders)]
    wider = {str(named[node_id]): value for node_id, value in card.wider_log_sd.items() if node_id in named}
    return {
        "orders": orders, "pooled": pooled(card.orders), "wider_log_sd": wider, "pooled_log_sd": card.pooled_log_sd,
    }  # fmt: skip


def _plain_row(row: Mapping[str, Any]) -> dict[str, Any]:
    kept = {name: value for name, value in row.items() if name not in ("node_id", "order_id")}
    return {name: value if isinstance(value, str | bool) else plain(value) for name, value in kept.items()}


def whole_days(row: Mapping[str, Any], now_at: datetime) -> tuple[int, int]:
    """First day and day after the last that an order ran through from midnight to midnight UTC."""
    until = now_at.timestamp() if np.isnan(row["until"]) else float(row["until"])
    return int(np.ceil(row["since"] / S_PER_D)), int(until // S_PER_D)


def _wakes_real(ran: pd.DataFrame, days: pd.DataFrame, now_at: datetime) -> dict[int, tuple[float, int]]:
    """Wakes a day, missing records counted in, and how many days they rest on, of each order with enough of them."""
    found = {}
    own = {int(str(node_id)): rows for node_id, rows in days.groupby("node_id")}
    for row in rows_of(ran):
        first, after = whole_days(row, now_at)
        mine = own.get(int(row["node_id"]))
        if mine is None:
            continue
        mine = mine[(mine["day"] >= first) & (mine["day"] < after)]
        if len(mine) >= PROVEN_DAYS_LEAST:
            wakes = float(mine["seen"].sum() + mine["missing"].fillna(0.0).sum())
            found[int(row["order_id"])] = (wakes / len(mine), len(mine))
    return found


def _drain_real(
    ran: pd.DataFrame, days: pd.DataFrame, settings: pd.DataFrame, deployment: Deployment, *, now_at: datetime
) -> dict[int, float]:
    """Drain over the whole days of each order; orders of the same days are worked out together."""
    spans: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for row in rows_of(ran):
        spans.setdefault(whole_days(row, now_at), []).append((int(row["order_id"]), int(row["node_id"])))
    found: dict[int, float] = {}
    for (first, after), pairs in spans.items():
        if after - first < PROVEN_DAYS_LEAST:
            continue
        ids = [node_id for _, node_id in pairs]
        estimates = estimate_fleet(
            days[days["node_id"].isin(ids)],
            deployment.nodes[deployment.nodes["node_id"].isin(ids)].reset_index(drop=True),
            deployment.profiles,
            deployment.events[deployment.events["node_id"].isin(ids)],
            as_of_at=datetime.fromtimestamp(after * S_PER_D, UTC),
            since_at=datetime.fromtimestamp(first * S_PER_D, UTC),
            settings=settings,
            chemistries=deployment.chemistries,
        )
        drain = dict(zip(estimates.nodes["node_id"], estimates.nodes["drain_mah_per_day"], strict=True))
        found |= {order_id: float(drain.get(node_id, np.nan)) for order_id, node_id in pairs}
    return found


def _life_real(ran: pd.DataFrame, estimates: pd.DataFrame, now_at: datetime) -> dict[int, float]:
    """Days from the prediction to the end as believed now, for orders that still run on the battery of then."""
    now = {int(row["node_id"]): row for row in rows_of(estimates)}
    found = {}
    for row in rows_of(ran[ran["until"].isna()]):
        one = now.get(int(row["node_id"]))
        begun = row["since"] if np.isnan(row["issued"]) else row["issued"]
        if one is None or (one["battery_from"] > begun) or now_at.timestamp() - row["since"] < 3 * S_PER_D:
            continue
        found[int(row["order_id"])] = (one["as_of"] - begun) / S_PER_D + one["days_left_p50"]
    return found


def _proven(
    ran: pd.DataFrame,
    wrong: pd.DataFrame,
    wakes: Mapping[int, tuple[float, int]],
    drain: Mapping[int, float],
    life: Mapping[int, float],
) -> pd.DataFrame:
    """The rows that the scorecard reads; an advice told wrong that was never ordered has a row of its own."""
    told = {}
    unordered = []
    for one in rows_of(wrong):
        before = ran[(ran["node_id"] == one["node_id"]) & (ran["since"] <= one["at"])]
        if len(before):
            told[int(before["order_id"].iloc[-1])] = one["reason"]
        else:
            unordered.append(_row({"node_id": one["node_id"]}, {}, reason=one["reason"]))
    rows = []
    for one in rows_of(ran):
        order_id = int(one["order_id"])
        real = {
            "wakes_per_day": wakes.get(order_id, (np.nan, 0))[0],
            "drain_mah_per_day": drain.get(order_id, np.nan),
            "days_left": life.get(order_id, np.nan),
        }
        named = {name: one[name] for name in ("order_id", "node_id", "rev", "since", "until", "predicted")}
        rows.append(_row(named | {"days": wakes.get(order_id, (0.0, 0))[1]}, real, reason=told.get(order_id, "")))
    columns = [*RAN, *COLUMNS[1:], "days", "reason"]
    return pd.DataFrame(rows + unordered, columns=columns).drop(columns=["predicted", "issued"])


def _row(named: Mapping[str, Any], real: Mapping[str, float], *, reason: str) -> dict[str, Any]:
    """One order with promised and realised figures."""
    promised = json.loads(named["predicted"]) if named.get("predicted") else {}
    row = {**named, "told_wrong": bool(reason), "reason": reason}
    for name, keys in PROMISED.items():
        for end, key in zip(("", "_lo", "_hi"), keys, strict=True):
            value = promised.get(key)
            row[name + end] = np.nan if value is None else float(value)
        row[f"{name}_real"] = real.get(name, np.nan)
    return row
