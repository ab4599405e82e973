"""The battery holds less than was fitted, though nothing draws more than it should."""

from __future__ import annotations

import numpy as np

from fleet.flags.verdict import Verdicts, strength_of, verdicts
from fleet.flags.view import FleetView
from fleet.words import Flag

MOST_SHARE = 0.7
MOST_OF_PEERS = 0.75


def weak_cell(view: FleetView) -> Verdicts:
    """True where the believed usable charge is under 70 % of the fitted, and under 75 % of what its like hold."""
    usable = view.estimates["usable_mah"].to_numpy(float)
    share = usable / view.profile_figure("capacity_mah")
    usual = np.ones(len(share))
    for group in np.unique(view.peer_codes):
        rows = np.flatnonzero((view.peer_codes == group) & np.isfinite(share))
        if len(rows) >= 4:
            usual[rows] = float(np.median(share[rows]))
    known = np.isfinite(share)
    with np.errstate(invalid="ignore"):
        hit = (share < MOST_SHARE) & (share < MOST_OF_PEERS * usual)
        score = np.nan_to_num(usual / np.maximum(share, 0.05))

    def say(index: int) -> str:
        return f"it holds about {share[index]:.0%} of what was fitted; {usual[index]:.0%} is usual for its like."

    begun = view.estimates["battery_from"].to_numpy(float) / 86_400.0
    return verdicts(
        Flag.WEAK_CELL,
        hit,
        known,
        since_d=np.where(np.isfinite(begun), begun, view.first_day),
        strength=strength_of(score, 1.5, 4.0),
        say=say,
        part="battery: replace the whole set",
        window_d=7.0,
    )
