"""Small reads that only a report needs: moments of past analyses, counts, told visits with their numbers."""

from __future__ import annotations

from typing import Any

from sqlalchemy import func, select

from fleet.store.engine import Store
from fleet.store.tables import ESTIMATES, EVENTS, NODES, ORDERS, SET_ASIDE

UNDONE = ("refused", "lapsed", "overtaken", "put_back", "lost")
"""States in which an order no longer holds at its node."""


def analysed_at(store: Store) -> list[float]:
    """Moments of all analyses that are kept, oldest first."""
    with store.read() as conn:
        return [
            float(at) for at in conn.execute(select(ESTIMATES.c.as_of).distinct().order_by(ESTIMATES.c.as_of)).scalars()
        ]


def set_aside_count(store: Store, since_s: float, until_s: float) -> int:
    """How many payloads that arrived in this time were set aside and never mended."""
    query = select(func.count()).select_from(SET_ASIDE).where(SET_ASIDE.c.retried == 0)
    with store.read() as conn:
        found = conn.execute(query.where(SET_ASIDE.c.arrived >= since_s, SET_ASIDE.c.arrived < until_s))
        return int(found.scalar_one())


def overrides_count(store: Store) -> int:
    """How many orders went past a limit because somebody said so."""
    with store.read() as conn:
        query = select(func.count()).select_from(ORDERS).where(ORDERS.c.override_reason.is_not(None))
        return int(conn.execute(query).scalar_one())


def overrides(store: Store) -> list[dict[str, Any]]:
    """Orders past a limit by override that are on their way or in force, newest first: node, text, since [s]."""
    query = select(NODES.c.node, ORDERS.c.override_reason.label("text"), ORDERS.c.state_at.label("since"))
    query = query.join(NODES, NODES.c.node_id == ORDERS.c.node_id).where(
        ORDERS.c.override_reason.is_not(None), ORDERS.c.state.not_in(UNDONE)
    )
    with store.read() as conn:
        return [dict(row._mapping) for row in conn.execute(query.order_by(ORDERS.c.state_at.desc(), NODES.c.node))]


def told_events(store: Store, what: str, *, node: str | None = None) -> list[dict[str, Any]]:
    """Events of one kind that were not undone, oldest first: event_id, node, site, at, note, told_by."""
    columns = (EVENTS.c.event_id, NODES.c.node, NODES.c.site, EVENTS.c.at, EVENTS.c.note, EVENTS.c.told_by)
    query = select(*columns).join(NODES, NODES.c.node_id == EVENTS.c.node_id)
    query = query.where(EVENTS.c.what == what, EVENTS.c.undone == 0)
    if node is not None:
        query = query.where(NODES.c.node == node)
    with store.read() as conn:
        return [dict(row._mapping) for row in conn.execute(query.order_by(EVENTS.c.at, EVENTS.c.event_id))]
