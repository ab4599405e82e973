"""How large the database is, how fast it grows, and what a year of that will need."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, func, select, text
from sqlalchemy.exc import DBAPIError

from fleet.store.engine import Store
from fleet.store.tables import ARCHIVES, FLEET_DAYS, LATEST, METADATA, WAKES
from fleet.units import S_PER_D

MIB = 1024.0 * 1024.0
LOOK_BACK_D = 28
BYTES_A_ROW = {"wakes": 120.0, "days": 700.0, "weeks": 90.0, "estimates": 500.0, "spans": 50.0}
"""Where the database can't say: measured on SQLite with the benches' records (tests/bench/storage.py)."""


def size_forecast(store: Store, *, now_s: float) -> list[dict[str, Any]]:
    """One row a table and one for all: rows, MiB, growth a day over the last weeks, MiB in 30 and 365 days.

    Wake records grow as if none were archived; the archive's Parquet files stand in a row of their own.
    """
    with store.read() as conn:
        sizes = _sqlite_bytes(conn) if store.on_sqlite else _postgresql_bytes(conn)
        counts = {name: _rows(conn, name) for name in METADATA.tables}
        a_day = _rows_a_day(conn, now_s)
        archived = conn.execute(select(func.count(), func.sum(ARCHIVES.c.rows))).one()
    found = []
    for name, rows in counts.items():
        size = sizes.get(name, rows * BYTES_A_ROW.get(name, 100.0))
        each = size / rows if rows > 1000 else BYTES_A_ROW.get(name, 100.0)
        found.append(_line(name, rows, size, a_day.get(name, 0.0), each))
    found.sort(key=lambda line: -line["mib"])
    found.insert(0, _sum(found))
    found.append(_line("archived", int(archived[1] or 0), 0.0, 0.0, 0.0))
    return found


def _line(name: str, rows: int, size: float, rows_per_d: float, each: float) -> dict[str, Any]:
    mib_per_d = rows_per_d * each / MIB
    return {
        "table": name,
        "rows": rows,
        "mib": round(size / MIB, 2),
        "rows_per_d": round(rows_per_d, 1),
        "mib_per_d": round(mib_per_d, 3),
        "mib_in_30_d": round(size / MIB + 30 * mib_per_d, 1),
        "mib_in_365_d": round(size / MIB + 365 * mib_per_d, 1),
    }


def _sum(lines: list[dict[str, Any]]) -> dict[str, Any]:
    return {"table": "all"} | {
        name: round(sum(line[name] for line in lines), 3) for name in lines[0] if name != "table"
    }


def _rows(conn: Connection, name: str) -> int:
    """Rows of a table; those of `wakes` from the day rows where counting would read gigabytes."""
    if name == "wakes":
        seen = conn.execute(select(func.sum(FLEET_DAYS.c.seen))).scalar() or 0.0
        archived = conn.execute(select(func.sum(ARCHIVES.c.rows))).scalar() or 0
        if seen - archived > 1e6:
            return int(seen - archived)
        return int(conn.execute(select(func.count()).select_from(WAKES)).scalar_one())
    return int(conn.execute(select(func.count()).select_from(METADATA.tables[name])).scalar_one())


def _rows_a_day(conn: Connection, now_s: float) -> dict[str, float]:
    """What a day adds, from the last weeks before the newest day."""
    since = int(now_s // S_PER_D) - LOOK_BACK_D
    query = select(FLEET_DAYS.c.day, func.sum(FLEET_DAYS.c.seen), func.sum(FLEET_DAYS.c.nodes))
    rows = conn.execute(query.where(FLEET_DAYS.c.day >= since).group_by(FLEET_DAYS.c.day)).all()
    if not rows:
        return {}
    span_d = max(int(row[0]) for row in rows) - min(int(row[0]) for row in rows) + 1
    wakes = sum(float(row[1] or 0.0) for row in rows) / span_d
    heard = sum(float(row[2] or 0.0) for row in rows) / span_d
    nodes = float(conn.execute(select(func.count()).select_from(LATEST)).scalar_one())
    return {"wakes": wakes, "days": heard, "weeks": heard / 7.0, "charges": heard, "estimates": nodes, "spans": heard}


def _sqlite_bytes(conn: Connection) -> dict[str, float]:
    """Bytes a table, index included; where this SQLite can't tell, a share of the file by rows."""
    try:
        rows = conn.execute(text("SELECT name, pgsize FROM dbstat WHERE aggregate = TRUE")).all()
    except DBAPIError:
        return {}
    return {str(name): float(size) for name, size in rows}


def _postgresql_bytes(conn: Connection) -> dict[str, float]:
    query = text(
        "SELECT coalesce(p.relname, c.relname), sum(pg_total_relation_size(c.oid)) FROM pg_class c"
        " LEFT JOIN pg_inherits i ON i.inhrelid = c.oid LEFT JOIN pg_class p ON p.oid = i.inhparent"
        " JOIN pg_namespace s ON s.oid = c.relnamespace"
        " WHERE s.nspname = current_schema() AND c.relkind = 'r' GROUP BY 1"
    )
    return {str(name): float(size) for name, size in conn.execute(query)}
