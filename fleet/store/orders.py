"""Orders, releases and the audit chain as rows. Which moves are allowed is decided in `fleet.orders`, not here."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import msgspec
import pandas as pd
from sqlalchemy import insert, select, update

from fleet.frames import Columns
from fleet.orders import OPEN
from fleet.store.audit import Audited, append_audit, audit
from fleet.store.engine import Store
from fleet.store.insert import number_of
from fleet.store.results import SETTINGS, plain
from fleet.store.setup import node_id_of
from fleet.store.tables import ORDERS, RELEASES
from fleet.store.typed import typed_frame
from fleet.words import OrderState

__all__ = [
    "OPEN", "ORDER", "Audited", "add_draft", "add_order", "add_release", "highest_rev", "move_order", "move_release",
    "no_orders", "read_open_orders", "read_order", "read_orders", "read_releases",
]  # fmt: skip

ORDER: Columns = {
    "order_id": "int64", "node_id": "int32", "release_id": "float64", "stage": "float64", "rev": "float64",
    "kind": "str", "state": "str", "state_at": "float64", "lo": "float64", "hi": "float64", "hyst": "float64",
    "sleep_s": "float64", "period_ms": "float64", "avg": "float64", "trial_wakes": "float64", "issued": "float64",
    "until": "float64", "until_wake": "float64", "word": "str", "topic": "str", "digest": "str", "before": "str",
    "predicted": "str", "override_reason": "str", "override_by": "str", "drafted_by": "str", "detail": "str",
}  # fmt: skip
"""One row an order; the sealed bytes are read one at a time."""


def no_orders() -> pd.DataFrame:
    """A frame of orders without any."""
    return typed_frame([], ORDER)


def read_orders(
    store: Store,
    *,
    states: Iterable[str] | None = None,
    node_ids: Iterable[int] | None = None,
    release_id: int | None = None,
) -> pd.DataFrame:
    """Orders as a frame, oldest first."""
    query = select(*(ORDERS.c[name] for name in ORDER)).order_by(ORDERS.c.order_id)
    if states is not None:
        query = query.where(ORDERS.c.state.in_([str(state) for state in states]))
    if node_ids is not None:
        query = query.where(ORDERS.c.node_id.in_([int(node_id) for node_id in node_ids]))
    if release_id is not None:
        query = query.where(ORDERS.c.release_id == release_id)
    with store.read() as conn:
        return typed_frame([tuple(row) for row in conn.execute(query)], ORDER)


def read_open_orders(store: Store) -> pd.DataFrame:
    """The orders that are open now, one a node."""
    return read_orders(store, states=OPEN)


def read_order(store: Store, order_id: int) -> dict[str, Any] | None:
    """One order with its sealed bytes; None if there is none."""
    with store.read() as conn:
        found = conn.execute(select(ORDERS).where(ORDERS.c.order_id == order_id)).first()
        return None if found is None else dict(found._mapping)


def add_order(store: Store, values: Mapping[str, Any], *, audited: Audited | None = None) -> int:
    """Keep a new order, and its audit row in the same transaction; its number."""
    with store.write() as conn:
        audit(conn, audited)
        return number_of(conn.execute(insert(ORDERS).values(dict(values))))


def add_draft(
    store: Store,
    node: str,
    settings: Mapping[str, Any],
    *,
    predicted: Mapping[str, Any],
    drafted_by: str,
    at_s: float,
) -> int:
    """Keep a drafted retune of a node; its number. It goes nowhere before it is released.

    Raises
    ------
    SetupError
        If there is no such node.
    """
    values = {"kind": "settings", "state": str(OrderState.DRAFTED), "state_at": at_s, "drafted_by": drafted_by}
    values |= {name: plain(settings.get(name)) for name in SETTINGS}
    values["predicted"] = msgspec.json.encode({name: plain(value) for name, value in predicted.items()}).decode()
    with store.write() as conn:
        number = number_of(conn.execute(insert(ORDERS).values(values | {"node_id": node_id_of(conn, node)})))
        body = {"order": number, "node": node, "set": {name: values[name] for name in SETTINGS}}
        append_audit(conn, at=at_s, who=drafted_by, what="draft", body=body)
        return number


def move_order(
    store: Store, order_id: int, *, was: str, values: Mapping[str, Any], audited: Audited | None = None
) -> bool:
    """Write a move; False if the order is no longer in the state it was read in, and nothing is written then."""
    query = update(ORDERS).where(ORDERS.c.order_id == order_id, ORDERS.c.state == str(was))
    with store.write() as conn:
        moved = conn.execute(query.values(dict(values))).rowcount == 1
        audit(conn, audited if moved else None)
        return moved


def highest_rev(store: Store, node_id: int) -> int:
    """The highest `rev` ever given to a node; 0 if none."""
    with store.read() as conn:
        revs = conn.execute(select(ORDERS.c.rev).where(ORDERS.c.node_id == node_id, ORDERS.c.rev.is_not(None)))
        return max((int(rev) for rev in revs.scalars()), default=0)


def add_release(store: Store, values: Mapping[str, Any], *, audited: Audited | None = None) -> int:
    """Keep a new staged release, and its audit row in the same transaction; its number."""
    with store.write() as conn:
        audit(conn, audited)
        return number_of(conn.execute(insert(RELEASES).values(dict(values))))


def move_release(
    store: Store, release_id: int, *, was: str, values: Mapping[str, Any], audited: Audited | None = None
) -> bool:
    """Write a release's move; False if it is no longer in the state it was read in."""
    query = update(RELEASES).where(RELEASES.c.release_id == release_id, RELEASES.c.state == was)
    with store.write() as conn:
        moved = conn.execute(query.values(dict(values))).rowcount == 1
        audit(conn, audited if moved else None)
        return moved


def read_releases(store: Store) -> list[dict[str, Any]]:
    """All releases, newest first."""
    with store.read() as conn:
        return [dict(row._mapping) for row in conn.execute(select(RELEASES).order_by(RELEASES.c.release_id.desc()))]
