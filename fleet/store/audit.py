"""The audit chain as rows. A row is written in the transaction of what it tells of: no audit row, no order."""

from __future__ import annotations

from typing import Any, NamedTuple

import msgspec
from sqlalchemy import Connection, insert, select, text

from fleet.orders_audit import AuditRow, first_broken, next_row
from fleet.store.engine import Store
from fleet.store.tables import AUDIT

_LOCK = 0x61756469  # one number for all who append


class Audited(NamedTuple):
    """What is to stand in the audit chain beside a change."""

    at: float
    who: str
    what: str
    body: Any


def append_audit(conn: Connection, *, at: float, who: str, what: str, body: Any) -> AuditRow:
    """Add a row to the chain in the transaction of this connection."""
    if conn.dialect.name != "sqlite":  # there a writing transaction stands alone anyway
        conn.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _LOCK})
    found = conn.execute(select(AUDIT).order_by(AUDIT.c.n.desc()).limit(1)).first()
    last = None if found is None else _row(found)
    row = next_row(last, at=at, who=who, what=what, body=body)
    conn.execute(insert(AUDIT).values(msgspec.structs.asdict(row)))
    return row


def audit(conn: Connection, audited: Audited | None) -> None:
    """Add a row if there is something to add."""
    if audited is not None:
        append_audit(conn, at=audited.at, who=audited.who, what=audited.what, body=audited.body)


def read_audit(store: Store, *, since_n: int = 1, limit: int | None = None) -> list[AuditRow]:
    """Rows from a number on, oldest first."""
    query = select(AUDIT).where(AUDIT.c.n >= since_n).order_by(AUDIT.c.n)
    with store.read() as conn:
        return [_row(row) for row in conn.execute(query if limit is None else query.limit(limit))]


def audit_head(store: Store) -> tuple[int, str] | None:
    """Number and hash of the last row: what is printed in reports, so that a cut tail shows."""
    with store.read() as conn:
        found = conn.execute(select(AUDIT.c.n, AUDIT.c.hash).order_by(AUDIT.c.n.desc()).limit(1)).first()
    return None if found is None else (int(found.n), str(found.hash))


def verify_audit(store: Store, *, head: tuple[int, str] | None = None) -> str | None:
    """What is wrong with the stored chain, naming the first broken row; None if it holds."""
    with store.read() as conn:
        rows = conn.execute(select(AUDIT).order_by(AUDIT.c.n))
        return first_broken((_row(row) for row in rows), head=head)


def _row(found: Any) -> AuditRow:
    return AuditRow(**dict(found._mapping))
