"""A reading that no longer moves while its own past and its peers do."""

from __future__ import annotations

import numpy as np

from fleet.flags.verdict import Verdicts, strength_of, verdicts
from fleet.flags.view import FleetView, nan_median
from fleet.words import Flag

STILL_SHARE = 0.02
LEAST_STILL_D = 3
LEAST_RECORDS = 4


def stuck_reading(view: FleetView) -> Verdicts:
    """True where the reading moved less than 2 % of its usual daily range on each of the last three heard days.

    Notes
    -----
    Water that is truly calm is calm for its peers too: days on which the median node of the site moved less than a
    tenth of its own usual range do not count.
    """
    high = np.fmax(view["reading_max"], view["asleep_max"])
    low = np.fmin(view["reading_min"], view["asleep_min"])
    enough = (np.nan_to_num(view["reading_count"]) >= LEAST_RECORDS) | (np.nan_to_num(view["asleep_count"]) > 100)
    moved = np.where(enough, high - low, np.nan)
    usual = nan_median(np.where(moved > 0, moved, np.nan))
    with np.errstate(divide="ignore", invalid="ignore"):
        share = moved / usual[:, None]
    share[~np.isfinite(usual)] = np.where(np.isfinite(moved[~np.isfinite(usual)]), 0.0, np.nan)
    calm = np.zeros(view.shape, dtype=bool)
    for site in np.unique(view.site_codes):
        rows = view.site_codes == site
        middle = nan_median(share[rows].T)
        calm[rows] = (middle < 0.1)[None, :]
    still = (share < STILL_SHARE) & ~calm
    moving = (share >= STILL_SHARE) | calm
    run = np.zeros(view.shape[0])
    start = np.full(view.shape[0], float(view.first_day))
    for column in range(view.shape[1]):
        fresh = still[:, column] & (run == 0)
        start[fresh] = view.first_day + column
        run = np.where(moving[:, column], 0.0, run + still[:, column])
    level = nan_median(np.where(still, view["reading_mean"], np.nan)[:, -LEAST_STILL_D * 3 :])

    def say(index: int) -> str:
        stood = f"the reading has stood at {level[index]:.3g} for {run[index]:.0f} days"
        return f"{stood}; it used to move {usual[index]:.3g} a day."

    return verdicts(
        Flag.STUCK_READING,
        run >= LEAST_STILL_D,
        view.heard,
        since_d=start,
        strength=strength_of(run, LEAST_STILL_D, 0.8),
        say=say,
        part="sensor and its cable",
    )
