"""Wake records as rows of `wakes`, and what tells two records of one name apart."""

from __future__ import annotations

from typing import Any

from fleet.store.arrived import ArrivedRecord
from fleet.store.tables import WAKES
from fleet.units import S_PER_D, S_PER_H
from fleet.words import CAUSE_OF_WORD, Cause

Row = tuple[Any, ...]

WAKE_COLUMNS = tuple(column.name for column in WAKES.columns)
CONTENT_COLUMNS = (
    "clock_t", "cause", "up_s", "reading", "batt_mv", "batt_tx_mv", "awake_ms", "radio_ms", "tries", "rssi_dbm",
    "temp_c", "runs", "asleep_n", "asleep_min", "asleep_max", "asleep_mean", "asleep_sd", "life_wakes",
)  # fmt: skip
"""What a node says of a wake and never changes when it says it again; `late_s` grows while a record waits."""

_AT = {name: place for place, name in enumerate(WAKE_COLUMNS)}
_CONTENT = tuple(_AT[name] for name in CONTENT_COLUMNS)
T, BOOT, SEQ = _AT["t"], _AT["boot"], _AT["seq"]
_NO_ASLEEP = (None, None, None, None, None)

SAME_TIME_S = S_PER_H
"""Two times of one record may differ by so much: a delay of the network, a `late_s` in whole minutes."""


def row_of(arrived: ArrivedRecord, node_id: int, set_id: int | None) -> Row:
    """The row of one record, in the order of `WAKE_COLUMNS`."""
    record = arrived.record
    asleep = record.asleep
    given = record.set
    return (
        int(arrived.t // S_PER_H),
        node_id,
        arrived.t,
        record.boot,
        record.seq,
        arrived.arrived,
        int(arrived.time_from),
        record.t,
        int(CAUSE_OF_WORD.get(record.cause, Cause.OTHER)),
        record.up_s,
        record.late_s,
        arrived.reading,
        record.batt_mv,
        record.batt_tx_mv,
        record.awake_ms,
        record.radio_ms,
        record.tries,
        record.rssi_dbm,
        record.temp_c,
        record.runs,
        *(_NO_ASLEEP if asleep is None else (asleep.n, asleep.min, asleep.max, asleep.mean, asleep.sd)),
        set_id,
        None if given is None else int(given.trial),
        None if record.life is None else record.life.wakes,
        arrived.extra,
    )


def day_of(row: Row) -> int:
    """UTC day of a row's believed time."""
    return int(row[T] // S_PER_D)


def content_of(row: Row) -> Row:
    """What the node said in this row."""
    return tuple(row[place] for place in _CONTENT)


def is_repeat(row: Row, stored_t: float, stored: Row, *, goes_on: bool) -> bool:
    """Whether a row is the stored record of the same node, boot and seq once more.

    Near in time it is: the first one stored stays. Far in time it is if the node says exactly the same; a node that
    tells nothing but its counters is believed to repeat itself unless this record goes on where its newest one ended.
    """
    if abs(row[T] - stored_t) <= SAME_TIME_S:
        return True
    said = content_of(row)
    if said != stored:
        return False
    tells = sum(value is not None for value in said) > 1  # the cause is always there
    return tells or not goes_on
