"""One process at a time does a thing: a row that others can read, and on SQLite a lock that ends with its holder."""

from __future__ import annotations

import fcntl
import os
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import msgspec
from sqlalchemy import Connection, delete, select

from fleet.errors import StoreError
from fleet.store.engine import Store
from fleet.store.insert import upsert
from fleet.store.tables import LEASES

LEASE_S = 90.0
INGEST = "ingest"
ROLL_UP = "roll_up"
ORDERS = "orders"


class Holder(msgspec.Struct, frozen=True):
    """Who holds a lease."""

    host: str
    pid: int
    what: str
    since: float

    @property
    def said(self) -> str:
        """The holder as a person would look for it."""
        return f"process {self.pid} ({self.what}) on {self.host}"


@contextmanager
def held(store: Store, name: str, *, what: str, now_s: Callable[[], float]) -> Iterator[Callable[[], None]]:
    """Hold a lease; yields a function that renews it, to be called well within `LEASE_S`.

    A holder that dies leaves the row: on SQLite on this machine its lock is gone, so the lease is free at once;
    elsewhere it is free when the lease runs out.

    Raises
    ------
    StoreError
        If another process holds it; the message names that process.
    """
    me = Holder(socket.gethostname(), os.getpid(), what, now_s())
    lock = _lock_file(store, name)
    try:
        _take(store, name, me, now_s(), locked=lock is not None)

        def renew() -> None:
            with store.write() as conn:
                if _holder(conn, name)[0] != me:
                    raise StoreError(f"{store.url}: the lease `{name}` went to another process. Stop this one.")
                _put(conn, name, me, now_s() + LEASE_S)

        try:
            yield renew
        finally:
            _release(store, name, me)
    finally:
        if lock is not None:
            os.close(lock)


def _lock_file(store: Store, name: str) -> int | None:
    """An exclusive lock on a file beside the database; None where there is none."""
    if store.file is None:
        return None
    path = Path(f"{store.file}.{name}.lock")
    try:
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError as why:
        raise StoreError(f"{path}: can't be made: {why.strerror}. Its folder must be writable.") from why
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as why:
        os.close(handle)
        with store.read() as conn:
            holder, _ = _holder(conn, name)
        raise StoreError(_refused(store, name, holder)) from why
    return handle


def _refused(store: Store, name: str, holder: Holder | None) -> str:
    who = "another process" if holder is None else holder.said
    return f"{store.url}: `{name}` is held by {who}; only one may. Stop that one first, or let it go on."


def _take(store: Store, name: str, me: Holder, now_s: float, *, locked: bool) -> None:
    with store.write() as conn:
        holder, until = _holder(conn, name)
        # Who holds the lock file on this machine knows that a holder of this machine is dead.
        dead = holder is not None and locked and holder.host == me.host
        if holder is not None and until > now_s and not dead:
            raise StoreError(_refused(store, name, holder))
        _put(conn, name, me, now_s + LEASE_S)


def _holder(conn: Connection, name: str) -> tuple[Holder | None, float]:
    query = select(LEASES.c.holder, LEASES.c.until).where(LEASES.c.name == name)
    found = conn.execute(query if conn.dialect.name == "sqlite" else query.with_for_update()).first()
    return (None, 0.0) if found is None else (msgspec.json.decode(found.holder, type=Holder), float(found.until))


def _put(conn: Connection, name: str, me: Holder, until_s: float) -> None:
    upsert(conn, LEASES, ("name", "holder", "until"), [(name, msgspec.json.encode(me).decode(), until_s)])


def _release(store: Store, name: str, me: Holder) -> None:
    with store.write() as conn:
        if _holder(conn, name)[0] == me:
            conn.execute(delete(LEASES).where(LEASES.c.name == name))


def holder_of(store: Store, name: str, now_s: float) -> Holder | None:
    """Who holds a lease now; None if nobody does."""
    with store.read() as conn:
        query = select(LEASES.c.holder, LEASES.c.until).where(LEASES.c.name == name)
        found = conn.execute(query).first()
    if found is None or found.until <= now_s:
        return None
    return msgspec.json.decode(found.holder, type=Holder)
