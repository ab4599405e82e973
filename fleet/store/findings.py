"""What an analysis found: estimates, charge history, outlooks, flags and advice, written at once and read as frames."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

import msgspec
import numpy as np
import pandas as pd
from sqlalchemy import Connection, Table, delete, func, select

from fleet.estimates.fleet import Estimates
from fleet.frames import ADVICE, CHARGE, ESTIMATE, FLAG, OUTLOOK, Columns
from fleet.store.arrow import read_frame
from fleet.store.engine import Store
from fleet.store.insert import upsert
from fleet.store.orders import read_open_orders
from fleet.store.results import Result, advice_objects, as_result, as_results, plain, rows_of
from fleet.store.setup import read_muted, read_nodes
from fleet.store.state import read_state, write_state
from fleet.store.tables import ADVICES, CHARGES, ESTIMATES, FLAGS, LATEST, NODES, OUTLOOKS
from fleet.store.typed import frame_of_mappings, typed_frame

__all__ = ["advice_objects", "as_result", "as_results", "plain", "read_results", "write_findings"]

LAST_RUN = "last_analysis"
FORECAST = (
    "node_id", "as_of", "since", "last_heard", "wakes_per_day", "drain_mah_per_day", "battery_from", "charge_left",
    "charge_left_lo", "charge_left_hi", "days_left_p10", "days_left_p50", "days_left_p90",
    "dead_by_7", "dead_by_14", "dead_by_30", "dead_by_90", "dead_by_180", "dead_by_365",
)  # fmt: skip
"""What is kept of an analysis once a newer one is there: enough to score its forecasts."""
_LATEST_ESTIMATES = ("days_left_p10", "days_left_p50", "days_left_p90", "charge_left", "wakes_per_day")
_SOON_D = 30.0


def write_findings(
    store: Store, estimates: Estimates, flags: pd.DataFrame, advice: pd.DataFrame, *, as_of_at: datetime
) -> None:
    """Write all that one analysis found in one transaction; a rerun of the same moment writes over it."""
    as_of_s = as_of_at.timestamp()
    with store.write() as conn:
        _thin(conn, as_of_s)
        rows = [(row["node_id"], as_of_s, _packed(row)) for row in rows_of(estimates.nodes)]
        upsert(conn, ESTIMATES, ("node_id", "as_of", "result"), rows)
        upsert(conn, CHARGES, list(CHARGE), _tuples(estimates.charge, CHARGE))
        _replace_outlooks(conn, estimates.outlook)
        conn.execute(delete(FLAGS).where(FLAGS.c.as_of == as_of_s))
        flag_rows = [(*row, as_of_s) for row in _tuples(flags, FLAG)]
        upsert(conn, FLAGS, (*FLAG, "as_of"), flag_rows)
        conn.execute(delete(ADVICES).where(ADVICES.c.as_of == as_of_s))
        upsert(
            conn,
            ADVICES,
            ("node_id", "as_of", "result"),
            [(row["node_id"], as_of_s, _packed(row)) for row in rows_of(advice)],
        )
        _write_latest(conn, estimates.nodes, flags)
        write_state(conn, LAST_RUN, repr(as_of_s))


def _packed(row: dict[str, Any], names: Iterable[str] | None = None) -> str:
    kept = row if names is None else {name: row[name] for name in names if name in row}
    return msgspec.json.encode({name: _short(value) for name, value in kept.items()}).decode()


def _short(value: Any) -> Any:
    """The value with as many digits as it can mean; moments keep theirs."""
    value = plain(value)
    if isinstance(value, float) and abs(value) < 1e8:
        return float(f"{value:.7g}")
    if isinstance(value, list | tuple | np.ndarray):
        return [_short(part) for part in value]
    return {name: _short(part) for name, part in value.items()} if isinstance(value, dict) else value


def _tuples(frame: pd.DataFrame, columns: Columns) -> list[tuple[Any, ...]]:
    return [tuple(plain(row[name]) for name in columns) for row in rows_of(frame)]


def _thin(conn: Connection, as_of_s: float) -> None:
    """Cut the run before down to its forecasts: a fleet's full results of every night would fill the disk."""
    before = _last_run(conn)
    if before is None or before == as_of_s:
        return
    query = (
        select(ESTIMATES.c.node_id, ESTIMATES.c.result)
        .select_from(NODES)
        .join(ESTIMATES, (ESTIMATES.c.node_id == NODES.c.node_id) & (ESTIMATES.c.as_of == before))
    )
    rows = [(node_id, before, _packed(msgspec.json.decode(text), FORECAST)) for node_id, text in conn.execute(query)]
    upsert(conn, ESTIMATES, ("node_id", "as_of", "result"), rows)


def _replace_outlooks(conn: Connection, outlook: pd.DataFrame) -> None:
    ids = [(int(node_id),) for node_id in outlook["node_id"].unique()]
    if ids:
        conn.execute(delete(OUTLOOKS).where(OUTLOOKS.c.node_id.in_([one for (one,) in ids])))
    upsert(conn, OUTLOOKS, list(OUTLOOK), _tuples(outlook, OUTLOOK))


