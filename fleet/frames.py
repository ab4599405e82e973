"""Columns, dtypes and units of every frame that passes between stages, and the check that a frame has them.

A column that is not known is NaN, NA or NaT; never 0.
"""

from __future__ import annotations

from typing import Final

import pandas as pd

from fleet.errors import EstimateError
from fleet.words import Cause

Columns = dict[str, str]

RECORD: Final[Columns] = {
    "node_id": "int32",
    "t": "float64",  # believed time of the wake, seconds since 1970 UTC
    "boot": "int64",
    "seq": "int64",
    "arrived": "float64",  # seconds since 1970 UTC
    "time_from": "int8",  # words.TimeFrom
    "clock_t": "float64",  # the node's own clock as sent; NaN if unset
    "cause": "int8",  # words.Cause
    "up_s": "float64",
    "late_s": "float64",
    "reading": "float64",  # the banded reading at the wake
    "batt_mv": "float64",
    "batt_tx_mv": "float64",  # of the previous wake, like awake_ms, radio_ms, tries
    "awake_ms": "float64",
    "radio_ms": "float64",
    "tries": "float64",
    "rssi_dbm": "float64",
    "temp_c": "float64",
    "runs": "float64",
    "asleep_n": "float64",
    "asleep_min": "float64",
    "asleep_max": "float64",
    "asleep_mean": "float64",
    "asleep_sd": "float64",
    "set_id": "int32",  # row of the SETTING frame; -1 where the record carried none
    "trial": "int8",  # 1 while on trial
    "life_wakes": "float64",
}
"""One row a stored wake record. The histogram and further readings stay in the store's `extra` JSON."""

SETTING: Final[Columns] = {
    "set_id": "int32",
    "node_id": "int32",
    "rev": "int64",
    "lo": "float64",
    "hi": "float64",
    "hyst": "float64",
    "sleep_s": "float64",
    "period_ms": "float64",
    "avg": "float64",
}
"""One row a node and distinct settings ever reported."""

_CAUSE_COUNTS: Columns = {f"n_{cause.word}": "float64" for cause in Cause}
CAUSE_GROUPS: Final[dict[str, tuple[Cause, ...]]] = {
    "timer": (Cause.TIMER,),
    "band": (Cause.BAND_LOW, Cause.BAND_HIGH),
    "reset": (Cause.POWER_ON, Cause.BROWNOUT, Cause.WATCHDOG, Cause.CRASH),
    "other": (Cause.COUNT, Cause.PIN, Cause.TOUCH, Cause.OTHER),
    "unknown": (),  # the wake described belongs to a record that is not here
}
_BY_GROUP: Columns = {
    f"{what}_{group}": "float64"
    for group in CAUSE_GROUPS
    for what in ("awake_count", "awake_ms", "awake_sq_ms2", "radio_count", "radio_ms")
}

DAY: Final[Columns] = {
    "node_id": "int32",
    "day": "int32",  # days since 1970-01-01 UTC
    "seen": "float64",  # distinct records stored
    "missing": "float64",  # wakes of the same boots, between first and last seq of this day, without a record
    "boots": "float64",  # distinct cold starts seen
    "first_t": "float64",
    "last_t": "float64",
    "first_boot": "int64",
    "first_seq": "int64",
    "last_boot": "int64",
    "last_seq": "int64",
    "last_life_wakes": "float64",
    **_CAUSE_COUNTS,
    **_BY_GROUP,
    "tries": "float64",  # sum
    "tries_count": "float64",  # records that carried it
    "failed_tries": "float64",  # sum of tries beyond the first
    "rssi_dbm": "float64",  # median
    "rssi_min_dbm": "float64",
    "batt_count": "float64",
    "batt_mv": "float64",  # lower median, rested
    "batt_min_mv": "float64",
    "batt_max_mv": "float64",
    "batt_last_mv": "float64",
    "tx_count": "float64",
    "batt_tx_mv": "float64",  # lower median, under radio load
    "batt_tx_min_mv": "float64",
    "temp_count": "float64",
    "temp_c": "float64",  # mean
    "temp_min_c": "float64",
    "temp_max_c": "float64",
    "temp_factor_q10": "float64",  # mean of 2 ** ((temp_c - 20) / 10)
    "temp_at_batt_c": "float64",  # mean temperature of the records that carry batt_mv
    "runs": "float64",  # coprocessor runs, sum
    "reading_count": "float64",
    "reading_mean": "float64",
    "reading_sd": "float64",
    "reading_min": "float64",
    "reading_max": "float64",
    "asleep_count": "float64",
    "asleep_mean": "float64",
    "asleep_sd": "float64",
    "asleep_min": "float64",
    "asleep_max": "float64",
    "edge_near": "float64",  # band wakes whose reading lies within asleep_sd (or 2 % of the band) of the edge crossed
    "band_close": "float64",  # band wakes less than 600 s after the record before, same boot (chatter)
    "gap_max_s": "float64",  # longest silence that ended this day, within the day
    "clock_count": "float64",  # records with a clock that is set
    "clock_unset": "float64",
    "clock_fault": "float64",  # records whose clock was not believed
    "skew_s": "float64",  # median of arrived - late_s - clock_t
    "skew_min_s": "float64",
    "skew_max_s": "float64",
    "late_s": "float64",  # median
    "late_max_s": "float64",
    "set_id": "int32",  # settings of the last record that carried some; -1 if none
    "set_changes": "float64",
}
"""One row a node and UTC day that has at least one record. Medians are lower medians."""

