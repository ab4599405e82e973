"""What nodes have told moves their orders on: the one place where a record reaches the ledger."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

import msgspec
import pandas as pd

from fleet.jobs.deployment import Deployment
from fleet.jobs.drafts import NAMES, Known, pair_of, pair_text
from fleet.jobs.release import order_of, whole
from fleet.messages import BandSettings
from fleet.orders import Order, Proof, expire, refuse
from fleet.orders_ledger import NodeLedger, hear
from fleet.store.answers import read_refused
from fleet.store.audit import Audited
from fleet.store.engine import Store
from fleet.store.orders import move_order, read_orders
from fleet.store.results import rows_of
from fleet.units import S_PER_D
from fleet.words import OrderState

LATE_D = 30.0

LIVE = (
    OrderState.SEALED, OrderState.POSTED, OrderState.ON_TRIAL, OrderState.IN_FORCE, OrderState.UNSURE,
    OrderState.LAPSED,
)  # fmt: skip
"""States that a record can change; one that lapsed may have been taken in time."""


def read_live(store: Store, now_at: datetime) -> pd.DataFrame:
    """Sealed orders that a record may still change; one that lapsed counts for a month."""
    rows = read_orders(store, states=LIVE)
    late = rows["state"].eq(str(OrderState.LAPSED)) & (rows["state_at"] < now_at.timestamp() - LATE_D * S_PER_D)
    return rows[rows["rev"].notna() & ~late]


def observe_all(store: Store, known: Known, deployment: Deployment, *, now_at: datetime) -> list[Order]:
    """Move every open or running order by its node's newest record; the orders that moved."""
    rows = read_live(store, now_at).merge(deployment.nodes[["node_id", "node"]], on="node_id")
    retired, refused = _retired_words(store), read_refused(store)
    moved = []
    for row in rows_of(rows[rows["kind"] == "settings"]):
        order = order_of(row)
        told = known.latest.get(order.node)
        after = expire(order, now=now_at.timestamp(), life_wakes=_life(told))
        if told is not None and not pd.isna(told.get("rev")) and float(told["last_heard"]) >= order.issued:
            heard = NodeLedger(node=order.node, orders=(after,), retired=retired.get(int(row["node_id"]), frozenset()))
            after = hear(heard, _proof(told)).orders[0]
        no = refused.get((int(row["node_id"]), order.rev))
        if no is not None and no[0] >= order.issued:
            after = refuse(after, at=no[0], why=no[1])
        if after.state is not order.state:
            _write_move(store, row, order, after)
            moved.append(after)
    return moved


def _retired_words(store: Store) -> dict[int, frozenset[str]]:
    """Flash words that a node has given up: those of its lost orders. What they still say comes late."""
    lost = read_orders(store, states=[OrderState.LOST])
    return {int(str(node_id)): frozenset(rows["word"].str.lower()) for node_id, rows in lost.groupby("node_id")}


def _write_move(store: Store, row: Mapping[str, Any], before: Order, after: Order) -> None:
    values = {
        "state": str(after.state),
        "state_at": after.state_at,
        "detail": "; ".join(filter(None, (pair_text(pair_of(row)), after.detail))),
    }
    body = {"node": after.node, "rev": after.rev, "from": str(before.state), "to": str(after.state)}
    told = Audited(after.state_at, "records", "move", body | {"why": after.detail})
    move_order(store, int(row["order_id"]), was=before.state, values=values, audited=told)


def _proof(told: Mapping[str, Any]) -> Proof:
    values: dict[str, Any] = {name: None if pd.isna(told[name]) else whole(name, told[name]) for name in NAMES}
    values |= {"rev": int(told["rev"]), "seen": None if pd.isna(told["seen"]) else int(told["seen"])}
    values |= {"digest": str(told["digest"]) if told["digest"] else None, "trial": bool(told["trial"] == 1)}
    settings = msgspec.convert(values, BandSettings)
    return Proof(at=float(told["last_heard"]), settings=settings, word=str(told["word"]) if told["word"] else None)


def _life(told: Mapping[str, Any] | None) -> int | None:
    value = None if told is None else told.get("life_wakes")
    return None if value is None or pd.isna(value) else int(value)
