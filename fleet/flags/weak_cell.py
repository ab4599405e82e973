"""The battery holds less than was fitted, though nothing draws more than it should."""

from __future__ import annotations

import numpy as np

from fleet.flags.calibrate import calibrated
from fleet.flags.matched import near_its_end
from fleet.flags.peers import others_median
from fleet.flags.verdict import Verdicts, verdicts
from fleet.flags.view import FleetView
from fleet.units import S_PER_D
from fleet.words import Flag

MOST_SHARE = 0.6
MOST_OF_PEERS = 0.82
LEAST_FASTER = 1.45
SEEN_FASTER = 1.35
LEAST_Z = 8.0
BEND_Z = 6.0
LEAST_FALL_MV = 20.0
LEAST_DRAWN = 0.08
OVER_HIGH = 1.4


def weak_cell(view: FleetView) -> Verdicts:
    """True where the voltage falls much faster than its like for the charge counted, from the battery's first day on.

    Notes
    -----
    1.45 times the median of the others of its profile that have given as much, above nearly all of them, and at eight
    standard errors; or 1.35 times where the estimates, too, believe in clearly less than what was fitted. One that
    bends on a day of its own is a leak. A chemistry whose voltage hardly falls tells nothing, nor does one of
    which less than a twelfth is drawn: NA.
    """
    slopes, matched = view.slopes, view.matched
    share = view.estimates["usable_mah"].to_numpy(float) / view.profile_figure("capacity_mah")
    usual_share = others_median(share, view.profile_codes)
    with np.errstate(invalid="ignore", divide="ignore"):
        steady = ~((slopes.z > BEND_Z) & (slopes.extra_mah_per_d > slopes.counted_mah_per_d))
        known = np.isfinite(matched.faster) & (slopes.fallen_mv > LEAST_FALL_MV) & ~near_its_end(view)
        known &= view.drawn_mah > LEAST_DRAWN * view.profile_figure("capacity_mah")
        believed = (share < MOST_SHARE) | (share < MOST_OF_PEERS * usual_share)
        enough = np.where(believed, SEEN_FASTER, LEAST_FASTER)
        hit = known & steady & (matched.z > LEAST_Z) & (matched.faster > enough) & (matched.over_high > OVER_HIGH)
        faster = np.maximum(matched.faster, 1e-3)
        score = np.log(faster) + 0.1 * np.minimum(matched.z - LEAST_Z, 4.0) + 0.2 * believed

    def say(index: int) -> str:
        return (
            f"its voltage falls {faster[index]:.1f} times as fast as its like for the charge counted "
            f"({matched.z[index]:.0f} standard errors), from the start: it holds about {1 / faster[index]:.0%}."
        )

    begun = view.estimates["battery_from"].to_numpy(float) / S_PER_D
    return verdicts(
        Flag.WEAK_CELL,
        np.asarray(hit),
        known,
        since_d=np.where(np.isfinite(begun), begun, view.first_day),
        strength=calibrated(Flag.WEAK_CELL, score),
        say=say,
        part="battery: replace the whole set",
        window_d=7.0,
    )