def _write_latest(conn: Connection, estimates: pd.DataFrame, flags: pd.DataFrame) -> None:
    """The estimates that a first screen shows, and how much a node needs a person: a soon death, a strong flag."""
    strongest = flags.groupby("node_id")["strength"].max().to_dict() if len(flags) else {}
    rows = []
    for row in rows_of(estimates):
        p10 = plain(row["days_left_p10"])
        soon = 0.0 if p10 is None else _SOON_D / (_SOON_D + max(p10, 0.0))
        need = soon + float(plain(strongest.get(row["node_id"])) or 0.0)
        rows.append((row["node_id"], *(plain(row[name]) for name in _LATEST_ESTIMATES), need))
    upsert(conn, LATEST, ("node_id", *_LATEST_ESTIMATES, "need"), rows)


def _last_run(conn: Connection) -> float | None:
    found = read_state(conn, LAST_RUN)
    return None if found is None else float(found)


def last_analysis(store: Store) -> float | None:
    """Moment of the last analysis, seconds since 1970 UTC; None before the first."""
    with store.read() as conn:
        return _last_run(conn)


def _stored(store: Store, table: Table, as_of_s: float | None, every_run: bool) -> list[dict[str, Any]]:
    query = select(table.c.result).select_from(NODES).join(table, table.c.node_id == NODES.c.node_id)
    with store.read() as conn:
        if not every_run:
            moment_s = _last_run(conn) if as_of_s is None else as_of_s
            query = query.where(table.c.as_of == (float("-inf") if moment_s is None else moment_s))
        return [msgspec.json.decode(text) for text in conn.execute(query.order_by(NODES.c.node_id)).scalars()]


def read_estimates(store: Store, *, as_of_s: float | None = None, every_run: bool = False) -> pd.DataFrame:
    """ESTIMATE frame of the last analysis, of one moment, or of all; of older ones only what scoring needs is kept."""
    return frame_of_mappings(_stored(store, ESTIMATES, as_of_s, every_run), ESTIMATE)


def read_advice(store: Store, *, as_of_s: float | None = None) -> pd.DataFrame:
    """ADVICE frame of the last analysis, with the trade-off curve in `curve`."""
    return frame_of_mappings(_stored(store, ADVICES, as_of_s, False), {**ADVICE, "curve": "object"})


def read_flags(store: Store, *, as_of_s: float | None = None, muted: bool = False) -> pd.DataFrame:
    """FLAG frame of the last analysis; muted ones only if asked for."""
    with store.read() as conn:
        moment_s = _last_run(conn) if as_of_s is None else as_of_s
        query = select(*(FLAGS.c[name] for name in FLAG)).where(FLAGS.c.as_of == moment_s)
        rows = [tuple(row) for row in conn.execute(query)] if moment_s is not None else []
    frame = typed_frame(rows, FLAG)
    if muted or not len(frame):
        return frame
    quiet = read_muted(store, moment_s or 0.0)
    begun = [quiet.get(key, float("-inf")) for key in zip(frame["node_id"], frame["flag"], strict=True)]
    return frame[frame["since"] > begun].reset_index(drop=True)


def read_flag_history(store: Store) -> pd.DataFrame:
    """Flags of every analysis: FLAG columns and `as_of`."""
    columns = {**FLAG, "as_of": "float64"}
    with store.read() as conn:
        query = select(*(FLAGS.c[name] for name in columns)).order_by(FLAGS.c.as_of)
        return typed_frame([tuple(row) for row in conn.execute(query)], columns)


def read_charge(store: Store, node_ids: Iterable[int] | None = None, *, since_day: int | None = None) -> pd.DataFrame:
    """CHARGE frame, by node and day."""
    query = select(*(CHARGES.c[name] for name in CHARGE)).order_by(CHARGES.c.node_id, CHARGES.c.day)
    if node_ids is not None:
        query = query.where(CHARGES.c.node_id.in_([int(node_id) for node_id in node_ids]))
    return read_frame(store, query if since_day is None else query.where(CHARGES.c.day >= since_day), CHARGE)


def read_outlook(store: Store, node_ids: Iterable[int] | None = None) -> pd.DataFrame:
    """OUTLOOK frame, by node and days ahead."""
    query = select(*(OUTLOOKS.c[name] for name in OUTLOOK)).order_by(OUTLOOKS.c.node_id, OUTLOOKS.c.ahead_d)
    if node_ids is not None:
        query = query.where(OUTLOOKS.c.node_id.in_([int(node_id) for node_id in node_ids]))
    return read_frame(store, query, OUTLOOK)


def read_results(store: Store) -> list[Result]:
    """The results contract's objects of the last analysis."""
    return as_results(
        read_estimates(store), read_nodes(store), read_flags(store), read_advice(store), read_open_orders(store)
    )


def runs_count(store: Store) -> int:
    """How many analyses are kept."""
    with store.read() as conn:
        return int(conn.execute(select(func.count(func.distinct(ESTIMATES.c.as_of)))).scalar_one())
