"""A battery beside those of its like that have given about as much charge: does its voltage fall faster?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleet.flags.view import FleetView, nan_mean
from fleet.units import S_PER_D

FloatArray = npt.NDArray[np.float64]
LIKE_FROM, LIKE_TO = 0.7, 1.7
LEAST_OTHERS = 3
MANY = 10
BEND_Z, BEND_LEVEL = 4.0, 0.8
LEAST_USUAL_FALL_MV = 12.0
KNEE_COUNTED = 0.62
KNEE_LEFT = 0.1


@dataclass(frozen=True)
class Matched:
    """Fall per counted charge over the median, and over the nearly largest, of the matched others, and how sure.

    `bend_mah_per_d` is what nearly all of the others bend by less than: a curve bends by itself, and like
    cells bend alike. NaN where fewer than three others match, or where their voltage hardly falls.
    shape (n_nodes,) each
    """

    faster: FloatArray
    over_high: FloatArray
    z: FloatArray
    bend_mah_per_d: FloatArray


def matched_falls(view: FleetView) -> Matched:
    """Each node's fall per counted charge beside others of its profile that have drawn 0.7 to 1.7 times as much.

    Notes
    -----
    A curve is steeper in some parts than in others, so nodes further down it are no measure for those further up.
    """
    slopes, drawn, codes = view.slopes, view.drawn_mah, view.profile_codes
    faster, high, z, bend = (np.full(view.shape[0], np.nan) for _ in range(4))
    bent_mah_per_d = np.where(slopes.z > BEND_Z, slopes.extra_mah_per_d, 0.0)
    for row in range(view.shape[0]):
        if not np.isfinite(slopes.mv_per_mah[row]):
            continue
        with np.errstate(invalid="ignore"):
            like = (codes == codes[row]) & (drawn > LIKE_FROM * drawn[row]) & (drawn < LIKE_TO * drawn[row])
        like &= np.isfinite(slopes.mv_per_mah)
        like[row] = False
        others = slopes.mv_per_mah[like]
        if len(others) < LEAST_OTHERS:
            continue
        bend[row] = float(np.quantile(bent_mah_per_d[like], BEND_LEVEL))
        usual = float(np.median(others))
        if usual * drawn[row] < LEAST_USUAL_FALL_MV:
            continue
        faster[row] = slopes.mv_per_mah[row] / usual
        high[row] = slopes.mv_per_mah[row] / max(
            float(np.quantile(others, 0.9) if len(others) >= MANY else others.max()), usual
        )
        z[row] = (slopes.mv_per_mah[row] - usual) / max(slopes.mv_per_mah_se[row], 1e-12)
    return Matched(faster, high, z, bend)


def near_its_end(view: FleetView) -> npt.NDArray[np.bool_]:
    """True where a voltage bends by itself: little is left by the estimate, or most has been drawn by the count."""
    left = view.estimates["charge_left"].to_numpy(float)
    begun = view.estimates["battery_from"].to_numpy(float) / S_PER_D
    known_d = np.isfinite(view["seen"]).sum(axis=1)
    age_d = np.fmax(np.where(np.isfinite(begun), view.as_of_s / S_PER_D - begun, 0.0), known_d)
    with np.errstate(invalid="ignore", divide="ignore"):
        counted = nan_mean(view.counted_mah) * age_d / view.profile_figure("capacity_mah")
        return np.asarray((left < KNEE_LEFT) | (counted > KNEE_COUNTED))
