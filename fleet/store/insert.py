"""Rows into tables by the cheapest way of each database: positional tuples on SQLite, binary COPY on PostgreSQL."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import BigInteger, Connection, Double, Integer, LargeBinary, Table

from fleet.store.partitions import make_partitions
from fleet.store.rows import Row

_COPY_TYPES = {BigInteger: "int8", Integer: "int4", Double: "float8", LargeBinary: "bytea"}


def insert_wakes(conn: Connection, table: Table, rows: list[Row]) -> int:
    """New rows of `wakes`; how many were not there before."""
    if not rows:
        return 0
    if conn.dialect.name == "sqlite":
        return conn.exec_driver_sql(_insert(table, "INSERT OR IGNORE"), rows).rowcount
    make_partitions(conn, {int(row[0]) for row in rows})
    return _copy_then(conn, table, rows, "ON CONFLICT DO NOTHING")


def upsert(
    conn: Connection, table: Table, columns: Sequence[str], rows: Sequence[Row], *, keep_known: bool = False
) -> None:
    """Rows written over those of the same key; columns that are not named keep what they hold.

    With `keep_known` a NULL writes over nothing.
    """
    if not rows:
        return
    keys = [column.name for column in table.primary_key.columns]
    kept = [name for name in columns if name not in keys]
    value = f"coalesce(excluded.{{0}}, {table.name}.{{0}})" if keep_known else "excluded.{0}"
    doing = "DO UPDATE SET " + ", ".join(f"{name} = {value.format(name)}" for name in kept) if kept else "DO NOTHING"
    clause = f"ON CONFLICT ({', '.join(keys)}) {doing}"
    if conn.dialect.name == "sqlite":
        conn.exec_driver_sql(f"{_insert(table, 'INSERT', columns)} {clause}", list(rows))
    else:
        _copy_then(conn, table, rows, clause, columns)


def append(conn: Connection, table: Table, columns: Sequence[str], rows: Sequence[Row]) -> None:
    """Rows at the end of a table that numbers them itself."""
    if rows:
        conn.execute(table.insert(), [dict(zip(columns, row, strict=True)) for row in rows])


def number_of(made: Any) -> int:
    """The number that a table gave to the row just inserted."""
    return int(made.inserted_primary_key[0])


def _insert(table: Table, verb: str, columns: Sequence[str] | None = None) -> str:
    names = [column.name for column in table.columns] if columns is None else columns
    return f"{verb} INTO {table.name} ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})"


def _copy_then(
    conn: Connection, table: Table, rows: Iterable[Row], clause: str, columns: Sequence[str] | None = None
) -> int:
    """COPY into a staging table of this session, then one merge in key order: two writers can't wait for each other."""
    names = [column.name for column in table.columns] if columns is None else list(columns)
    listed, stage = ", ".join(names), f"stage_{table.name}"
    defined = ", ".join(f"{name} {_kind(table, name)}" for name in names)
    conn.exec_driver_sql(f"CREATE TEMPORARY TABLE IF NOT EXISTS {stage} ({defined}) ON COMMIT DELETE ROWS")
    raw: Any = conn.connection.dbapi_connection
    with raw.cursor() as cursor:
        with cursor.copy(f"COPY {stage} ({listed}) FROM STDIN (FORMAT BINARY)") as copy:
            copy.set_types([_kind(table, name) for name in names])
            for row in rows:
                copy.write_row(row)
        keys = ", ".join(column.name for column in table.primary_key.columns)
        merge = ("INSERT INTO", table.name, f"({listed})", "SELECT", listed, "FROM", stage, "ORDER BY", keys, clause)
        cursor.execute(" ".join(merge))
        stored = int(cursor.rowcount)
        cursor.execute(f"TRUNCATE {stage}")
    return stored


def _kind(table: Table, name: str) -> str:
    return next((word for kind, word in _COPY_TYPES.items() if type(table.c[name].type) is kind), "text")
