"""A clock that is unset, drifts, jumped or keeps the time of another zone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fleet.flags.verdict import Verdicts, verdicts
from fleet.flags.view import BoolArray, FleetView, FloatArray, nan_mean, nan_median
from fleet.units import S_PER_D
from fleet.words import Flag

LEAST_UNSET_SHARE = 0.5
LEAST_FAULT_SHARE = 0.5
LEAST_OFFSET_S = 300.0
ZONE_STEP_S = 1800.0
ZONE_WITHIN_S = 120.0
MOST_DRIFT_PPM = 50.0
LEAST_DRIFT_D = 5
LEAST_SLOPE_D = 8
LEAST_MOVED_S = 15.0
RECENT_D = 7
DRIFT_D = 14
LEAST_CLOCK_RECORDS = 3


@dataclass(frozen=True)
class _Kinds:
    """Which kind of error each node's clock has; the first that is True is told. shape (n_nodes,)"""

    unset: BoolArray
    zone: BoolArray
    offset: BoolArray
    drift: BoolArray
    fault: BoolArray


def clock_wrong(view: FleetView) -> Verdicts:
    """True where the node's clock can't be believed, with the kind of error in the evidence.

    Notes
    -----
    The skew of a day is its smallest arrival less lateness less clock, since delays only add. Drift is the median of
    the day-to-day changes, in ppm of a day, over the last fortnight: a clock that is set again each week still shows
    it. Where the straight line through the skews is surer, it is taken. One that was never set is flagged once, from
    its first record on.
    """
    skew = view["skew_min_s"]
    set_count, unset = np.nan_to_num(view["clock_count"]), np.nan_to_num(view["clock_unset"])
    faults = np.nan_to_num(view["clock_fault"])
    told = (unset + set_count)[:, -RECENT_D:].sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        unset_share = unset[:, -RECENT_D:].sum(axis=1) / told
        fault_share = faults[:, -RECENT_D:].sum(axis=1) / told
    offset = nan_median(skew[:, -RECENT_D:])
    drift, spread = _drift_ppm(skew)
    off_zone = offset - ZONE_STEP_S * np.round(offset / ZONE_STEP_S)
    is_offset = np.nan_to_num(np.abs(offset)) > LEAST_OFFSET_S
    kinds = _Kinds(
        unset=np.nan_to_num(unset_share) >= LEAST_UNSET_SHARE,
        zone=is_offset & (np.abs(offset) < S_PER_D) & (np.abs(off_zone) < ZONE_WITHIN_S),
        offset=is_offset,
        drift=np.nan_to_num(np.abs(drift) - 3 * spread) > MOST_DRIFT_PPM,
        fault=np.nan_to_num(fault_share) > LEAST_FAULT_SHARE,
    )
    hit = kinds.unset | kinds.offset | kinds.drift | kinds.fault
    bad_day = (unset > set_count) | (faults > 0.5 * (set_count + unset)) | (np.abs(skew) > LEAST_OFFSET_S)
    bad_day &= (unset + set_count) > 0
    since = np.where(hit & ~(kinds.unset | kinds.offset | kinds.fault), _drift_since(skew, drift), _last_run(bad_day))
    since = np.where(kinds.offset & ~kinds.zone & (np.abs(drift) > MOST_DRIFT_PPM), _drift_since(skew, drift), since)

    def say(index: int) -> str:
        if kinds.unset[index]:
            return f"{unset_share[index]:.0%} of last week's records came without a set clock."
        if kinds.zone[index]:
            return f"its clock is {-offset[index] / 3600:+.1f} h off, as if set to another time zone."
        if kinds.drift[index]:
            return f"its clock drifts by {-drift[index]:+.0f} ppm (± {2 * spread[index]:.0f})."
        if kinds.offset[index]:
            return f"its clock is {-offset[index]:+.0f} s off after a jump."
        return f"{fault_share[index]:.0%} of last week's clock times contradict arrival or uptime."

    return verdicts(
        Flag.CLOCK_WRONG,
        hit,
        told >= LEAST_CLOCK_RECORDS,
        since_d=view.first_day + since,
        strength=np.where(hit, np.where(kinds.drift & ~is_offset, 0.9, 0.95), 0.0),
        say=say,
        part="clock setting",
    )


def _drift_ppm(skew: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Drift of each clock over the last fortnight and its standard error; NaN for fewer than five pairs of days."""
    change = np.diff(skew, axis=1, prepend=np.nan)[:, -DRIFT_D:] / S_PER_D * 1e6
    count = np.isfinite(change).sum(axis=1)
    drift = np.where(count >= LEAST_DRIFT_D, nan_median(change), np.nan)
    spread = 1.25 * nan_mean(np.abs(change - drift[:, None])) / np.sqrt(np.maximum(count, 1))
    slope, slope_spread = _slope_ppm(skew[:, -DRIFT_D:])
    better = np.isfinite(slope) & (np.nan_to_num(slope_spread, nan=np.inf) < np.nan_to_num(spread, nan=np.inf))
    drift, spread = np.where(better, slope, drift), np.where(better, slope_spread, spread)
    moved = np.abs(drift) * 1e-6 * S_PER_D * count
    return np.where(moved > LEAST_MOVED_S, drift, np.where(np.isfinite(drift), 0.0, np.nan)), spread


def _slope_ppm(skew: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Slope of the skew on the day and its standard error; NaN for fewer than eight days. [ppm]"""
    known = np.isfinite(skew)
    count = known.sum(axis=1)
    day = np.where(known, np.arange(skew.shape[1], dtype=float), 0.0)
    off = np.where(known, day - (day.sum(axis=1) / np.maximum(count, 1))[:, None], 0.0)
    middle = np.where(known, skew, 0.0).sum(axis=1) / np.maximum(count, 1)
    square = np.maximum((off**2).sum(axis=1), 1e-9)
    slope = (off * np.where(known, skew - middle[:, None], 0.0)).sum(axis=1) / square
    left = np.where(known, skew - middle[:, None] - slope[:, None] * off, 0.0)
    spread = np.sqrt((left**2).sum(axis=1) / np.maximum(count - 2, 1) / square)
    enough = count >= LEAST_SLOPE_D
    to_ppm = 1e6 / S_PER_D
    return np.where(enough, slope * to_ppm, np.nan), np.where(enough, spread * to_ppm, np.nan)


def _drift_since(skew: FloatArray, drift: FloatArray) -> FloatArray:
    """First column of the stretch in which the skew's daily change has stayed beyond half of today's drift."""
    change = np.diff(skew, axis=1, prepend=np.nan) / S_PER_D * 1e6
    wanted = np.abs(drift)[:, None] / 2
    with np.errstate(invalid="ignore"):
        runs = change * np.sign(drift)[:, None] > wanted
    return _last_run(np.where(np.isfinite(change), runs, False))


def _last_run(bad: BoolArray, most_gap: int = 4) -> FloatArray:
    """First column of the last stretch of True; gaps up to `most_gap` columns are bridged.

    >>> _last_run(np.array([[True, False, False, False, False, False, True, False, True]])).tolist()
    [6.0]
    """
    start = np.zeros(len(bad))
    for row in np.flatnonzero(bad.any(axis=1)):
        columns = np.flatnonzero(bad[row])
        splits = np.flatnonzero(np.diff(columns) > most_gap)
        start[row] = columns[splits[-1] + 1] if len(splits) else columns[0]
    return start
