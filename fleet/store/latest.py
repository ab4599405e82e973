"""What each node told last, with the settings it told."""

from __future__ import annotations

import pandas as pd
from sqlalchemy import select

from fleet.frames import Columns
from fleet.store.engine import Store
from fleet.store.tables import LATEST, NODES, SETTINGS
from fleet.store.typed import typed_frame

LATEST_ROW: Columns = {
    "node_id": "int32", "node": "str", "last_heard": "float64", "t": "float64", "boot": "float64", "seq": "float64",
    "cause": "float64", "reading": "float64", "batt_mv": "float64", "batt_tx_mv": "float64", "temp_c": "float64",
    "rssi_dbm": "float64", "set_id": "float64", "trial": "float64", "word": "str", "life_wakes": "float64",
    "seen": "float64", "digest": "str", "need": "float64",
}  # fmt: skip
_SETTINGS = ("rev", "lo", "hi", "hyst", "sleep_s", "period_ms", "avg")


def read_latest(store: Store) -> pd.DataFrame:
    """One row a node ever heard: its newest record's columns, and `rev`, `lo` … `avg` as it told them."""
    told = dict.fromkeys(_SETTINGS, "float64")
    columns = [NODES.c.node if name == "node" else LATEST.c[name] for name in LATEST_ROW]
    query = (
        select(*columns, *(SETTINGS.c[name] for name in _SETTINGS))
        .join(NODES, NODES.c.node_id == LATEST.c.node_id)
        .outerjoin(SETTINGS, SETTINGS.c.set_id == LATEST.c.set_id)
        .order_by(LATEST.c.node_id)
    )
    with store.read() as conn:
        return typed_frame([tuple(row) for row in conn.execute(query)], {**LATEST_ROW, **told})
