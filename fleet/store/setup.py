"""What people told: nodes, events, notes, muted flags."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from typing import Any

import pandas as pd
from sqlalchemy import Connection, delete, insert, select, update

from fleet.errors import SetupError
from fleet.frames import EVENT, NODE
from fleet.store.audit import append_audit
from fleet.store.engine import Store
from fleet.store.insert import number_of
from fleet.store.results import plain, rows_of
from fleet.store.tables import EVENTS, MUTES, NODES, NOTES
from fleet.store.typed import typed_frame

TOLD = tuple(name for name in NODE if name not in ("node_id", "known", "retired"))
KEPT_BESIDE = ("key_file", "note")
FROM_FILE = "visits file"


def read_nodes(store: Store) -> pd.DataFrame:
    """NODE frame of every node heard or told, with `key_file`, `note` and `first_heard`, by node_id."""
    columns = {**NODE, "key_file": "str", "note": "str", "first_heard": "float64"}
    with store.read() as conn:
        rows = conn.execute(select(*(NODES.c[name] for name in columns)).order_by(NODES.c.node_id))
        return typed_frame([tuple(row) for row in rows], columns)


def node_id_of(conn: Connection, node: str) -> int:
    """The number of a node.

    Raises
    ------
    SetupError
        If there is no such node; it names the nearest.
    """
    found = conn.execute(select(NODES.c.node_id).where(NODES.c.node == node)).scalar()
    if found is None:
        near = difflib.get_close_matches(node, conn.execute(select(NODES.c.node)).scalars().all(), 1)
        hint = f"Did you mean {near[0]}?" if near else "See `wakeledger nodes`."
        raise SetupError(f"{node}: no such node, neither heard nor in the node list. {hint}")
    return int(found)


def node_ids(conn: Connection) -> dict[str, int]:
    """The number of every node by its name."""
    return {str(row.node): int(row.node_id) for row in conn.execute(select(NODES.c.node, NODES.c.node_id))}


def write_nodes(store: Store, nodes: pd.DataFrame) -> None:
    """Take a node list into the store: nodes told are known from now on, others stay as they are."""
    with store.write() as conn:
        _write_nodes(conn, nodes)


def _write_nodes(conn: Connection, nodes: pd.DataFrame) -> None:
    known = node_ids(conn)
    for row in rows_of(nodes):
        values = {name: plain(row.get(name)) for name in (*TOLD, *KEPT_BESIDE) if name in row}
        values = {name: None if value == "" else value for name, value in values.items()}
        values |= {"known": 1, "retired": int(bool(row.get("retired", False)))}
        if row["node"] in known:
            conn.execute(update(NODES).where(NODES.c.node_id == known[row["node"]]).values(values))
        else:
            conn.execute(insert(NODES).values(values))


def sync_nodes(store: Store, nodes: pd.DataFrame, events: pd.DataFrame) -> None:
    """Make the store say what the set-up files say: their nodes known, their visits in place of those read before.

    `events` name nodes by the `node_id` of `nodes`, which is not the store's.
    """
    name_of = {int(row["node_id"]): row["node"] for row in rows_of(nodes)}
    with store.write() as conn:
        _write_nodes(conn, nodes)
        conn.execute(delete(EVENTS).where(EVENTS.c.told_by == FROM_FILE))
        ids = node_ids(conn)
        for row in rows_of(events):
            at = float(row["at"])
            values = {"node_id": ids[name_of[int(row["node_id"])]], "at": at, "what": row["what"], "note": row["note"]}
            conn.execute(insert(EVENTS).values(values | {"told_at": at, "told_by": FROM_FILE}))


def adopt_node(store: Store, node: str, values: dict[str, Any]) -> None:
    """Take a node that was only heard into the list; `values` are columns of NODE.

    Raises
    ------
    SetupError
        If there is no such node.
    """
    with store.write() as conn:
        node_id = node_id_of(conn, node)
        told = {name: value for name, value in values.items() if name in (*TOLD, *KEPT_BESIDE) and name != "node"}
        conn.execute(update(NODES).where(NODES.c.node_id == node_id).values(told | {"known": 1}))


def read_events(store: Store) -> pd.DataFrame:
    """EVENT frame of all that was told and not undone, in order of time; a retirement marks its node too."""
    query = select(*(EVENTS.c[name] for name in EVENT)).where(EVENTS.c.undone == 0, EVENTS.c.node_id.is_not(None))
    with store.read() as conn:
        rows = conn.execute(query.order_by(EVENTS.c.at, EVENTS.c.event_id))
        return typed_frame([tuple(row) for row in rows], EVENT)


def add_event(
    store: Store, node: str, what: str, *, at_s: float, note: str | None, told_by: str | None, told_at_s: float
) -> int:
    """Keep what a person told of a node, and return its number, by which it can be undone.

    Raises
    ------
    SetupError
        If there is no such node.
    """
    with store.write() as conn:
        node_id = node_id_of(conn, node)
        values = {"node_id": node_id, "at": at_s, "what": str(what), "note": note}
        made = conn.execute(insert(EVENTS).values(values | {"told_at": told_at_s, "told_by": told_by}))
        if str(what) == "retired":
            conn.execute(update(NODES).where(NODES.c.node_id == node_id).values(retired=1))
        return number_of(made)


def undo_event(store: Store, event_id: int) -> bool:
    """Take back what was told; False if there is no such event."""
    with store.write() as conn:
        found = conn.execute(select(EVENTS.c.node_id, EVENTS.c.what).where(EVENTS.c.event_id == event_id)).first()
        if found is None:
            return False
        conn.execute(update(EVENTS).where(EVENTS.c.event_id == event_id).values(undone=1))
        if found.what == "retired":
            conn.execute(update(NODES).where(NODES.c.node_id == found.node_id).values(retired=0))
        return True


def add_note(store: Store, node: str, text: str, *, told_by: str | None, at_s: float) -> int:
    """Keep a note on a node.

    Raises
    ------
    SetupError
        If there is no such node.
    """
    with store.write() as conn:
        values = {"node_id": node_id_of(conn, node), "at": at_s, "text": text, "told_by": told_by}
        return number_of(conn.execute(insert(NOTES).values(values)))


def read_notes(store: Store, node_ids: Iterable[int] | None = None) -> list[dict[str, Any]]:
    """Notes, newest first."""
    query = select(NOTES).order_by(NOTES.c.at.desc())
    if node_ids is not None:
        query = query.where(NOTES.c.node_id.in_([int(node_id) for node_id in node_ids]))
    with store.read() as conn:
        return [dict(row._mapping) for row in conn.execute(query)]


def add_mute(
    store: Store, node: str, flag: str, *, until_s: float | None, why: str, told_by: str | None, at_s: float
) -> int:
    """Quiet a flag of a node until a moment, or until it changes.

    Raises
    ------
    SetupError
        If there is no such node.
    """
    with store.write() as conn:
        values = {"node_id": node_id_of(conn, node), "flag": flag, "until": until_s, "why": why}
        append_audit(conn, at=at_s, who=told_by or "unknown", what="mute", body={"node": node} | values)
        return number_of(conn.execute(insert(MUTES).values(values | {"told_by": told_by, "told_at": at_s})))


def read_muted(store: Store, now_s: float) -> dict[tuple[int, str], float]:
    """Until when a flag has to have begun to be quiet now, by (node_id, flag); one that began later is another. [s]"""
    columns = (MUTES.c.node_id, MUTES.c.flag, MUTES.c.until, MUTES.c.told_at)
    query = select(*columns).where((MUTES.c.until.is_(None)) | (MUTES.c.until > now_s))
    quiet: dict[tuple[int, str], float] = {}
    with store.read() as conn:
        for node_id, flag, until, told_at in conn.execute(query):
            key = int(node_id), str(flag)
            quiet[key] = max(quiet.get(key, 0.0), float("inf") if until is not None else float(told_at))
    return quiet
