"""Single values kept in the database: the roll-up's epoch, the fleet's id, digests."""

from __future__ import annotations

from sqlalchemy import Connection, select

from fleet.store.insert import upsert
from fleet.store.tables import STATE


def read_state(conn: Connection, name: str) -> str | None:
    """The value kept under a name; None if there is none."""
    found = conn.execute(select(STATE.c.value).where(STATE.c.name == name)).scalar()
    return None if found is None else str(found)


def write_state(conn: Connection, name: str, value: str) -> None:
    """Keep a value under a name."""
    upsert(conn, STATE, ("name", "value"), [(name, value)])
