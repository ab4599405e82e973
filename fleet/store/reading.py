"""Wake records out of the store: frames for a few nodes or weeks, blocks for who needs no frame."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from typing import Any

import msgspec
import numpy as np
import pandas as pd
from sqlalchemy import Select, cast, func, literal, select
from sqlalchemy.types import Double

from fleet.frames import RECORD, SETTING
from fleet.store.archived import archived_blocks
from fleet.store.arrow import Arrays, read_blocks, read_frame
from fleet.store.engine import Store
from fleet.store.tables import SETTINGS, WAKES
from fleet.units import S_PER_H

SEEK_NODES = 64
"""Up to so many nodes are looked up hour by hour; more are picked from a scan."""


def record_columns() -> list[Any]:
    """The columns of `wakes` that a RECORD frame carries, NULL made plain where a whole number is needed."""
    return [_column(name, dtype).label(name) for name, dtype in RECORD.items()]


def _column(name: str, dtype: str) -> Any:
    column = WAKES.c[name]
    if name == "set_id":
        return func.coalesce(column, -1)
    if name == "trial":
        return func.coalesce(column, 0)
    return cast(column, Double) if dtype == "float64" and name == "life_wakes" else column


def read_records(store: Store, since_s: float, until_s: float, node_ids: Collection[int] | None = None) -> pd.DataFrame:
    """RECORD frame of all records believed to lie in [since, until), archived ones too, by node and time."""
    blocks = list(record_blocks(store, since_s, until_s, node_ids))
    frame = pd.DataFrame(
        {
            name: np.concatenate([block[name] for block in blocks]) if blocks else np.empty(0, dtype)
            for name, dtype in RECORD.items()
        }
    )
    order = np.lexsort((frame["seq"], frame["boot"], frame["t"], frame["node_id"]))
    return frame.iloc[order].reset_index(drop=True)


def record_blocks(
    store: Store, since_s: float, until_s: float, node_ids: Collection[int] | None = None
) -> Iterator[Arrays]:
    """The same in blocks, in no order that counts."""
    yield from archived_blocks(store, since_s, until_s, node_ids)
    yield from read_blocks(store, records_query(since_s, until_s, node_ids), RECORD)


def records_query(since_s: float, until_s: float, node_ids: Collection[int] | None) -> Select[Any]:
    """What reads RECORD columns of a span of time, for few nodes hour by hour."""
    first, last = int(since_s // S_PER_H), int(until_s // S_PER_H)
    query = select(*record_columns()).where(WAKES.c.t >= since_s, WAKES.c.t < until_s)
    if node_ids is None:
        return query.where(WAKES.c.hour.between(first, last))
    wanted = sorted(int(node_id) for node_id in node_ids)
    if len(wanted) > SEEK_NODES:
        return query.where(WAKES.c.hour.between(first, last), WAKES.c.node_id.in_(wanted))
    start = select(literal(first).label("hour")).cte("hours", recursive=True)
    hours = start.union_all(select(start.c.hour + 1).where(start.c.hour < last))
    return query.select_from(hours.join(WAKES, WAKES.c.hour == hours.c.hour)).where(WAKES.c.node_id.in_(wanted))


def read_settings(store: Store) -> pd.DataFrame:
    """SETTING frame: every distinct settings that a node reported."""
    return read_frame(store, select(*(SETTINGS.c[name] for name in SETTING)), SETTING)


def read_hists(store: Store, records: pd.DataFrame) -> dict[int, tuple[float, float, list[int]]]:
    """Histograms of these records: index in the frame → lower edge, step, counts. Archived ones have none."""
    if not len(records):
        return {}
    first, last = int(records["t"].min() // S_PER_H), int(records["t"].max() // S_PER_H)
    keys = (WAKES.c.node_id, WAKES.c.t, WAKES.c.boot, WAKES.c.seq)
    query = select(*keys, WAKES.c.extra).where(WAKES.c.hour.between(first, last), WAKES.c.extra.like('%"hist"%'))
    named = zip(*(records[name].tolist() for name in ("node_id", "t", "boot", "seq")), strict=True)
    place = dict(zip(named, records.index.tolist(), strict=True))
    found: dict[int, tuple[float, float, list[int]]] = {}
    with store.read() as conn:
        for node_id, t, boot, seq, extra in conn.execute(query):
            index = place.get((node_id, t, boot, seq))
            hist = msgspec.json.decode(extra).get("hist")
            if index is not None and hist:
                found[index] = (float(hist["lo"]), float(hist["step"]), [int(n) for n in hist["n"]])
    return found
