"""Rates of counts: exact limits, comparison of two, and how much more than Poisson they scatter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special, stats

FloatArray = NDArray[np.float64]
LARGEST_SHAPE = 1e6  # beyond it a negative binomial is Poisson


def poisson_mean_limits(count: ArrayLike, *, confidence: float = 0.95) -> tuple[FloatArray, FloatArray]:
    """Exact limits of the mean of a Poisson count; divide by the time for a rate.

    Notes
    -----
    Source: Garwood, Biometrika 28 (1936) 437–442 (by chi-square quantiles, from memory).

    Examples
    --------
    No event at all leaves a mean of up to −ln 0.025:

    >>> low, high = poisson_mean_limits(0)
    >>> float(low), round(float(high), 6)
    (0.0, 3.688879)
    """
    events = np.asarray(count, dtype=float)
    tail = (1.0 - confidence) / 2.0
    low = np.where(events > 0, special.gammaincinv(np.maximum(events, 1e-12), tail), 0.0)
    high = special.gammaincinv(events + 1.0, 1.0 - tail)
    return np.asarray(low, dtype=float), np.asarray(high, dtype=float)


@dataclass(frozen=True)
class RateRatio:
    """Ratio of two rates with exact limits, and the probability of so unlike ones if they were the same."""

    ratio: float
    lo: float
    hi: float
    p: float


def rate_ratio(count_a: int, time_a_s: float, count_b: int, time_b_s: float, *, confidence: float = 0.95) -> RateRatio:
    """Rate of one count over that of another; any unit of time will do if it is the same.

    Notes
    -----
    Given the sum, the first count is binomial; the p-value adds up all outcomes that are no more likely.
    """
    n, share = count_a + count_b, time_a_s / (time_a_s + time_b_s)
    tail = (1.0 - confidence) / 2.0
    low = 0.0 if count_a == 0 else float(stats.beta.ppf(tail, count_a, count_b + 1))
    high = 1.0 if count_b == 0 else float(stats.beta.ppf(1.0 - tail, count_a + 1, count_b))
    of_times = time_b_s / time_a_s

    def as_ratio(p: float) -> float:
        return float("inf") if p >= 1.0 else p / (1.0 - p) * of_times

    p_value = float(stats.binomtest(count_a, n, share).pvalue) if n else 1.0
    ratio = count_a / time_a_s / (count_b / time_b_s) if count_b else float("inf") if count_a else float("nan")
    return RateRatio(ratio, as_ratio(low), as_ratio(high), p_value)


def dispersion(counts: ArrayLike) -> tuple[float, float]:
    """Sum of squares over the mean (chi-square with n − 1 degrees of freedom if Poisson), and its upper p-value."""
    values = np.asarray(counts, dtype=float)
    if len(values) < 2 or values.sum() == 0:
        return float("nan"), float("nan")
    statistic = float(((values - values.mean()) ** 2).sum() / values.mean())
    return statistic, float(stats.chi2.sf(statistic, len(values) - 1))


def negative_binomial_shape(counts: ArrayLike) -> float:
    """Shape k of a negative binomial (variance mean + mean²/k) by likelihood; inf for mere Poisson scatter.

    Notes
    -----
    Given k the best mean is the sample's, so one number is looked for. The likelihood has its maximum at infinity
    where the variance is not above the mean.
    """
    values = np.asarray(counts, dtype=float)
    mean = values.mean()
    if mean == 0 or values.var() <= mean:
        return float("inf")

    def loss(log_shape: float) -> float:
        shape = np.exp(log_shape)
        terms = special.gammaln(values + shape) - special.gammaln(shape) + shape * np.log(shape / (shape + mean))
        return -float((terms + values * np.log(mean / (shape + mean))).sum())

    found = optimize.minimize_scalar(
        loss, bounds=(-7.0, np.log(LARGEST_SHAPE)), method="bounded", options={"xatol": 1e-9}
    )
    return float(np.exp(found.x))


def upper_count(mean: ArrayLike, shape: ArrayLike, level: float = 0.999) -> FloatArray:
    """Smallest count that is reached or stayed under with a probability; `shape` inf for Poisson.

    >>> upper_count([1.146667, 1.146667], [np.inf, 1.02459])
    array([ 6., 10.])
    """
    mu, k = np.broadcast_arrays(np.asarray(mean, dtype=float), np.asarray(shape, dtype=float))
    plain = stats.poisson.ppf(level, mu)
    finite = np.where(np.isfinite(k), k, LARGEST_SHAPE)
    mixed = stats.nbinom.ppf(level, finite, finite / (finite + mu))
    return np.asarray(np.where(np.isfinite(k), mixed, plain), dtype=float)
