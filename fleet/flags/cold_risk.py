"""Will brown out at the cold to come: the loaded voltage at the lowest temperature expected falls below cut-off."""

from __future__ import annotations

import numpy as np

from fleet.flags.verdict import Verdicts, strength_of, verdicts
from fleet.flags.view import FleetView, nan_median
from fleet.words import Flag

WINDOW_D = 42
LEAST_DAYS = 10
LEAST_SPAN_C = 4.0
COLDER_TO_COME_C = 6.0


def cold_risk(view: FleetView) -> Verdicts:
    """True where the line of loaded voltage on temperature meets the cut-off before the cold expected.

    Notes
    -----
    The cold expected is the lowest temperature that any node of the site has told in its record, or 6 °C below the
    node's own lowest of the last six weeks where the record is shorter than a year. A least-squares line through
    daily minima; a slope below zero (colder is better) is taken as zero.
    """
    temp = view["temp_min_c"][:, -WINDOW_D:]
    loaded = view["batt_tx_min_mv"][:, -WINDOW_D:]
    both = np.isfinite(temp) & np.isfinite(loaded)
    count = both.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean_t = np.where(both, temp, 0).sum(axis=1) / count
        mean_v = np.where(both, loaded, 0).sum(axis=1) / count
        off_t = np.where(both, temp - mean_t[:, None], 0.0)
        slope = (off_t * np.where(both, loaded - mean_v[:, None], 0.0)).sum(axis=1) / (off_t**2).sum(axis=1)
    lowest = np.where(both, temp, np.inf).min(axis=1, initial=np.inf)
    span = np.where(both, temp, -np.inf).max(axis=1, initial=-np.inf) - lowest
    slope = np.maximum(slope, 0.0)
    cold = np.array([_site_low(view, index, lowest[index]) for index in range(len(lowest))])
    predicted = mean_v + slope * (cold - mean_t)
    cutoff = view.profile_figure("cutoff_mv")
    known = (count >= LEAST_DAYS) & np.isfinite(cutoff) & (span >= LEAST_SPAN_C)
    with np.errstate(invalid="ignore"):
        hit = known & (predicted < cutoff) & (mean_v > cutoff)
    score = np.nan_to_num((cutoff - predicted) / np.maximum(slope * LEAST_SPAN_C, 10.0))
    recent = nan_median(loaded[:, -7:])

    def say(index: int) -> str:
        return (
            f"{recent[index]:.0f} mV under load now, falling {slope[index]:.0f} mV a degree: "
            f"about {predicted[index]:.0f} mV at {cold[index]:.0f} °C, below the cut-off of {cutoff[index]:.0f} mV."
        )

    return verdicts(
        Flag.COLD_RISK,
        hit,
        known,
        since_d=np.full(len(count), float(view.first_day + view.shape[1] - 1)),
        strength=strength_of(score, 0.0, 1.0),
        say=say,
        part="battery before winter",
        window_d=7.0,
    )


def _site_low(view: FleetView, index: int, own_low: float) -> float:
    rows = view["temp_min_c"][view.site_codes == view.site_codes[index]]
    told = float(np.nanmin(rows)) if np.isfinite(rows).any() else np.nan
    return told if view.shape[1] >= 330 else min(own_low - COLDER_TO_COME_C, told)
