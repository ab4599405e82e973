"""Queries straight into typed arrays: ADBC on SQLite files, binary COPY on PostgreSQL, a plain cursor elsewhere.

ADBC guesses a column's type from its first rows, so each query begins with one typed row that is dropped again.
Its SQLite library is not ours; see `fleet.store.engine` for why it reads only while no connection of ours is open.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import islice
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sqlalchemy import Select

from fleet.errors import StoreError
from fleet.store.engine import Store

Arrays = dict[str, NDArray[Any]]

BLOCK_ROWS = 32_768
_SENTINEL = -987_654_321
_FIRST = {"int": str(_SENTINEL), "flo": f"{_SENTINEL}.0", "str": "'-'"}
_HEADER_BYTES, _TRAILER_BYTES = 19, 2


def read_blocks(store: Store, query: Select[Any], types: Mapping[str, str]) -> Iterator[Arrays]:
    """The query's rows in blocks of typed arrays; `types` names its columns in order. Numbers only, NULL is NaN or -1.

    Raises
    ------
    StoreError
        If the database can't be read.
    """
    if not store.on_sqlite:
        yield from _copied(store, query, types)
        return
    with store.guard.lent() as free:
        if free and store.file is not None and not store.snapshot:
            yield from _arrow(store, query, types)
            return
    yield from _plain(store, query, types)


def read_arrays(store: Store, query: Select[Any], types: Mapping[str, str]) -> Arrays:
    """All of the query's rows as one array a column."""
    blocks = list(read_blocks(store, query, types))
    return {
        name: np.concatenate([block[name] for block in blocks]) if blocks else np.empty(0, dtype)
        for name, dtype in types.items()
    }


def read_frame(store: Store, query: Select[Any], types: Mapping[str, str]) -> pd.DataFrame:
    """The same as a frame."""
    return pd.DataFrame(read_arrays(store, query, types), columns=list(types))


def _sql(store: Store, query: Select[Any]) -> str:
    return str(query.compile(store.engine, compile_kwargs={"literal_binds": True}))


def sentinel_sql(store: Store, query: Select[Any], types: Mapping[str, str]) -> str:
    """The query with one typed row before its own."""
    typed = ", ".join(f"{_FIRST[dtype[:3]]} AS {name}" for name, dtype in types.items())
    return " ".join(("SELECT", typed, "UNION ALL SELECT * FROM (", _sql(store, query), ")"))


def _arrow(store: Store, query: Select[Any], types: Mapping[str, str]) -> Iterator[Arrays]:
    import adbc_driver_manager
    import adbc_driver_sqlite.dbapi
    import nanoarrow

    wrapped = sentinel_sql(store, query, types)
    try:
        with (
            adbc_driver_sqlite.dbapi.connect(store.other_library_url) as link,
            link.cursor(adbc_stmt_kwargs={"adbc.sqlite.query.batch_rows": BLOCK_ROWS}) as cursor,
        ):
            cursor.execute(wrapped)
            first = True
            for batch in nanoarrow.c_array_stream(cursor.fetch_arrow()):
                columns = [_values(child) for child in batch.view().children]
                if first:
                    _check_sentinel(columns[0][0])
                    columns, first = [values[1:] for values in columns], False
                if len(columns[0]):
                    pairs = zip(types.items(), columns, strict=True)
                    yield {name: _narrow(values, dtype) for (name, dtype), values in pairs}
    except adbc_driver_manager.Error as why:
        raise StoreError(f"{store.url}: can't be read: {why}. See `wakeledger check`.") from why


def without_sentinel(table: Any) -> Any:
    """An Arrow table or batch without its first, typed row.

    Raises
    ------
    StoreError
        If that row is not the first one.
    """
    _check_sentinel(table.column(0)[0].as_py())
    return table.slice(1)


def _check_sentinel(found: Any) -> None:
    if found != _SENTINEL:
        raise StoreError(f"the Arrow reader gave {found!r} as its first row, not the typed one. Report this as a bug.")


def _values(column: Any) -> NDArray[Any]:
    """An Arrow column of whole numbers or doubles as an array of its own memory, NULL as NaN."""
    within = slice(column.offset, column.offset + len(column))
    kind = np.float64 if column.storage_type == "double" else np.int64
    values = np.frombuffer(column.buffer(1), kind)[within]
    if not column.null_count:
        return values.copy()
    valid = np.unpackbits(np.frombuffer(column.buffer(0), np.uint8), bitorder="little")[within]
    return np.where(valid == 1, values, np.nan)


def _narrow(values: NDArray[Any], dtype: str) -> NDArray[Any]:
    if dtype.startswith("int") and values.dtype.kind == "f":
        values = np.where(np.isnan(values), -1.0, values)
    return values.astype(dtype, copy=False)


def _plain(store: Store, query: Select[Any], types: Mapping[str, str]) -> Iterator[Arrays]:
    """By a cursor of our own. NULL comes as infinity, which no column holds, for numpy reads rows of floats only."""
    listed = ", ".join(f"coalesce({name}, 9e999)" for name in types)
    layout = np.dtype([(name, "f8") for name in types])
    wrapped = " ".join(("SELECT", listed, "FROM (", _sql(store, query), ")"))
    with store.read() as conn:
        raw: Any = conn.connection.dbapi_connection
        rows = iter(raw.execute(wrapped))
        while len(table := np.fromiter(islice(rows, BLOCK_ROWS), layout)):
            yield {
                name: _narrow(np.where(np.isinf(table[name]), np.nan, table[name]), dtype)
                for name, dtype in types.items()
            }


def _copied(store: Store, query: Select[Any], types: Mapping[str, str]) -> Iterator[Arrays]:
    """Binary COPY of columns that are all eight bytes wide and never NULL: the answer is one structured array."""
    wide = {name: ">i8" if dtype.startswith("int") else ">f8" for name, dtype in types.items()}
    listed = ", ".join(
        f"coalesce({name}, -1)::int8" if kind == ">i8" else f"coalesce({name}, 'NaN')::float8"
        for name, kind in wide.items()
    )
    fields: list[tuple[str, str]] = [("_n", ">i2")]
    for name, kind in wide.items():
        fields += [(f"_len_{name}", ">i4"), (name, kind)]
    layout = np.dtype(fields)
    wrapped = " ".join(("COPY (SELECT", listed, "FROM (", _sql(store, query), ") AS asked) TO STDOUT (FORMAT BINARY)"))
    with store.read() as conn:
        raw: Any = conn.connection.dbapi_connection
        waiting, skip = bytearray(), _HEADER_BYTES
        try:
            with raw.cursor() as cursor, cursor.copy(wrapped) as copy:
                for data in copy:
                    waiting += data
                    if len(waiting) >= BLOCK_ROWS * layout.itemsize + skip:
                        whole = (len(waiting) - skip - _TRAILER_BYTES) // layout.itemsize * layout.itemsize
                        yield _cut(bytes(waiting[skip : skip + whole]), layout, types)
                        del waiting[: skip + whole]
                        skip = 0
        except store.driver_error as why:
            raise StoreError(f"{store.url}: can't be read: {why}. See `wakeledger check`.") from why
        rest = bytes(waiting[skip : len(waiting) - _TRAILER_BYTES])
        if rest:
            yield _cut(rest, layout, types)


def _cut(data: bytes, layout: np.dtype[Any], types: Mapping[str, str]) -> Arrays:
    table = np.frombuffer(data, layout)
    return {name: table[name].astype(dtype) for name, dtype in types.items()}
