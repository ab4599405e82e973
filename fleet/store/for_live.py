"""What a live view asks the store beside the report: whether anything changed, and what came in of late."""

from __future__ import annotations

import hashlib
from typing import Any

import msgspec
from sqlalchemy import Connection, func, select

from fleet.store.engine import Store
from fleet.store.state import read_state
from fleet.store.tables import (
    ADVICES,
    AUDIT,
    EVENTS,
    LATEST,
    LINK_EVENTS,
    NODES,
    NOTES,
    ORDERS,
    RELEASES,
    SET_ASIDE,
    SETTINGS,
    STATE,
    WAKES,
)
from fleet.units import S_PER_H

Row = dict[str, Any]


def change_marks(store: Store) -> tuple[str, str]:
    """Two short texts: one that changes with findings and what people told, one with every arrival too."""
    with store.read() as conn:
        found = tuple(read_state(conn, str(name)) for name in ("last_analysis", "epoch"))
        told = (
            _one(conn, func.max(EVENTS.c.event_id), func.sum(EVENTS.c.undone)),
            _one(conn, func.count(NODES.c.node_id), func.sum(NODES.c.known), func.sum(NODES.c.retired)),
            _one(conn, func.max(ORDERS.c.order_id), func.max(ORDERS.c.state_at)),
            _one(conn, func.max(AUDIT.c.n)),
            _one(conn, func.max(RELEASES.c.release_id), func.max(RELEASES.c.stage_at)),
            _one(conn, func.max(NOTES.c.note_id)),
            _one(conn, func.count(STATE.c.name)),
        )
        heard = (
            _one(conn, func.max(LATEST.c.last_heard), func.sum(LATEST.c.t), func.sum(LATEST.c.seq)),
            _one(conn, func.max(SET_ASIDE.c.set_aside_id), func.sum(SET_ASIDE.c.retried)),
            _one(conn, func.max(LINK_EVENTS.c.link_event_id)),
        )
    slow = _digest((found, told))
    return slow, _digest((slow, heard))


def _one(conn: Connection, *asked: Any) -> tuple[Any, ...]:
    return tuple(conn.execute(select(*asked)).one())


def _digest(values: object) -> str:
    return hashlib.sha256(repr(values).encode()).hexdigest()[:16]


def newest_told(store: Store, since_s: float | None = None) -> list[Row]:
    """What each node told last, with the settings it told then; only of nodes heard since a moment, if one is given."""
    names = ("node_id", "last_heard", "cause", "reading", "batt_mv", "batt_tx_mv", "temp_c", "rssi_dbm", "need")
    settings = ("rev", "lo", "hi", "hyst", "sleep_s", "period_ms", "avg")
    query = select(*(LATEST.c[name] for name in names), *(SETTINGS.c[name] for name in settings)).outerjoin(
        SETTINGS, SETTINGS.c.set_id == LATEST.c.set_id
    )
    if since_s is not None:
        query = query.where(LATEST.c.last_heard >= since_s)
    return _rows(store, query)


def newest_order_states(store: Store) -> dict[int, str]:
    """The state of every node's newest order, by node_id; keep words are left out."""
    query = select(ORDERS.c.node_id, ORDERS.c.state).where(ORDERS.c.kind != "keep").order_by(ORDERS.c.order_id)
    with store.read() as conn:
        return {int(node_id): str(state) for node_id, state in conn.execute(query)}


def advice_curve(store: Store, node_id: int) -> list[Row]:
    """The choices weighed in the last advice of a node; none where there is no advice."""
    query = select(ADVICES.c.result).where(ADVICES.c.node_id == node_id).order_by(ADVICES.c.as_of.desc()).limit(1)
    with store.read() as conn:
        text = conn.execute(query).scalar()
    return [] if text is None else list(msgspec.json.decode(text).get("curve") or [])


def newest_set_aside(store: Store, limit: int = 50) -> list[Row]:
    """Payloads that wait, newest first."""
    query = select(SET_ASIDE).where(SET_ASIDE.c.retried == 0).order_by(SET_ASIDE.c.set_aside_id.desc()).limit(limit)
    return _rows(store, query)


def newest_link_events(store: Store, limit: int = 30) -> list[Row]:
    """What happened to the broker link, newest first."""
    return _rows(store, select(LINK_EVENTS).order_by(LINK_EVENTS.c.link_event_id.desc()).limit(limit))


def arrived_counts(store: Store, now_s: float, *, hours: int = 24) -> list[tuple[int, int]]:
    """Records by the hour they arrived in: hours ago, and how many. Those whose own time is older are not counted."""
    first = int(now_s // S_PER_H) - hours
    ago = func.floor((now_s - WAKES.c.arrived) / S_PER_H)
    query = select(ago, func.count()).where(WAKES.c.hour >= first, WAKES.c.arrived > now_s - hours * S_PER_H)
    with store.read() as conn:
        return [(int(back), int(count)) for back, count in conn.execute(query.group_by(ago).order_by(ago))]


def audit_of_orders(store: Store, limit: int = 400) -> list[Row]:
    """The newest rows of the audit chain: at, who, what, body as JSON text."""
    query = select(AUDIT.c.n, AUDIT.c.at, AUDIT.c.who, AUDIT.c.what, AUDIT.c.body)
    return _rows(store, query.order_by(AUDIT.c.n.desc()).limit(limit))


def _rows(store: Store, query: Any) -> list[Row]:
    with store.read() as conn:
        return [dict(row._mapping) for row in conn.execute(query)]


def settings_history(store: Store, node_id: int) -> list[Row]:
    """Every distinct settings that a node reported, oldest first, with the moment it was first seen."""
    return _rows(store, select(SETTINGS).where(SETTINGS.c.node_id == node_id).order_by(SETTINGS.c.first_at))


def events_of(store: Store, node_id: int) -> list[Row]:
    """What was told of a node and not undone, newest first."""
    return _rows(
        store, select(EVENTS).where(EVENTS.c.node_id == node_id, EVENTS.c.undone == 0).order_by(EVENTS.c.at.desc())
    )
