"""The battery loses more than the charge budget explains, and more so than its peers' do."""

from __future__ import annotations

import numpy as np

from fleet.flags.verdict import Verdicts, strength_of, verdicts
from fleet.flags.view import FleetView
from fleet.words import Flag

LEAST_RATIO = 1.3
BATCH_SHARE = 0.5


def drains_fast(view: FleetView) -> Verdicts:
    """True where `drain_ratio`, less the common error of its profile, is above 1.3 with its whole interval above 1.

    Notes
    -----
    When more than half of the nodes of a profile lose more than explained, the profile is wrong, not the nodes:
    each ratio is then judged against the median of its profile.
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
        hit = (ratio / usual > LEAST_RATIO) & (low / usual > 1.0)
    score = np.nan_to_num(low / usual)

    def say(index: int) -> str:
        peers = f"; its profile's median is {usual[index]:.2f}" if usual[index] > 1 else ""
        lost = f"the battery lost {ratio[index]:.2f} times what the budget explains"
        return f"{lost} (90 % interval from {low[index]:.2f}){peers}."

    since_d = np.full(len(ratio), float(view.first_day))
    return verdicts(
        Flag.DRAINS_FAST,
        hit,
        known,
        since_d=since_d,
        strength=strength_of(score, 1.05, 12.0),
        say=say,
        part="supply and sleep current",
    )
