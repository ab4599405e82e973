"""Opening the database: SQLite in WAL with synchronous FULL, or PostgreSQL, by URL.

A SQLite connection lives only as long as the work on it. The Arrow reader (`fleet.store.arrow`) brings its own SQLite
library, and two libraries in one process drop each other's file locks; so it reads only while none of ours is open.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sqlalchemy import Connection, Engine, create_engine, event, inspect, text
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError
from sqlalchemy.pool import NullPool, StaticPool

from fleet.errors import StoreError
from fleet.store.guard import Guard, guard_of

HEAD = "0001"
"""Version of the tables that this program reads and writes: the last step in `migrations/versions`."""

BUSY_MS = 30_000
SAFE_SQLITE = ((3, 51, 3), (3, 50, 7), (3, 44, 6))
"""First versions without the race between two writers that reset the log (sqlite.org/wal.html, walresetbug)."""

_FULL = 2  # PRAGMA synchronous


@dataclass(frozen=True)
class Store:
    """An opened database. `snapshot` is true where a read-only file system hides what the log still holds."""

    engine: Engine
    readonly: bool = False
    snapshot: bool = False
    guard: Guard = field(default_factory=Guard)

    @property
    def url(self) -> str:
        """The URL, password masked."""
        return self.engine.url.render_as_string(hide_password=True)

    @property
    def on_sqlite(self) -> bool:
        """True on SQLite, false on PostgreSQL."""
        return self.engine.dialect.name == "sqlite"

    @property
    def file(self) -> Path | None:
        """The SQLite file; None in memory and on PostgreSQL."""
        return _file_of(self.engine.url) if self.on_sqlite else None

    @property
    def other_library_url(self) -> str:
        """The file for a SQLite library that is not ours: for reading only, or it would end our log at its end."""
        return f"file:{_quoted(self.file)}?mode=ro"

    @property
    def driver_error(self) -> type[Exception]:
        """What the database's driver raises."""
        return self.engine.dialect.loaded_dbapi.Error

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """A connection whose reads all see one moment of the database."""
        with self.hold() as conn:
            conn = conn.execution_options(reads=True)
            if not self.on_sqlite:
                conn = conn.execution_options(isolation_level="REPEATABLE READ")
            with conn.begin() as work:
                yield conn
                work.rollback()

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """A connection in a transaction that commits at the end, or leaves no trace.

        Raises
        ------
        StoreError
            If the store is open for reading only.
        """
        if self.readonly:
            raise StoreError(f"{self.url}: open for reading only. Run the command that writes without it.")
        with self.hold() as conn, conn.begin():
            yield conn

    @contextmanager
    def hold(self) -> Iterator[Connection]:
        """A connection to keep between transactions. One that writes begins with the write lock."""
        with self.guard.ours():
            try:
                conn = self.engine.connect()
            except DBAPIError as why:
                raise StoreError(_cant_open(self.url, why)) from why
            try:
                yield conn
            finally:
                conn.close()

    def close(self) -> None:
        """Let go of every connection."""
        self.engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, why: BaseException | None, at: TracebackType | None) -> None:
        self.close()


def open_store(url: str, *, readonly: bool = False, check_version: bool = True) -> Store:
    """The database at a URL; one that is not there yet is made, unless only reading was asked for.

    Raises
    ------
    StoreError
        If it can't be opened, is not there, or its tables are of another version.
    """
    try:
        address = make_url(url)
        engine, snapshot = _engine(address, readonly)
    except (ArgumentError, NoSuchModuleError, ModuleNotFoundError) as why:
        raise StoreError(
            f"{url}: not a database URL that can be opened: {why}. Expected sqlite:///FILE, or postgresql://…"
            " with `pip install 'wakeledger[postgresql]'`."
        ) from why
    file = _file_of(address) if engine.dialect.name == "sqlite" else None
    guard = Guard() if file is None else guard_of(str(file.resolve()))
    store = Store(engine, readonly=readonly, snapshot=snapshot, guard=guard)
    if not check_version:
        return store
    try:
        _check_version(store)
    except DBAPIError as why:
        store.close()
        raise StoreError(_cant_open(store.url, why)) from why
    except StoreError:
        store.close()
        raise
    return store


def _check_version(store: Store) -> None:
    found = database_version(store)
    if found is None and not store.readonly:
        from fleet.store.upgrade import upgrade_store

        upgrade_store(store)
        return
    if found is None:
        raise StoreError(
            f"{store.url}: there are no tables of ours. Run `wakeledger listen` or `load` to fill it first."
        )
    if found != HEAD:
        raise StoreError(
            f"{store.url}: tables are of version {found}, this program needs {HEAD}."
            + (" Run `wakeledger db upgrade`." if found < HEAD else " Install the newer program that wrote them.")
        )


