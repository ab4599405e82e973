"""What the proof of past advice rests on: orders with what was promised, when each ran, and what people told wrong."""

from __future__ import annotations

import json
from typing import Any

import pandas as pd
from sqlalchemy import insert, select

from fleet.frames import Columns
from fleet.store.audit import append_audit
from fleet.store.engine import Store
from fleet.store.orders import read_orders
from fleet.store.results import rows_of
from fleet.store.setup import node_id_of, node_ids
from fleet.store.tables import AUDIT, NOTES
from fleet.store.typed import typed_frame
from fleet.words import OrderState

TOLD_WRONG = "advice_wrong"
RUNNING = {str(OrderState.ON_TRIAL), str(OrderState.IN_FORCE)}
RAN: Columns = {
    "order_id": "int64",
    "node_id": "int32",
    "rev": "float64",
    "issued": "float64",
    "since": "float64",  # first seen applied, seconds since 1970 UTC
    "until": "float64",  # no longer applied; NaN while it is
    "predicted": "str",  # JSON of the results contract's `whatif` form
}
"""One row an order that was applied and had a prediction."""

WRONG: Columns = {"node_id": "int32", "at": "float64", "reason": "str", "told_by": "str"}
"""One row an advice that a person told wrong."""


def tell_wrong(store: Store, node: str, reason: str, *, told_by: str, at_s: float) -> None:
    """Keep that the advice for a node was wrong: in the audit chain, and as a note on the node.

    Raises
    ------
    SetupError
        If there is no such node.
    """
    with store.write() as conn:
        note = {"node_id": node_id_of(conn, node), "at": at_s, "text": f"advice was wrong: {reason}"}
        conn.execute(insert(NOTES).values(note | {"told_by": told_by}))
        append_audit(conn, at=at_s, who=told_by, what=TOLD_WRONG, body={"node": node, "reason": reason})


def read_told_wrong(store: Store) -> pd.DataFrame:
    """WRONG frame of everything told wrong, oldest first."""
    query = select(AUDIT.c.at, AUDIT.c.who, AUDIT.c.body).where(AUDIT.c.what == TOLD_WRONG).order_by(AUDIT.c.n)
    with store.read() as conn:
        ids = node_ids(conn)
        told = [(json.loads(row.body), row) for row in conn.execute(query)]
    rows = [(ids[body["node"]], row.at, body["reason"], row.who) for body, row in told if body["node"] in ids]
    return typed_frame(rows, WRONG)


def read_ran(store: Store) -> pd.DataFrame:
    """RAN frame of orders that were applied and had a prediction, oldest first."""
    orders = read_orders(store)
    orders = orders[(orders["kind"] == "settings") & (orders["predicted"] != "")]
    if not len(orders):
        return typed_frame([], RAN)
    spans = _spans(store)
    rows = []
    for row in rows_of(orders):
        span = spans.get((int(row["node_id"]), row["rev"]))
        if span is None and row["state"] in RUNNING:
            span = (float(row["state_at"]), None)
        if span is not None and row["predicted"]:
            rows.append((row["order_id"], row["node_id"], row["rev"], row["issued"], *span, row["predicted"]))
    return typed_frame(rows, RAN)


def _spans(store: Store) -> dict[tuple[int, float], tuple[float, float | None]]:
    """From when to when each order was applied, by node and `rev`, as the audit chain tells its moves."""
    query = select(AUDIT.c.at, AUDIT.c.body).where(AUDIT.c.what == "move").order_by(AUDIT.c.n)
    spans: dict[tuple[int, float], tuple[float, float | None]] = {}
    with store.read() as conn:
        ids = node_ids(conn)
        for at, text in conn.execute(query):
            body: dict[str, Any] = json.loads(text)
            if body.get("node") not in ids or body.get("rev") is None:
                continue
            key = (ids[body["node"]], float(body["rev"]))
            begun = spans.get(key)
            if body.get("to") in RUNNING:
                spans[key] = begun if begun is not None and begun[1] is None else (float(at), None)
            elif begun is not None and begun[1] is None:
                spans[key] = (begun[0], float(at))
    return spans
