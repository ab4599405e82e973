"""A clock that is unset, drifts, jumped or keeps the time of another zone."""

from __future__ import annotations

import numpy as np

from fleet.flags.verdict import Verdicts, verdicts
from fleet.flags.view import FleetView, nan_mean, nan_median
from fleet.units import S_PER_D
from fleet.words import Flag

LEAST_UNSET_SHARE = 0.5
LEAST_JUMP_S = 120.0
LEAST_OFFSET_S = 300.0
ZONE_STEP_S = 1800.0
ZONE_WITHIN_S = 120.0
MOST_DRIFT_PPM = 60.0
LEAST_DRIFT_D = 5


def clock_wrong(view: FleetView) -> Verdicts:
    """True where the node's clock can't be believed, with the kind of error in the evidence.

    Notes
    -----
    The skew of a day is its smallest arrival less lateness less clock, since delays only add. Drift is the median of
    the day-to-day changes, in ppm of a day, over the last fortnight.
    """
    skew = view["skew_min_s"]
    set_count, unset = np.nan_to_num(view["clock_count"]), np.nan_to_num(view["clock_unset"])
    faults = np.nan_to_num(view["clock_fault"])
    with np.errstate(divide="ignore", invalid="ignore"):
        recent_unset = unset[:, -7:].sum(axis=1) / (unset + set_count)[:, -7:].sum(axis=1)
        recent_fault = faults[:, -7:].sum(axis=1) / (unset + set_count)[:, -7:].sum(axis=1)
    change = np.diff(skew, axis=1, prepend=np.nan)
    jumps = np.abs(change) > LEAST_JUMP_S
    offset = nan_median(skew[:, -7:])
    days_known = np.isfinite(change[:, -14:]).sum(axis=1)
    drift_ppm = np.where(days_known >= LEAST_DRIFT_D, nan_median(change[:, -14:]), np.nan) / S_PER_D * 1e6
    spread_ppm = nan_mean(np.abs(change[:, -14:] / S_PER_D * 1e6 - drift_ppm[:, None])) / np.sqrt(
        np.maximum(days_known, 1)
    )
    with np.errstate(invalid="ignore"):
        is_unset = recent_unset >= LEAST_UNSET_SHARE
        is_zone = (np.abs(offset) > LEAST_OFFSET_S) & (
            np.abs(offset - ZONE_STEP_S * np.round(offset / ZONE_STEP_S)) < ZONE_WITHIN_S
        )
        is_offset = np.abs(offset) > LEAST_OFFSET_S
        is_drift = np.abs(drift_ppm) - 3 * spread_ppm > MOST_DRIFT_PPM
    is_fault = recent_fault > 0.5
    hit = is_unset | is_offset | is_drift | is_fault
    bad_day = jumps | (unset > set_count) | (faults > 0) | (np.abs(skew) > LEAST_OFFSET_S)
    since_d = np.where(bad_day.any(axis=1), view.first_day + bad_day.argmax(axis=1), view.first_day).astype(float)

    def say(index: int) -> str:
        if is_unset[index]:
            return f"{recent_unset[index]:.0%} of last week's records came without a set clock."
        if is_zone[index]:
            return f"its clock is {-offset[index] / 3600:+.1f} h off, as if set to another time zone."
        if is_offset[index]:
            return f"its clock is {-offset[index]:+.0f} s off after a jump."
        if is_drift[index]:
            return f"its clock drifts by {-drift_ppm[index]:+.0f} ppm (± {2 * spread_ppm[index]:.0f})."
        return f"{recent_fault[index]:.0%} of last week's clock times contradict arrival or uptime."

    return verdicts(
        Flag.CLOCK_WRONG,
        hit,
        view.heard,
        since_d=since_d,
        strength=np.where(hit, 0.95, 0.0),
        say=say,
        part="clock setting",
    )