def database_version(store: Store) -> str | None:
    """Version of the tables; None where there are none yet.

    Raises
    ------
    StoreError
        If the database holds tables of something else.
    """
    with store.read() as conn:
        names = set(inspect(conn).get_table_names())
        if "alembic_version" in names:
            found = conn.execute(text("SELECT version_num FROM alembic_version")).scalar()
            return None if found is None else str(found)
    if "wakes" in names or (names and store.on_sqlite):
        raise StoreError(f"{store.url}: holds tables ({min(names)}, …) but no version of ours. Name another database.")
    return None


def sqlite_race_note(version: tuple[int, int, int] = sqlite3.sqlite_version_info) -> str | None:
    """What to do if this SQLite has the log-reset race; None if it has not.

    >>> sqlite_race_note((3, 51, 3)), sqlite_race_note((3, 44, 6)), sqlite_race_note((3, 6, 23))
    (None, None, None)
    >>> sqlite_race_note((3, 40, 1))[:13]
    'SQLite 3.40.1'
    """
    fixed = any(version >= safe and (version[:2] == safe[:2] or safe == SAFE_SQLITE[0]) for safe in SAFE_SQLITE)
    if fixed or version < (3, 7, 0):
        return None
    return (
        f"SQLite {'.'.join(map(str, version))} can lose a commit when two processes write at the same instant"
        " (fixed in 3.51.3, 3.50.7, 3.44.6). Keep one writing process, or install a newer SQLite."
    )


def _engine(address: URL, readonly: bool) -> tuple[Engine, bool]:
    if address.get_backend_name() == "postgresql":
        address = address.set(drivername="postgresql+psycopg")
        return create_engine(address, pool_pre_ping=True), False
    if address.get_backend_name() != "sqlite":
        raise ArgumentError(f"{address.get_backend_name()} is not known")
    file = _file_of(address)
    if file is None:
        engine = create_engine(address, poolclass=StaticPool, connect_args={"check_same_thread": False})
        _listen(engine, readonly=False)
        return engine, False
    if readonly and not file.exists():
        raise StoreError(f"{file}: no such database. Run `wakeledger listen` or `load` first, or mend `database`.")
    snapshot = readonly and not os.access(file.parent, os.W_OK)
    if not readonly:
        _make_folder(file)
    mode = "rwc" if not readonly else "ro&immutable=1" if snapshot else "ro"
    place = _quoted(file)
    engine = create_engine(
        address,
        poolclass=NullPool,
        creator=lambda: sqlite3.connect(
            f"file:{place}?mode={mode}",
            uri=True,
            timeout=BUSY_MS / 1000,
            check_same_thread=False,
            cached_statements=256,
        ),
    )
    _listen(engine, readonly=readonly)
    return engine, snapshot


def _quoted(file: Path | None) -> str:
    """The file as part of a SQLite URI."""
    return str(Path(file or "").absolute()).replace("%", "%25").replace("?", "%3f").replace("#", "%23")


def _make_folder(file: Path) -> None:
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
    except OSError as why:
        raise StoreError(f"{file.parent}: can't be made: {why.strerror}. Name a folder that you may write to.") from why


def _file_of(address: URL) -> Path | None:
    name = address.database
    return None if not name or name == ":memory:" else Path(name)


def _listen(engine: Engine, *, readonly: bool) -> None:
    """Every connection is set up the same way; every writing transaction takes the write lock at once."""

    @event.listens_for(engine, "connect")
    def set_up(connection: sqlite3.Connection, _record: Any) -> None:
        connection.isolation_level = None  # the driver must not begin or commit by itself
        for pragma in ("foreign_keys=ON", f"busy_timeout={BUSY_MS}", "synchronous=FULL", "cache_size=-65536"):
            connection.execute(f"PRAGMA {pragma}")
        if not readonly:
            connection.execute("PRAGMA journal_mode=WAL")
            connection.execute("PRAGMA wal_autocheckpoint=4000")
        if connection.execute("PRAGMA synchronous").fetchone()[0] != _FULL:
            raise StoreError(
                "SQLite did not take synchronous=FULL: a commit would not survive a power cut. Mend SQLite."
            )

    @event.listens_for(engine, "begin")
    def begin(conn: Connection) -> None:
        # A deferred transaction that reads and then writes fails at once if another wrote in between.
        reads = readonly or conn.get_execution_options().get("reads", False)
        conn.exec_driver_sql("BEGIN" if reads else "BEGIN IMMEDIATE")


def _cant_open(url: str, why: DBAPIError) -> str:
    cause = str(why.orig).strip().splitlines()[0]
    if "locked" in cause:
        return f"{url}: another process held the write lock for {BUSY_MS // 1000} s. See `wakeledger check` for who."
    return f"{url}: {cause}. Check that the server runs, the file is a database and you may use it."
