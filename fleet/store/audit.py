"""The audit chain as rows: appended in the transaction of what it tells, never changed."""

from __future__ import annotations

from collections.abc import Iterator

from sqlalchemy import Connection, insert, select

from fleet.orders_audit import AuditRow, next_row
from fleet.store.engine import Store
from fleet.store.tables import AUDIT


def append_audit(conn: Connection, *, at: float, who: str, what: str, body: object) -> AuditRow:
    """Add a row to the chain within this transaction; the row."""
    row = next_row(last_audit(conn), at=at, who=who, what=what, body=body)
    conn.execute(insert(AUDIT).values({name: getattr(row, name) for name in AuditRow.__struct_fields__}))
    return row


def last_audit(conn: Connection) -> AuditRow | None:
    """The head of the chain; None while it is empty."""
    found = conn.execute(select(AUDIT).order_by(AUDIT.c.n.desc()).limit(1)).first()
    return None if found is None else AuditRow(**dict(found._mapping))


def read_audit(store: Store) -> Iterator[AuditRow]:
    """The whole chain, first row first."""
    with store.read() as conn:
        for row in conn.execute(select(AUDIT).order_by(AUDIT.c.n)):
            yield AuditRow(**dict(row._mapping))


def read_head(store: Store) -> AuditRow | None:
    """The head of the chain."""
    with store.read() as conn:
        return last_audit(conn)
