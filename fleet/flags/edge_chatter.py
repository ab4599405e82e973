"""A threshold inside the noise or the daily swing of the reading: many wakes, all at the edge, close together."""

from __future__ import annotations

import numpy as np

from fleet.flags.resets import first_of_last
from fleet.flags.verdict import Verdicts, strength_of, verdicts
from fleet.flags.view import FleetView
from fleet.words import Flag

WINDOW_D = 7
LEAST_BAND_PER_D = 4.0
LEAST_CLOSE_SHARE = 0.4
LEAST_NEAR_SHARE = 0.5


def edge_chatter(view: FleetView) -> Verdicts:
    """True where most band wakes fall at the edge itself, or follow another wake within ten minutes."""
    recent = np.s_[:, -WINDOW_D:]
    days = np.isfinite(view["seen"][recent]).sum(axis=1)
    band = np.nansum(view.band_wakes[recent], axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        per_day = band / days
        close = np.nansum(view["band_close"][recent], axis=1) / band
        near = np.nansum(view["edge_near"][recent], axis=1) / band
    known = days > 0
    hit = (per_day >= LEAST_BAND_PER_D) & ((close >= LEAST_CLOSE_SHARE) | (near >= LEAST_NEAR_SHARE))
    busy = np.nan_to_num(view["band_close"]) >= LEAST_CLOSE_SHARE * LEAST_BAND_PER_D
    since_d = view.first_day + first_of_last(busy, WINDOW_D)
    score = np.nan_to_num(np.maximum(close / LEAST_CLOSE_SHARE, near / LEAST_NEAR_SHARE))

    def say(index: int) -> str:
        return (
            f"{per_day[index]:.1f} band wakes a day in the last week; "
            f"{close[index]:.0%} follow another wake within 10 min, "
            f"{near[index]:.0%} lie within the reading's noise of the edge."
        )

    return verdicts(
        Flag.EDGE_CHATTER,
        hit,
        known,
        since_d=since_d,
        strength=strength_of(score, 1.0, 3.0),
        say=say,
        part="threshold and hysteresis",
    )
