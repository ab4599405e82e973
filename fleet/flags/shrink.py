"""A node's wake rate leaning on its like, and how unlikely its next count would then be (Gamma–Poisson)."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

FloatArray = NDArray[np.float64]
SHAPE_MOST = 1e4


def pooled_rate_per_d(
    shape: ArrayLike, rate_d: ArrayLike, count: ArrayLike, time_d: ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean and 95 % limits of a rate, from peers who have rates Gamma(shape, rate) and a node's own count. [1/d]

    >>> mean, low, high = pooled_rate_per_d(2.0, 1.0, 14.0, 3.0)
    >>> float(mean), round(float(low), 6), round(float(high), 6)
    (4.0, 2.286346, 6.185055)
    """
    own = np.asarray(shape, dtype=float) + np.asarray(count, dtype=float)
    per = np.asarray(rate_d, dtype=float) + np.asarray(time_d, dtype=float)
    low, high = (special.gammaincinv(own, level) / per for level in (0.025, 0.975))
    return np.asarray(own / per, dtype=float), np.asarray(low, dtype=float), np.asarray(high, dtype=float)


def tail_odds(next_count: ArrayLike, shape: ArrayLike, rate_d: ArrayLike, *, time_d: ArrayLike = 1.0) -> FloatArray:
    """Probability of so many wakes or more in the next time, for a rate with this Gamma distribution.

    Notes
    -----
    Upper tail of a negative binomial. With the node's own count, add it to `shape` and its days to `rate_d`.

    Examples
    --------
    Ten or more tomorrow, where 14 in 3 days and a prior of Gamma(2, 1) are known:

    >>> round(float(tail_odds(10, 16.0, 4.0)), 6)
    0.017332
    """
    wanted, own = np.asarray(next_count, dtype=float), np.asarray(shape, dtype=float)
    time = np.asarray(time_d, dtype=float)
    success = time / (np.asarray(rate_d, dtype=float) + time)
    tail = special.betainc(np.maximum(wanted, 1.0), own, success)
    return np.asarray(np.where(wanted <= 0, 1.0, tail), dtype=float)


def prior_of_peers(counts: ArrayLike, time_d: ArrayLike) -> tuple[float, float]:
    """Shape and rate of the Gamma that peers' rates scatter by, from their counts (moments). NaN for fewer than two.

    Notes
    -----
    The variance of rates less what Poisson counting alone makes is the peers' own. Where nothing is left, they are
    taken for nearly alike.
    """
    events, days = np.asarray(counts, dtype=float), np.asarray(time_d, dtype=float)
    known = np.isfinite(events) & (days > 0)
    events, days = events[known], np.broadcast_to(days, known.shape)[known]
    if len(events) < 2 or events.sum() == 0:
        return float("nan"), float("nan")
    mean = float(events.sum() / days.sum())
    spread = (days * (events / days - mean) ** 2).sum() - (len(events) - 1) * mean
    between = spread / (days.sum() - (days**2).sum() / days.sum())
    shape = SHAPE_MOST if between <= mean**2 / SHAPE_MOST else float(mean**2 / between)
    return shape, shape / mean
