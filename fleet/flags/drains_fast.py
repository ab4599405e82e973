"""The battery loses more than the charge budget explains, and more so than its peers' do."""

from __future__ import annotations

import numpy as np

from fleet.flags.calibrate import calibrated
from fleet.flags.matched import near_its_end
from fleet.flags.verdict import Verdicts, verdicts
from fleet.flags.view import FleetView
from fleet.words import Flag

LEAST_RATIO = 1.3
SEEN_RATIO, BEND_Z, LEAST_FALL_MV = 1.2, 5.0, 8.0
BATCH_SHARE = 0.5


def drains_fast(view: FleetView) -> Verdicts:
    """True where `drain_ratio`, less the common error of its profile, is above 1.3 with its whole interval above 1.

    Notes
    -----
    When more than half of the nodes of a profile lose more than explained, the profile is wrong, not the nodes:
    each ratio is then judged against the median of its profile. The daily voltage itself has to fall faster than its
    like's, or to have bent: an estimate alone is not believed.
    """
    ratio = view.estimates["drain_ratio"].to_numpy(float)
    low = view.estimates["drain_ratio_lo"].to_numpy(float)
    usual = np.ones(len(ratio))
    profiles = view.nodes["profile"].fillna("").astype(str).to_numpy()
    for profile in np.unique(profiles):
        rows = np.flatnonzero((profiles == profile) & np.isfinite(ratio))
        if len(rows) >= 4 and (low[rows] > 1.0).mean() > BATCH_SHARE:
            usual[rows] = max(1.0, float(np.median(ratio[rows])))
    known = np.isfinite(ratio) & np.isfinite(low)
    with np.errstate(invalid="ignore"):
        falls = (view.matched.faster > SEEN_RATIO) & (view.matched.z > 3.0) & (view.slopes.fallen_mv > LEAST_FALL_MV)
        falls |= (view.slopes.z > BEND_Z) & (view.slopes.extra_mah_per_d > 0.3 * view.slopes.counted_mah_per_d)
        hit = (ratio / usual > LEAST_RATIO) & (low / usual > 1.0) & falls & ~near_its_end(view)
        score = np.log(np.maximum(low / usual, 1e-3))

    def say(index: int) -> str:
        peers = f"; its profile's median is {usual[index]:.2f}" if usual[index] > 1 else ""
        lost = f"the battery lost {ratio[index]:.2f} times what the budget explains"
        return f"{lost} (90 % interval from {low[index]:.2f}){peers}."

    bent = view.slopes.z > BEND_Z
    since_d = np.where(bent, view.slopes.since_d, float(view.first_day))
    return verdicts(
        Flag.DRAINS_FAST,
        hit,
        known,
        since_d=since_d,
        strength=calibrated(Flag.DRAINS_FAST, score),
        say=say,
        part="supply and sleep current",
    )
