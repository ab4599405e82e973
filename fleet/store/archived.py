"""Records of closed months in Parquet files, read by time and node."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import Connection, select

from fleet.errors import StoreError
from fleet.frames import RECORD
from fleet.store.arrow import Arrays
from fleet.store.engine import Store
from fleet.store.parquet import need_parquet
from fleet.store.tables import ARCHIVES
from fleet.units import S_PER_D, S_PER_H


def archive_files(store: Store, since_s: float, until_s: float) -> list[Path]:
    """Files that may hold records of [since, until)."""
    with store.read() as conn:
        return files_of(conn, since_s, until_s)


def files_of(conn: Connection, since_s: float, until_s: float) -> list[Path]:
    """The same on a connection."""
    columns = ARCHIVES.c.file, ARCHIVES.c.first_hour, ARCHIVES.c.last_hour
    rows = conn.execute(select(*columns).order_by(ARCHIVES.c.first_hour, ARCHIVES.c.file)).all()
    return [Path(name) for name, first, last in rows if first * S_PER_H < until_s and (last + 1) * S_PER_H > since_s]


def archived_blocks(store: Store, since_s: float, until_s: float, node_ids: Collection[int] | None) -> Iterator[Arrays]:
    """RECORD columns of archived records, one row group at a time.

    Raises
    ------
    StoreError
        If a file of the archive is missing or can't be read.
    """
    for file in archive_files(store, since_s, until_s):
        yield from _of_file(file, since_s, until_s, node_ids)


def _of_file(file: Path, since_s: float, until_s: float, node_ids: Collection[int] | None) -> Iterator[Arrays]:
    need_parquet("archive")
    import pyarrow
    import pyarrow.parquet

    try:
        with pyarrow.parquet.ParquetFile(file) as parquet:
            for group in range(parquet.num_row_groups):
                if not _may_hold(parquet.metadata.row_group(group), node_ids):
                    continue
                table = parquet.read_row_group(group, columns=list(RECORD))
                block = {name: _typed(table.column(name), dtype, name) for name, dtype in RECORD.items()}
                keep = (block["t"] >= since_s) & (block["t"] < until_s)
                if isinstance(node_ids, range):
                    keep &= (block["node_id"] >= node_ids.start) & (block["node_id"] < node_ids.stop)
                elif node_ids is not None:
                    keep &= np.isin(block["node_id"], np.fromiter(node_ids, np.int64))
                if keep.any():
                    yield {name: values[keep] for name, values in block.items()}
    except (OSError, pyarrow.ArrowException) as why:
        raise StoreError(f"{file}: archive can't be read: {why}. Put the file back where it was.") from why


def whole_table(file: Path) -> Any:
    """All of one file.

    Raises
    ------
    StoreError
        If it is missing or can't be read.
    """
    need_parquet("archive")
    import pyarrow
    import pyarrow.parquet

    try:
        with pyarrow.parquet.ParquetFile(file) as parquet:
            return parquet.read()
    except (OSError, pyarrow.ArrowException) as why:
        raise StoreError(f"{file}: archive can't be read: {why}. Put the file back where it was.") from why


def archived_run(
    conn: Connection, node_id: int, boot: int, *, since_s: float, until_s: float, columns: tuple[str, ...]
) -> list[tuple[Any, ...]]:
    """Chosen columns of one node's archived records of one boot, `since_s` to `until_s`."""
    import pyarrow.parquet

    found: list[tuple[Any, ...]] = []
    for file in files_of(conn, since_s, until_s + 1.0):
        wanted = [("node_id", "=", node_id), ("boot", "=", boot), ("t", ">=", since_s), ("t", "<=", until_s)]
        table = pyarrow.parquet.read_table(file, columns=list(columns), filters=wanted)
        found += zip(*(table.column(name).to_pylist() for name in columns), strict=True)
    return found


def archived_node_days(store: Store) -> set[tuple[int, int]]:
    """(day, node_id) of every archived record."""
    found: set[tuple[int, int]] = set()
    for block in archived_blocks(store, float("-inf"), float("inf"), None):
        pairs = np.unique(np.stack([block["t"] // S_PER_D, block["node_id"]]).astype(np.int64), axis=1)
        found.update(zip(*pairs.tolist(), strict=True))
    return found


def _may_hold(group: Any, node_ids: Collection[int] | None) -> bool:
    """Whether a row group's smallest and largest node leave room for one of these; rows are sorted by node."""
    if node_ids is None or not len(node_ids):
        return True
    for place in range(group.num_columns):
        column = group.column(place)
        if column.path_in_schema == "node_id" and column.statistics is not None:
            return not (max(node_ids) < column.statistics.min or min(node_ids) > column.statistics.max)
    return True


def _typed(column: Any, dtype: str, name: str) -> Any:
    values = column.to_numpy(zero_copy_only=False)
    if dtype.startswith("int") and values.dtype.kind == "f":
        values = np.where(np.isnan(values), 0 if name == "trial" else -1, values)
    return values.astype(dtype, copy=False)
