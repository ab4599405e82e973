"""A month of `wakes` as Arrow tables in order of node and time, a range of nodes at a time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from sqlalchemy import Select, func, select

from fleet.store.arrow import sentinel_sql, without_sentinel
from fleet.store.engine import Store
from fleet.store.tables import WAKES

ROW_GROUP_ROWS = 65_536
NODES_AT_ONCE = 256
_KEY = ("node_id", "t", "boot", "seq")


def _kind(column: Any) -> str:
    return {"BigInteger": "int64", "Double": "float64", "Text": "string"}[type(column.type).__name__]


_KINDS = {column.name: _kind(column) for column in WAKES.columns}


def wake_tables(store: Store, hours: tuple[int, int], old: Sequence[Any]) -> Iterator[Any]:
    """Tables with every column of `wakes`; `old` are tables of the same month that are merged in.

    Every range of nodes is sorted by itself, so the whole is sorted by node and time.
    """
    import pyarrow
    import pyarrow.compute as compute

    first, after = hours
    with store.read() as conn:
        last_node = conn.execute(select(func.max(WAKES.c.node_id))).scalar() or 0
    for table in old:
        last_node = max(last_node, compute.max(table.column("node_id")).as_py() or 0)
    for start in range(0, last_node + 1, NODES_AT_ONCE):
        query = select(*WAKES.columns).where(
            WAKES.c.hour.in_(list(range(first, after))), WAKES.c.node_id.between(start, start + NODES_AT_ONCE - 1)
        )
        parts = [_read(store, query)]
        for table in old:
            ids = table.column("node_id")
            inside = compute.and_(compute.greater_equal(ids, start), compute.less(ids, start + NODES_AT_ONCE))
            parts.append(table.filter(inside))
        merged = pyarrow.concat_tables(parts)
        if merged.num_rows:
            yield merged.sort_by([(name, "ascending") for name in _KEY])


def _read(store: Store, query: Select[Any]) -> Any:
    import pyarrow

    schema = pyarrow.schema(list(_KINDS.items()))
    with store.guard.lent() as free:
        if store.file is not None and free and not store.snapshot:
            import adbc_driver_sqlite.dbapi

            with adbc_driver_sqlite.dbapi.connect(store.other_library_url) as link, link.cursor() as cursor:
                cursor.execute(sentinel_sql(store, query, _KINDS))
                return without_sentinel(cursor.fetch_arrow_table()).cast(schema)
    with store.read() as conn:
        rows = [tuple(row) for row in conn.execute(query)]
    columns = list(zip(*rows, strict=True)) if rows else [()] * len(schema)
    arrays = [pyarrow.array(values, field.type) for values, field in zip(columns, schema, strict=True)]
    return pyarrow.table(arrays, schema)
