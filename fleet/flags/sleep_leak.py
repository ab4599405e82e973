"""The sleep floor has risen above what its kind of node should draw."""

from __future__ import annotations

import numpy as np

from fleet.flags.verdict import Verdicts, strength_of, verdicts
from fleet.flags.view import FleetView
from fleet.words import Flag

LEAST_RATIO = 2.0
LEAST_EXTRA_UA = 15.0


def sleep_leak(view: FleetView) -> Verdicts:
    """True where the inferred floor stands, with its whole interval, well above the profile's and its peers'."""
    floor = view.estimates["floor_ua"].to_numpy(float)
    low = view.estimates["floor_ua_lo"].to_numpy(float)
    expected = view.profile_figure("sleep_ua")
    usual = expected.copy()
    for group in np.unique(view.peer_codes):
        rows = np.flatnonzero((view.peer_codes == group) & np.isfinite(floor))
        if len(rows) >= 4:
            usual[rows] = np.fmax(expected[rows], np.median(floor[rows]))
    known = np.isfinite(low) & np.isfinite(usual)
    with np.errstate(invalid="ignore", divide="ignore"):
        hit = (floor > LEAST_RATIO * usual) & (low > usual) & (floor - usual > LEAST_EXTRA_UA)
        score = np.log(np.maximum(low, 1e-3) / usual)

    def say(index: int) -> str:
        return (
            f"its sleep floor is {floor[index]:.0f} µA (90 % interval from {low[index]:.0f}); "
            f"{usual[index]:.0f} µA is usual for its kind."
        )

    return verdicts(
        Flag.SLEEP_LEAK,
        hit,
        known,
        since_d=np.full(len(floor), float(view.first_day)),
        strength=strength_of(score, 0.1, 4.0),
        say=say,
        part="inputs, housing, moisture",
    )
