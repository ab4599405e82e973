"""Battery, radio, temperature, banded reading and clock of a day."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from fleet.daily.groups import BoolArray, FloatArray, Groups, IntArray
from fleet.words import Cause, TimeFrom

Rows = Mapping[str, np.ndarray]
Made = dict[str, np.ndarray]
CLOCK_SET_S = 978_307_200.0  # 2001-01-01 UTC: before it a clock counts as not set (wire contract)
CLOSE_S = 600.0
BAND_SHARE_NEAR = 0.02
Q10_REFERENCE_C = 20.0


def radio_columns(columns: Rows, groups: Groups) -> Made:
    """Connection attempts and signal strength."""
    tries = columns["tries"]
    rssi = columns["rssi_dbm"]
    return {
        "tries": groups.sum(tries),
        "tries_count": groups.count_where(np.isfinite(tries)),
        "failed_tries": groups.sum(np.maximum(tries - 1.0, 0.0)),
        "rssi_dbm": groups.lower_median(rssi, per_unit=100, low=-1000.0, high=1000.0),
        "rssi_min_dbm": groups.min(rssi),
    }


def battery_columns(columns: Rows, groups: Groups) -> Made:
    """Voltages at rest and under radio load, temperature, and the coprocessor's runs."""
    batt, loaded, temp = columns["batt_mv"], columns["batt_tx_mv"], columns["temp_c"]
    batt_known = np.isfinite(batt)
    last_row, has_batt = groups.last(batt, batt_known)
    return {
        "batt_count": groups.count_where(batt_known),
        "batt_mv": groups.lower_median(batt, per_unit=1000, low=0.0, high=100_000.0),
        "batt_min_mv": groups.min(batt),
        "batt_max_mv": groups.max(batt),
        "batt_last_mv": np.where(has_batt, batt[last_row], np.nan),
        "tx_count": groups.count_where(np.isfinite(loaded)),
        "batt_tx_mv": groups.lower_median(loaded, per_unit=1000, low=0.0, high=100_000.0),
        "batt_tx_min_mv": groups.min(loaded),
        "temp_count": groups.count_where(np.isfinite(temp)),
        "temp_c": groups.mean(temp),
        "temp_min_c": groups.min(temp),
        "temp_max_c": groups.max(temp),
        "temp_factor_q10": groups.mean(np.exp2((temp - Q10_REFERENCE_C) / 10.0)),
        "temp_at_batt_c": groups.mean(np.where(batt_known, temp, np.nan)),
        "runs": groups.sum(columns["runs"]),
    }


def reading_columns(columns: Rows, groups: Groups, settings: Rows | None) -> Made:
    """The banded reading at wakes and asleep, how near its band wakes lie to the edge, and the settings in force."""
    reading = columns["reading"]
    mean = groups.mean(reading)
    spread = groups.mean((reading - mean[groups.of_row]) ** 2)
    set_id = columns["set_id"]
    set_row, has_set = groups.last(set_id, set_id >= 0)
    return {
        "reading_count": groups.count_where(np.isfinite(reading)),
        "reading_mean": mean,
        "reading_sd": np.sqrt(spread),
        "reading_min": groups.min(reading),
        "reading_max": groups.max(reading),
        **_asleep(columns, groups),
        "edge_near": _edge_near(columns, groups, settings),
        "band_close": _band_close(columns, groups),
        "set_id": np.where(has_set, set_id[set_row], -1),
        "set_changes": _set_changes(set_id, groups),
    }


def clock_columns(columns: Rows, groups: Groups) -> Made:
    """Whether the node's clock is set and believed, how far it is off, and how late records came."""
    clock_t = columns["clock_t"]
    is_set = clock_t >= CLOCK_SET_S  # False for NaN
    late = columns["late_s"]
    waited = np.where(np.isfinite(late), late, 0.0)
    skew = np.where(is_set, columns["arrived"] - waited - clock_t, np.nan)
    return {
        "clock_count": groups.count_where(is_set),
        "clock_unset": groups.count_where(~is_set),
        "clock_fault": groups.count_where(is_set & (columns["time_from"] != TimeFrom.CLOCK)),
        "skew_s": groups.lower_median(skew, per_unit=1000, low=-1e8, high=1e8),
        "skew_min_s": groups.min(skew),
        "skew_max_s": groups.max(skew),
        "late_s": groups.lower_median(late, per_unit=1000, low=0.0, high=1e7),
        "late_max_s": groups.max(late),
    }


