"""The battery holds less than was fitted, though nothing draws more than it should."""

from __future__ import annotations

import numpy as np

from fleet.flags.calibrate import calibrated
from fleet.flags.peers import others_median
from fleet.flags.verdict import Verdicts, verdicts
from fleet.flags.view import FleetView
from fleet.units import S_PER_D
from fleet.words import Flag

MOST_SHARE = 0.7
MOST_OF_PEERS = 0.75
LEAST_FASTER = 1.45
SEEN_FASTER = 1.25
LEAST_Z = 4.0
BEND_Z = 6.0
LEAST_FALL_MV = 15.0
OLDER = 1.25


def weak_cell(view: FleetView) -> Verdicts:
    """True where the voltage falls much faster than its like for the charge counted, from the battery's first day on.

    Notes
    -----
    1.45 times the median of at least three others of its profile at four standard errors, or 1.25 times where the
    estimates, too, believe in under 70 % of what was fitted. One that bends on a day of its own is a leak; one that
    has drawn more than a quarter more than its like is further down its curve and not judged.
    """
    slopes = view.slopes
    codes = view.profile_codes
    usual = others_median(slopes.mv_per_mah, codes)
    drawn = view.drawn_mah
    usual_drawn = others_median(drawn, codes)
    share = view.estimates["usable_mah"].to_numpy(float) / view.profile_figure("capacity_mah")
    usual_share = np.where(np.isfinite(peers := others_median(share, codes)), peers, 1.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        faster = slopes.mv_per_mah / usual
        z = (slopes.mv_per_mah - usual) / slopes.mv_per_mah_se
        alike = (drawn < OLDER * usual_drawn) | (faster > 2.0)
        steady = ~((slopes.z > BEND_Z) & (slopes.extra_mah_per_d > slopes.counted_mah_per_d))
        falls = (slopes.fallen_mv > LEAST_FALL_MV) & steady & alike & (z > LEAST_Z)
        believed = (share < MOST_SHARE) & (share < MOST_OF_PEERS * usual_share) & (faster > SEEN_FASTER)
        hit = falls & ((faster > LEAST_FASTER) | believed)
        score = np.log(np.maximum(faster, 1e-3)) + 0.1 * np.minimum(z - LEAST_Z, 4.0) + 0.2 * believed

    def say(index: int) -> str:
        return (
            f"its voltage falls {faster[index]:.1f} times as fast as its like for the charge counted "
            f"({z[index]:.0f} standard errors), from the start: about {1 / faster[index]:.0%} of what was fitted."
        )

    begun = view.estimates["battery_from"].to_numpy(float) / S_PER_D
    return verdicts(
        Flag.WEAK_CELL,
        np.asarray(hit),
        np.isfinite(faster) & (slopes.fallen_mv > LEAST_FALL_MV),
        since_d=np.where(np.isfinite(begun), begun, view.first_day),
        strength=calibrated(Flag.WEAK_CELL, score),
        say=say,
        part="battery: replace the whole set",
        window_d=7.0,
    )