NODE: Final[Columns] = {
    "node_id": "int32",
    "node": "str",
    "site": "str",
    "profile": "str",
    "chemistry": "str",
    "latitude": "float64",
    "longitude": "float64",
    "timezone": "str",
    "fitted": "float64",  # when the present battery went in, seconds since 1970 UTC; NaN if not told
    "banded_reading": "str",
    "lo": "float64",
    "hi": "float64",
    "hyst": "float64",
    "sleep_s": "float64",
    "period_ms": "float64",
    "avg": "float64",
    "retired": "bool",
    "known": "bool",  # in the node list; False: heard, not yet adopted
}
"""One row a node. Settings here are what the node list says; what a record's `set` says goes first."""

EVENT: Final[Columns] = {
    "node_id": "int32",
    "at": "float64",
    "what": "str",  # words.EventKind
    "note": "str",
}
"""What people told: visits (planned ones lie in the future), swaps, moves, retirements."""

CHARGE: Final[Columns] = {
    "node_id": "int32",
    "day": "int32",
    "charge_left": "float64",
    "charge_left_lo": "float64",
    "charge_left_hi": "float64",
}
"""History of charge left, share of usable, 90 % interval; one row a node and day."""

OUTLOOK: Final[Columns] = {
    "node_id": "int32",
    "ahead_d": "int32",
    "p10": "float64",
    "p25": "float64",
    "p50": "float64",
    "p75": "float64",
    "p90": "float64",
}
"""Charge left expected so many days ahead, quantiles of share of usable, not below 0."""

ESTIMATE: Final[Columns] = {
    "node_id": "int32",
    "as_of": "float64",
    "since": "float64",
    "last_heard": "float64",
    "wakes": "float64",
    "wakes_seen": "float64",
    "wakes_per_day": "float64",
    **{f"wakes_{cause.word}": "float64" for cause in Cause},
    "duty_main": "float64",
    "duty_main_lo": "float64",
    "duty_main_hi": "float64",
    "duty_coprocessor": "float64",
    "drain_ma": "float64",
    "drain_ma_lo": "float64",
    "drain_ma_hi": "float64",
    "drain_mah_per_day": "float64",
    "drain_mah_per_day_lo": "float64",
    "drain_mah_per_day_hi": "float64",
    "part_sleep": "float64",  # drain_parts, mAh per day
    "part_coprocessor": "float64",
    **{f"part_wake_{cause.word}": "float64" for cause in Cause},
    "part_radio": "float64",
    "part_self_discharge": "float64",
    "drain_ratio": "float64",
    "drain_ratio_lo": "float64",
    "drain_ratio_hi": "float64",
    "floor_ua": "float64",
    "floor_ua_lo": "float64",
    "floor_ua_hi": "float64",
    "wake_cost_mc": "float64",
    "wake_cost_mc_lo": "float64",
    "wake_cost_mc_hi": "float64",
    "battery_from": "float64",
    "charge_left": "float64",
    "charge_left_lo": "float64",
    "charge_left_hi": "float64",
    "usable_mah": "float64",  # believed usable charge of the pack when full
    "days_left_p10": "float64",
    "days_left_p50": "float64",
    "days_left_p90": "float64",
    **{f"dead_by_{horizon}": "float64" for horizon in (7, 14, 30, 90, 180, 365)},
    "recharged": "bool",
    "why_null": "object",  # dict: result column -> sentence
}
"""One row a node: the results contract, flat. `store.findings.as_result` folds it into the contract's objects."""

DEAD_BY_D: Final = (7, 14, 30, 90, 180, 365)

FLAG: Final[Columns] = {
    "node_id": "int32",
    "flag": "str",  # words.Flag
    "since": "float64",
    "since_lo": "float64",
    "since_hi": "float64",
    "strength": "float64",  # 0 to 1, calibrated
    "evidence": "str",  # one sentence with the figures
    "part": "str",  # what to look at
    "under": "str",  # the root flag that this one is listed under; "" if it stands for itself
}
"""One row an open flag."""

ADVICE: Final[Columns] = {
    "node_id": "int32",
    "lo": "float64",
    "hi": "float64",
    "hyst": "float64",
    "sleep_s": "float64",
    "period_ms": "float64",
    "avg": "float64",
    **{
        f"{what}{end}": "float64"
        for what in ("wakes_per_day", "drain_mah_per_day", "events_seen")
        for end in ("", "_lo", "_hi")
    },
    "days_left_p10": "float64",
    "days_left_p50": "float64",
    "days_left_p90": "float64",
    "method": "str",
    "sentence": "str",
    "remedy": "str",  # "settings", "visit" or "none"
}
"""At most one row a node: the settings proposed and what they would do (80 % intervals)."""


def empty_frame(columns: Columns) -> pd.DataFrame:
    """A frame with these columns and no rows.

    >>> len(empty_frame(EVENT)), list(empty_frame(EVENT).columns)
    (0, ['node_id', 'at', 'what', 'note'])
    """
    return pd.DataFrame({name: pd.Series(dtype=dtype) for name, dtype in columns.items()})


def check_frame(frame: pd.DataFrame, columns: Columns, what: str) -> pd.DataFrame:
    """The frame itself, if it has all of these columns.

    Raises
    ------
    EstimateError
        If a column is missing.
    """
    missing = [name for name in columns if name not in frame.columns]
    if missing:
        raise EstimateError(f"{what}: column {missing[0]} is missing. A stage before did not write it.")
    return frame
