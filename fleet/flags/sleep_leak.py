"""The sleep floor has risen above what its kind of node should draw."""

from __future__ import annotations

import numpy as np

from fleet.flags.calibrate import calibrated
from fleet.flags.matched import near_its_end
from fleet.flags.peers import others_median
from fleet.flags.verdict import Verdicts, verdicts
from fleet.flags.view import FleetView, FloatArray
from fleet.units import H_PER_D, UA_PER_MA
from fleet.words import Flag

LEAST_RATIO = 2.0
LEAST_EXTRA_UA = 20.0
LEAST_Z = 7.0
LEAST_OF_COUNT = 0.35
LEAST_FALL_MV, FALL_Z = 15.0, 4.0
SEEN_RATIO, SEEN_Z = 1.35, 4.0


def sleep_leak(view: FleetView) -> Verdicts:
    """True where the battery began to fall faster than its count, or the inferred floor stands well above its like.

    Notes
    -----
    The bend counts if it is seven standard errors, worth a third of the counted drain, twice what nearly all of its
    like bend by, and not that of a cell near its end. The inferred floor needs its whole interval above the profile's
    and its peers', and a voltage that falls at least a third faster than its like's for the charge counted: a
    chemistry whose voltage stays flat tells nothing.
    """
    slopes = view.slopes
    extra_ua = slopes.extra_mah_per_d * UA_PER_MA / H_PER_D
    at_knee, matched = near_its_end(view), view.matched
    expected = view.profile_figure("sleep_ua")
    others_bend = np.nan_to_num(matched.bend_mah_per_d) * UA_PER_MA / H_PER_D
    with np.errstate(invalid="ignore"):
        bent = (slopes.z > LEAST_Z) & (extra_ua > LEAST_EXTRA_UA) & ~at_knee
        bent &= (slopes.extra_mah_per_d > LEAST_OF_COUNT * slopes.counted_mah_per_d) & (extra_ua > 2.0 * others_bend)
        bent &= (slopes.fallen_mv > LEAST_FALL_MV) & (slopes.mv_per_mah > FALL_Z * slopes.mv_per_mah_se)
    floor, low, usual = _floors(view, expected)
    with np.errstate(invalid="ignore", divide="ignore"):
        stands = (floor > LEAST_RATIO * usual) & (low > usual) & (floor - usual > LEAST_EXTRA_UA) & ~at_knee
        stands &= (matched.faster > SEEN_RATIO) & (matched.z > SEEN_Z) & (slopes.fallen_mv > LEAST_FALL_MV)
        score = np.where(bent, np.log(slopes.z / LEAST_Z) + 1.0, np.log(np.maximum(low, 1e-3) / usual))

    def say(index: int) -> str:
        if bent[index]:
            return (
                f"its battery falls faster than the count since then: about {extra_ua[index]:.0f} µA more "
                f"({slopes.z[index]:.0f} standard errors); {expected[index]:.0f} µA of sleep current is usual."
            )
        return (
            f"its sleep floor is {floor[index]:.0f} µA (90 % interval from {low[index]:.0f}); "
            f"{usual[index]:.0f} µA is usual for its kind."
        )

    begun = np.where(np.isfinite(slopes.since_d), slopes.since_d, view.first_day)
    return verdicts(
        Flag.SLEEP_LEAK,
        np.asarray(bent | stands),
        np.isfinite(slopes.z),
        since_d=np.where(bent | (slopes.z > 3), begun, view.first_day).astype(float),
        strength=calibrated(Flag.SLEEP_LEAK, score),
        say=say,
        part="inputs, housing, moisture",
        window_d=np.where(bent, slopes.half_window_d, 7.0),
    )


def _floors(view: FleetView, expected: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Inferred floor, its lower end, and what is usual for a node's like. [µA]"""
    floor = view.estimates["floor_ua"].to_numpy(float)
    low = view.estimates["floor_ua_lo"].to_numpy(float)
    return floor, low, np.fmax(expected, others_median(floor, view.peer_codes))
