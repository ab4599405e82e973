"""Stored rows back to the wake records that made them; what has no column is put back from `extra`."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from sqlalchemy import select

from fleet.messages import Asleep, BandSettings, Histogram, Life, WakeRecord
from fleet.store.engine import Store
from fleet.store.tables import NODES, SETTINGS, WAKES
from fleet.wire_extra import read_extra
from fleet.words import Cause

BLOCK_COUNT = 5000
_PLAIN = ("up_s", "late_s", "batt_mv", "batt_tx_mv", "awake_ms", "radio_ms", "rssi_dbm", "temp_c")
_SETTING = ("lo", "hi", "hyst", "sleep_s", "period_ms", "digest")
StoredRecord = tuple[str, float, WakeRecord, dict[str, Any]]
"""Node, arrival, record, keys that the contract does not know."""


def stored_records(store: Store, since_s: float, until_s: float) -> Iterator[StoredRecord]:
    """Records that arrived in [since, until), in order of arrival."""
    columns: list[Any] = [WAKES, NODES.c.node, NODES.c.banded_reading, SETTINGS.c.rev, SETTINGS.c.avg]
    columns += [SETTINGS.c[name] for name in _SETTING]
    query = (
        select(*columns)
        .select_from(WAKES.join(NODES, NODES.c.node_id == WAKES.c.node_id).outerjoin(
            SETTINGS, SETTINGS.c.set_id == WAKES.c.set_id))
        .where(WAKES.c.arrived >= since_s, WAKES.c.arrived < until_s)
        .order_by(WAKES.c.arrived, WAKES.c.node_id, WAKES.c.boot, WAKES.c.seq)
    )  # fmt: skip
    with store.read() as conn:
        for row in conn.execution_options(yield_per=BLOCK_COUNT).execute(query):
            values = row._mapping
            extra = read_extra(values["extra"])
            yield str(values["node"]), float(values["arrived"]), _record(values, extra), extra.get("unknown", {})


def _record(row: Any, extra: dict[str, Any]) -> WakeRecord:
    return WakeRecord(
        boot=row["boot"],
        seq=row["seq"],
        cause=extra.get("cause", Cause(row["cause"]).word),
        t=row["clock_t"],
        reading=_readings(row, extra),
        tries=_whole(row["tries"]),
        runs=_whole(row["runs"]),
        asleep=_asleep(row, extra),
        set=_settings(row, extra),
        life=_life(row, extra),
        **{name: row[name] for name in _PLAIN},
    )


def _readings(row: Any, extra: dict[str, Any]) -> dict[str, float] | None:
    """All readings; the banded one has its name from the node list, or stands in `extra` with the others."""
    others: dict[str, float] = extra.get("reading", {})
    name = row["banded_reading"]
    if row["reading"] is None or not name or name in others:
        return others or None
    if not others or len(others) > 1 or others != {next(iter(others)): row["reading"]}:
        return {name: row["reading"]} | others
    return dict(others)  # kept under its own name before the node list named it


def _asleep(row: Any, extra: dict[str, Any]) -> Asleep | None:
    hist = extra.get("hist")
    if row["asleep_n"] is None and hist is None:
        return None
    return Asleep(
        n=_whole(row["asleep_n"]) or 0,
        min=row["asleep_min"],
        max=row["asleep_max"],
        mean=row["asleep_mean"],
        sd=row["asleep_sd"],
        hist=None if hist is None else Histogram(**hist),
    )


def _settings(row: Any, extra: dict[str, Any]) -> BandSettings | None:
    if row["rev"] is None:
        return None
    return BandSettings(
        rev=row["rev"],
        avg=_whole(row["avg"]),
        seen=extra.get("seen", row["rev"] if "digest" in extra else None),
        trial=bool(row["trial"]),
        **{name: row[name] for name in _SETTING if name != "digest"},
        digest=extra.get("digest"),
    )


def _life(row: Any, extra: dict[str, Any]) -> Life | None:
    word = extra.get("word")
    return None if word is None and row["life_wakes"] is None else Life(word=word, wakes=row["life_wakes"])


def _whole(value: float | None) -> int | None:
    return None if value is None else int(value)