def _asleep(columns: Rows, groups: Groups) -> Made:
    """Statistics of the reading asleep, pooled over the day."""
    count, mean, sd = columns["asleep_n"], columns["asleep_mean"], columns["asleep_sd"]
    weighed = (count > 0) & np.isfinite(mean)
    total = groups.sum_where(count, weighed)
    pooled = groups.sum_where(count * np.where(weighed, mean, 0.0), weighed) / total
    spread = np.where(np.isfinite(sd), sd, 0.0) ** 2 + (mean - pooled[groups.of_row]) ** 2
    pooled_sd = np.sqrt(groups.sum_where(count * np.where(weighed, spread, 0.0), weighed) / total)
    sd_known = groups.count_where(weighed & np.isfinite(sd)) > 0
    return {
        "asleep_count": groups.sum(np.where(count > 0, count, np.nan)),
        "asleep_mean": pooled,
        "asleep_sd": np.where(sd_known, pooled_sd, np.nan),
        "asleep_min": groups.min(columns["asleep_min"]),
        "asleep_max": groups.max(columns["asleep_max"]),
    }


def _edge_near(columns: Rows, groups: Groups, settings: Rows | None) -> FloatArray:
    """Band wakes whose reading lies close to the edge they crossed; NaN where the band is not known."""
    if settings is None or not len(settings["set_id"]):
        return np.full(groups.count, np.nan)
    order = np.argsort(settings["set_id"], kind="stable")
    ids = np.asarray(settings["set_id"])[order]
    set_id = _set_in_force(columns["set_id"], groups)
    place = np.minimum(np.searchsorted(ids, set_id), len(ids) - 1)
    known = ids[place] == set_id
    low = np.where(known, np.asarray(settings["lo"], dtype=float)[order][place], np.nan)
    high = np.where(known, np.asarray(settings["hi"], dtype=float)[order][place], np.nan)
    cause, reading, sd = columns["cause"], columns["reading"], columns["asleep_sd"]
    band = (cause == Cause.BAND_LOW) | (cause == Cause.BAND_HIGH)
    edge = np.where(cause == Cause.BAND_LOW, low, high)
    off = np.abs(reading - edge)
    near = off <= np.where(sd > 0, sd, BAND_SHARE_NEAR * (high - low))
    judged = groups.count_where(band & np.isfinite(off)) > 0
    bandless = groups.count_where(band) == 0
    return np.where(judged | (bandless & (groups.count_where(known) > 0)), groups.count_where(band & near), np.nan)


def _set_in_force(set_id: IntArray, groups: Groups) -> IntArray:
    """Settings of each record: its own, else those last told before it on that day."""
    rows = np.arange(len(set_id))
    told = np.maximum.accumulate(np.where(set_id >= 0, rows, -1))
    return np.where(told >= groups.starts[groups.of_row], set_id[np.maximum(told, 0)], -1)


def _band_close(columns: Rows, groups: Groups) -> FloatArray:
    """Band wakes less than ten minutes after the record before of the same boot."""
    cause, t, boot = columns["cause"], columns["t"], columns["boot"]
    close = (cause == Cause.BAND_LOW) | (cause == Cause.BAND_HIGH)
    step = t[1:] - t[:-1]
    close[1:] &= (step >= 0) & (step < CLOSE_S) & (boot[1:] == boot[:-1])
    close[groups.starts] = False
    return groups.count_where(close)


def _set_changes(set_id: IntArray, groups: Groups) -> FloatArray:
    """How often the settings differ from those told before on the same day."""
    told = np.flatnonzero(set_id >= 0)
    changed: BoolArray = np.zeros(len(set_id), dtype=bool)
    if told.size > 1:
        differ = (np.diff(set_id[told]) != 0) & (np.diff(groups.of_row[told]) == 0)
        changed[told[1:][differ]] = True
    return groups.count_where(changed)
