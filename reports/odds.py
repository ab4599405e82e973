"""The chance that a battery is flat before a day, from an estimate's quantiles and horizons; and the words for odds."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from fleet.frames import DEAD_BY_D
from fleet.words import ODDS_WORDS

FloatArray = npt.NDArray[np.float64]

ODDS_CODES: Final = ("will_last", "should_last", "may_or_may_not", "probably_not", "will_not")
RISK_FRAC: Final = 0.10
"""A node counts as at risk from one chance in ten."""


def odds_code(lasts_frac: float) -> str:
    """Which words stand for a chance to last, judged on the whole per cent that is shown.

    >>> [odds_code(share) for share in (0.9, 0.896, 0.5, 0.27, 0.05)]
    ['will_last', 'will_last', 'may_or_may_not', 'probably_not', 'will_not']
    """
    shown = whole_percent(lasts_frac) / 100
    for code, (edge, _) in zip(ODDS_CODES, ODDS_WORDS, strict=False):
        if shown >= edge:
            return code
    return ODDS_CODES[-1]


def whole_percent(share: float) -> int:
    """Per cent, halves away from zero, so that words and number never disagree.

    >>> whole_percent(0.125), whole_percent(0.895)
    (13, 90)
    """
    return math.floor(round(share * 100, 9) + 0.5)


def flat_knots(estimates: pd.DataFrame) -> tuple[FloatArray, FloatArray]:
    """Days ahead and chance to be flat by then, one row a node, NaN behind the last known point.

    Shapes (n, k). The points are the estimate's own: horizons and the days left at P10, P50 and P90.
    """
    count = len(estimates)
    ahead = [np.zeros(count), *(np.full(count, float(day)) for day in DEAD_BY_D)]
    chance = [np.zeros(count), *(estimates[f"dead_by_{day}"].to_numpy(float) for day in DEAD_BY_D)]
    for share in (10, 50, 90):
        ahead.append(estimates[f"days_left_p{share}"].to_numpy(float))
        chance.append(np.full(count, share / 100))
    ahead_d, flat_frac = np.column_stack(ahead), np.column_stack(chance)
    known = np.isfinite(ahead_d) & np.isfinite(flat_frac)
    ahead_d[~known], flat_frac[~known] = np.nan, np.nan
    order = np.lexsort((flat_frac, ahead_d), axis=1)
    ahead_d, flat_frac = np.take_along_axis(ahead_d, order, 1), np.take_along_axis(flat_frac, order, 1)
    highest = np.maximum.accumulate(np.nan_to_num(flat_frac, nan=0.0), axis=1)
    return ahead_d, np.where(np.isfinite(flat_frac), highest, np.nan)


def flat_by(estimates: pd.DataFrame, ahead_d: FloatArray) -> FloatArray:
    """Chance that each node's battery is flat within so many days; NaN where there is no estimate.

    Parameters
    ----------
    estimates
        ESTIMATE frame of n nodes.
    ahead_d
        Days ahead, shape (n,) or (n, m).

    Notes
    -----
    Straight lines between the estimate's own points; behind the last one the last slope's hazard goes on.
    """
    at = ahead_d[:, None] if ahead_d.ndim == 1 else ahead_d
    knots_d, knots_frac = flat_knots(estimates)
    out = np.full(at.shape, np.nan)
    for row in range(len(estimates)):
        known = np.isfinite(knots_d[row])
        if known.sum() > 1:
            out[row] = _one_node(knots_d[row][known], knots_frac[row][known], at[row])
    return out[:, 0] if ahead_d.ndim == 1 else out


def _one_node(knots_d: FloatArray, knots_frac: FloatArray, at_d: FloatArray) -> FloatArray:
    inside = np.interp(at_d, knots_d, knots_frac)
    last_d, last_frac = knots_d[-1], knots_frac[-1]
    earlier = knots_d < last_d - 1.0
    if last_frac >= 1 or not earlier.any():
        return inside
    before_d, before_frac = knots_d[earlier][-1], knots_frac[earlier][-1]
    hazard_per_d = max(0.0, -math.log((1 - last_frac) / (1 - before_frac)) / (last_d - before_d))
    beyond = 1 - (1 - last_frac) * np.exp(-hazard_per_d * np.maximum(0.0, at_d - last_d))
    return np.where(at_d > last_d, beyond, inside)


def all_last_frac(flat_frac: FloatArray) -> FloatArray:
    """Chance that none of the nodes (rows) is flat, taken as independent; unknown ones are left out.

    >>> all_last_frac(np.array([[0.5], [0.5], [np.nan]]))
    array([0.25])
    """
    chance: FloatArray = np.nanprod(1 - flat_frac, axis=0)
    return chance
