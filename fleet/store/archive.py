"""Closed months of wake records to Parquet: verified before rows leave, file noted and rows gone in one transaction."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

from sqlalchemy import Connection, delete, func, insert, select, text

from fleet.errors import StoreError
from fleet.store.archived import whole_table
from fleet.store.engine import Store
from fleet.store.months import hours_of, month_of
from fleet.store.parquet import need_parquet
from fleet.store.size import size_forecast
from fleet.store.tables import ARCHIVES, WAKES
from fleet.store.wake_tables import ROW_GROUP_ROWS, wake_tables

__all__ = ["archive_closed_months", "size_forecast"]

TRIES = 3


class Totals(NamedTuple):
    """What a month's rows and its file must agree in."""

    rows: int
    first_t: float | None
    last_t: float | None
    seq_sum: int
    boot_sum: int


def archive_closed_months(store: Store, folder: Path, *, keep_months: int, now_s: float) -> Iterator[tuple[Path, int]]:
    """Move every month but the last `keep_months` to its file, oldest first; yields file and rows moved.

    Records that came late for a month with a file are merged into a new file that takes its place. Killed midway, the
    rows are in the database still; a file without its note counts as not there and is written anew.

    Raises
    ------
    StoreError
        If a file can't be written or does not agree with the database.
    """
    _make(folder)
    for year, month in _closed_months(store, keep_months, now_s):
        for _ in range(TRIES):
            done = _archive_month(store, folder.resolve(), (year, month), now_s)
            if done is not None:
                yield done
                break
        else:
            raise StoreError(
                f"{year}-{month:02d}: records kept coming while it was archived, {TRIES} times. Nothing left the"
                " database; try again later."
            )


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as why:
        raise StoreError(f"{folder}: can't be made: {why.strerror}. Name a folder that you may write to.") from why


def _closed_months(store: Store, keep_months: int, now_s: float) -> list[tuple[int, int]]:
    now = datetime.fromtimestamp(now_s, UTC)
    back = now.year * 12 + now.month - 1 - (keep_months - 1)
    oldest_kept, _ = hours_of(back // 12, back % 12 + 1)
    months = []
    with store.read() as conn:
        # Month by month with one seek each: DISTINCT over all hours would read the whole table.
        hour = conn.execute(select(func.min(WAKES.c.hour))).scalar()
        while hour is not None and hour < oldest_kept:
            months.append(month_of(int(hour)))
            _, after = hours_of(*months[-1])
            hour = conn.execute(select(func.min(WAKES.c.hour)).where(WAKES.c.hour >= after)).scalar()
    return months


def _archive_month(store: Store, folder: Path, year_month: tuple[int, int], now_s: float) -> tuple[Path, int] | None:
    """Write, verify, note and remove one month; None if records came in between."""
    first, after = hours_of(*year_month)
    with store.read() as conn:
        before = _totals(conn, first, after)
        old = conn.execute(select(ARCHIVES.c.file).where(ARCHIVES.c.first_hour == first)).scalars().all()
    name = f"wakes-{year_month[0]:04d}-{year_month[1]:02d}"
    path = folder / (f"{name}.{_generation(old) + 1}.parquet" if old else f"{name}.parquet")
    merged = _write(store, path, (first, after), [Path(file) for file in old])
    digest = _sha256(path)
    with store.write() as conn:
        if not store.on_sqlite:  # there a writing transaction stands alone anyway
            conn.execute(text("LOCK TABLE wakes IN SHARE ROW EXCLUSIVE MODE"))
        if _totals(conn, first, after) != before:
            return None
        conn.execute(delete(ARCHIVES).where(ARCHIVES.c.first_hour == first))
        note = {"file": str(path), "first_hour": first, "last_hour": after - 1, "rows": merged, "sha256": digest}
        conn.execute(insert(ARCHIVES).values(note | {"made_at": now_s}))
        conn.execute(delete(WAKES).where(WAKES.c.hour >= first, WAKES.c.hour < after))
    for file in old:
        Path(file).unlink(missing_ok=True)
    return path, before.rows


def _generation(files: Any) -> int:
    parts = [Path(file).name.split(".") for file in files]
    return max((int(part[1]) for part in parts if len(part) == 3), default=1)


def _totals(conn: Connection, first: int, after: int) -> Totals:
    query = select(
        func.count(), func.min(WAKES.c.t), func.max(WAKES.c.t), func.sum(WAKES.c.seq), func.sum(WAKES.c.boot)
    ).where(WAKES.c.hour >= first, WAKES.c.hour < after)
    rows, first_t, last_t, seq_sum, boot_sum = conn.execute(query).one()
    return Totals(int(rows), first_t, last_t, int(seq_sum or 0), int(boot_sum or 0))


def _write(store: Store, path: Path, hours: tuple[int, int], old: list[Path]) -> int:
    """A month's file, safe on disk and read again before it gets its name; the rows in it."""
    need_parquet(str(path))
    import pyarrow
    import pyarrow.parquet

    temporary = path.with_suffix(".tmp")
    expected: dict[str, Any] = {}
    try:
        with temporary.open("wb") as sink:
            writer: Any = None
            for table in wake_tables(store, hours, [whole_table(file) for file in old]):
                writer = writer or pyarrow.parquet.ParquetWriter(sink, table.schema, compression="zstd")
                writer.write_table(table, row_group_size=ROW_GROUP_ROWS)
                _add(expected, table)
            if writer is not None:
                writer.close()
            sink.flush()
            os.fsync(sink.fileno())
        found: dict[str, Any] = {}
        with pyarrow.parquet.ParquetFile(temporary) as parquet:
            for group in range(parquet.num_row_groups):
                _add(found, parquet.read_row_group(group))
        if found != expected:
            wrong = sorted(name for name in expected if found.get(name) != expected[name])
            raise StoreError(f"{temporary}: reads back other than written in {', '.join(wrong)}. Check that disk.")
        temporary.rename(path)
        _sync_folder(path.parent)
    except (OSError, pyarrow.ArrowException) as why:
        raise StoreError(f"{path}: can't be written: {why}. Nothing left the database; make space.") from why
    return int(expected["rows"])


def _add(totals: dict[str, Any], table: Any) -> None:
    """Add a table's rows and, for each column, its known values and the sum of their bits, exact in any order."""
    import numpy as np
    import pyarrow
    import pyarrow.compute as compute

    totals["rows"] = totals.get("rows", 0) + table.num_rows
    for name in table.column_names:
        column = table.column(name)
        if pyarrow.types.is_string(column.type):
            column = compute.binary_length(column).cast("int64")
        values = column.drop_null().to_numpy()
        count, bits = totals.get(name, (0, 0))
        more = int(values.view(np.uint64).sum(dtype=np.uint64)) if len(values) else 0
        totals[name] = (count + len(values), (bits + more) % 2**64)


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def check_archives(store: Store) -> list[str]:
    """What is wrong with the archive's files: missing, or not the bytes that were noted."""
    with store.read() as conn:
        noted = conn.execute(select(ARCHIVES.c.file, ARCHIVES.c.sha256).order_by(ARCHIVES.c.file)).all()
    wrong = []
    for file, digest in noted:
        path = Path(file)
        if not path.exists():
            wrong.append(f"{file}: is missing. Put it back from a copy.")
        elif _sha256(path) != digest:
            wrong.append(f"{file}: was changed since it was written. Put it back from a copy.")
    return wrong
