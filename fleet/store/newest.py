"""The ingester's part of a row of `latest`: the newest record of a node, and its growing run."""

from __future__ import annotations

from fleet.messages import WakeRecord
from fleet.store.arrived import ArrivedRecord
from fleet.store.known import RUN_COLUMNS, NodeState
from fleet.store.rows import Row
from fleet.words import CAUSE_OF_WORD, Cause

LATEST_COLUMNS = (
    "node_id", "last_heard", "t", "boot", "seq", "cause", "reading", "batt_mv", "batt_tx_mv", "temp_c", "rssi_dbm",
    "set_id", "trial", "seen", "digest", "word", "life_wakes", *RUN_COLUMNS,
)  # fmt: skip
_NOTHING_NEWER: Row = (None,) * 15


def latest_row(state: NodeState) -> Row:
    """Values in the order of `LATEST_COLUMNS`; None where no newer record says anything of it."""
    run = state.runs.open
    growing = (None,) * 5 if run is None else (run.boot, run.first, run.last, run.since, run.until)
    if not state.newer:
        return (state.node_id, state.last_heard, *_NOTHING_NEWER, *growing)
    newest, set_id = state.newer[-1]
    said = _said(newest, set_id)
    for arrived, set_id in reversed(state.newer[:-1]):
        if _adds(arrived.record, newest.record):
            said = tuple(b if a is None else a for a, b in zip(said, _said(arrived, set_id), strict=True))
    return (state.node_id, state.last_heard, *said, *growing)


def _adds(earlier: WakeRecord, newest: WakeRecord) -> bool:
    """Whether an earlier record of the batch tells what the newest does not."""
    return (
        (newest.batt_mv is None and earlier.batt_mv is not None)
        or (newest.batt_tx_mv is None and earlier.batt_tx_mv is not None)
        or (newest.temp_c is None and earlier.temp_c is not None)
        or (newest.rssi_dbm is None and earlier.rssi_dbm is not None)
        or (newest.reading is None and earlier.reading is not None)
        or (newest.set is None and earlier.set is not None)
        or (newest.life is None and earlier.life is not None)
    )


def _said(arrived: ArrivedRecord, set_id: int | None) -> Row:
    record = arrived.record
    given, life = record.set, record.life
    return (
        arrived.t,
        record.boot,
        record.seq,
        int(CAUSE_OF_WORD.get(record.cause, Cause.OTHER)),
        arrived.reading,
        record.batt_mv,
        record.batt_tx_mv,
        record.temp_c,
        record.rssi_dbm,
        set_id,
        *((None, None, None) if given is None else (int(given.trial), given.seen, given.digest)),
        *((None, None) if life is None else (life.word, life.wakes)),
    )
