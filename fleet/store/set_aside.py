"""Payloads that were set aside: listed, shown, tried again."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any, NamedTuple

from sqlalchemy import func, select, update

from fleet.errors import StoreError
from fleet.store.engine import Store
from fleet.store.tables import SET_ASIDE


class SetAside(NamedTuple):
    """One payload as it came, and why it is here."""

    set_aside_id: int
    arrived: float
    topic: str
    raw: bytes
    reason: str
    detail: str
    origin: str | None
    retried: bool


def read_set_aside(
    store: Store, *, reason: str | None = None, after_id: int = 0, limit: int = 1000, open_only: bool = False
) -> list[SetAside]:
    """Set-aside payloads in order of their number, after one of them."""
    query = select(SET_ASIDE).where(SET_ASIDE.c.set_aside_id > after_id).order_by(SET_ASIDE.c.set_aside_id).limit(limit)
    if reason is not None:
        query = query.where(SET_ASIDE.c.reason == reason)
    if open_only:
        query = query.where(SET_ASIDE.c.retried == 0)
    with store.read() as conn:
        rows = conn.execute(query).all()
    return [_set_aside(tuple(row)) for row in rows]


def one_set_aside(store: Store, set_aside_id: int) -> SetAside:
    """One payload by its number.

    Raises
    ------
    StoreError
        If there is none of that number.
    """
    with store.read() as conn:
        row = conn.execute(select(SET_ASIDE).where(SET_ASIDE.c.set_aside_id == set_aside_id)).first()
    if row is None:
        raise StoreError(f"set aside {set_aside_id}: no payload of that number. `wakeledger setaside list` shows them.")
    return _set_aside(tuple(row))


def _set_aside(row: tuple[Any, ...]) -> SetAside:
    number, arrived, topic, raw, reason, detail, origin, retried = row
    return SetAside(number, arrived, topic, bytes(raw), reason, detail, origin, bool(retried))


def mark_retried(store: Store, set_aside_ids: Collection[int]) -> None:
    """These were read after all; they stay for the record."""
    with store.write() as conn:
        conn.execute(update(SET_ASIDE).where(SET_ASIDE.c.set_aside_id.in_(set_aside_ids)).values(retried=1))


def origins(store: Store, start: str) -> set[str]:
    """Where set-aside payloads came from, of origins that begin so."""
    with store.read() as conn:
        found = conn.execute(select(SET_ASIDE.c.origin).where(SET_ASIDE.c.origin.startswith(start, autoescape=True)))
        return {str(origin) for origin in found.scalars()}


def count_by_reason(store: Store) -> dict[str, int]:
    """How many payloads wait, by reason."""
    query = (
        select(SET_ASIDE.c.reason, func.count()).where(SET_ASIDE.c.retried == 0).group_by(SET_ASIDE.c.reason)
    )  # fmt: skip
    with store.read() as conn:
        return {str(reason): int(count) for reason, count in conn.execute(query)}
