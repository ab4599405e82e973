"""Reference and limit of a sum of over-dispersed daily counts, for a stated time between false alarms."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy import stats

SHAPE_MOST = 200.0  # above: Poisson
STATES_MOST = 600
ROUND_MEAN = 1.03  # means are taken to 3 %, upwards, so that few designs are worked out
ROUND_SHAPE = 1.4


def count_reference(usual_per_d: float, watched_per_d: float, shape: float) -> float:
    """Reference that tells a watched rate from the usual one soonest, for negative-binomial counts.

    Notes
    -----
    The log likelihood ratio of one count is a straight line in it; the reference is where the line is 0. With a large
    shape it is the Poisson reference. Source: Hawkins and Olwell, Cumulative Sum Charts, Springer 1998 (from memory).

    Examples
    --------
    >>> round(count_reference(4.0, 8.0, 1e9), 4)
    5.7708
    """
    if shape > 1e6:
        return float((watched_per_d - usual_per_d) / np.log(watched_per_d / usual_per_d))
    rise = np.log(watched_per_d * (usual_per_d + shape) / (usual_per_d * (watched_per_d + shape)))
    return float(shape * np.log((shape + watched_per_d) / (shape + usual_per_d)) / rise)


def run_length_d(mean: float, shape: float, reference: int, threshold: int) -> float:
    """Mean number of days until a sum of negative-binomial counts reaches its limit, exact for whole numbers.

    Notes
    -----
    Markov chain on 0 … limit - 1. Source: Brook and Evans, Biometrika 59 (1972) 539-549.

    Examples
    --------
    Four wakes a day, Poisson, watched for eight:

    >>> round(run_length_d(4.0, 1e9, 6, 7), 3), round(run_length_d(8.0, 1e9, 6, 7), 3)
    (805.305, 4.075)
    """
    law = stats.poisson(mean) if shape > 1e6 else stats.nbinom(shape, shape / (shape + mean))
    below = law.cdf(np.arange(reference + threshold))
    chance = np.diff(below, prepend=0.0)
    states = np.arange(threshold)
    move = states[None, :] - states[:, None] + reference
    matrix = np.where(move >= 0, chance[np.clip(move, 0, len(chance) - 1)], 0.0)
    at_zero = reference - states
    matrix[:, 0] = np.where(at_zero >= 0, below[np.clip(at_zero, 0, len(below) - 1)], 0.0)
    return float(np.linalg.solve(np.eye(threshold) - matrix, np.ones(threshold))[0])


def count_design(usual_per_d: float, watched_per_d: float, shape: float, wanted_d: float) -> tuple[int, int]:
    """Whole-number reference and smallest limit whose false alarms are at least `wanted_d` days apart.

    >>> count_design(4.0, 8.0, 1e9, 800.0)
    (6, 7)
    """
    low = np.ceil(np.log(max(usual_per_d, 0.05)) / np.log(ROUND_MEAN) - 1e-9)
    usual = ROUND_MEAN**low if usual_per_d != round(usual_per_d) else usual_per_d
    rounded = 1e9 if shape > SHAPE_MOST else ROUND_SHAPE ** np.floor(np.log(max(shape, 0.05)) / np.log(ROUND_SHAPE))
    wanted = 10.0 ** (np.ceil(8.0 * np.log10(max(wanted_d, 2.0)) - 1e-9) / 8.0) if wanted_d > 5000 else wanted_d
    watched = usual * watched_per_d / max(usual_per_d, 0.05)
    return _designed(float(usual), round(float(watched), 3), float(rounded), float(wanted))


@lru_cache(maxsize=4096)
def _designed(usual: float, watched: float, shape: float, wanted_d: float) -> tuple[int, int]:
    reference = max(int(np.rint(count_reference(usual, watched, shape))), int(np.floor(usual)) + 1)
    low, high = 0, 2
    while run_length_d(usual, shape, reference, high) < wanted_d and high < STATES_MOST:
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        enough = run_length_d(usual, shape, reference, middle) >= wanted_d
        low, high = (low, middle) if enough else (middle, high)
    return reference, high
