"""How good forecasts were: coverage with exact limits, CRPS, pinball, interval score, α–λ, accuracy, Brier, PIT."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats
from scipy.special import ndtr

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


def _array(values: ArrayLike) -> FloatArray:
    return np.asarray(values, dtype=float)


def hits_expected(n: int, level: float, confidence: float = 0.95) -> tuple[int, int]:
    """Fewest and most of `n` intervals of a level that may hold the truth, if the level is right.

    >>> hits_expected(200, 0.8)
    (149, 171)
    """
    low, high = stats.binom.interval(confidence, n, level)
    return int(low), int(high)


def share_limits(hits_count: float, n: float, confidence: float = 0.95) -> tuple[float, float]:
    """Exact limits of a share (Clopper–Pearson); `hits_count` may be weighted. NaN for none.

    >>> low, high = share_limits(23, 1000)
    >>> round(low, 7), round(high, 7)
    (0.0146346, 0.0343123)
    """
    if n <= 0:
        return float("nan"), float("nan")
    tail = (1.0 - confidence) / 2.0
    low = 0.0 if hits_count <= 0 else float(stats.beta.ppf(tail, hits_count, n - hits_count + 1.0))
    high = 1.0 if hits_count >= n else float(stats.beta.ppf(1.0 - tail, hits_count + 1.0, n - hits_count))
    return low, high


def crps_normal(mean: ArrayLike, sd: ArrayLike, truth: ArrayLike) -> FloatArray:
    """Continuous ranked probability score of a normal forecast; 0 is perfect, in the unit of the truth.

    Notes
    -----
    Source: Gneiting and Raftery, JASA 102 (2007) 359–378 (closed form from memory).

    >>> crps_normal(0.0, 1.0, 0.0).round(6)
    np.float64(0.233695)
    """
    z = (_array(truth) - _array(mean)) / _array(sd)
    density = np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
    return np.asarray(_array(sd) * (z * (2 * ndtr(z) - 1) + 2 * density - 1 / np.sqrt(np.pi)), dtype=float)


def crps_ensemble(members: ArrayLike, value: float, *, fair: bool = False) -> float:
    """Score of an ensemble; `fair` takes out what a small ensemble costs.

    >>> round(crps_ensemble([1, 2, 3], 2.0), 6), round(crps_ensemble([1, 2, 3], 2.0, fair=True), 6)
    (0.222222, 0.0)
    """
    values = _array(members)
    n = len(values)
    pairs = np.abs(values[:, None] - values[None, :]).sum()
    return float(np.abs(values - value).mean() - pairs / (2 * n * (n - 1 if fair else n)))


def pinball(quantile: ArrayLike, level: ArrayLike, truth: ArrayLike) -> FloatArray:
    """Loss of a quantile forecast, in the unit of the truth.

    >>> pinball([2.0, 2.0], 0.9, [3.0, 1.0]).round(6)
    array([0.9, 0.1])
    """
    off = _array(truth) - _array(quantile)
    return np.asarray(np.maximum(_array(level) * off, (_array(level) - 1.0) * off), dtype=float)


def interval_score(low: ArrayLike, high: ArrayLike, truth: ArrayLike, *, level: float) -> FloatArray:
    """Width of an interval plus 2 / (1 − level) times what it misses by; small is good.

    >>> interval_score(40.0, 60.0, [50.0, 65.0], level=0.8).round(9)
    array([20., 70.])
    """
    low, high, truth = _array(low), _array(high), _array(truth)
    missed = np.maximum(low - truth, 0.0) + np.maximum(truth - high, 0.0)
    return np.asarray(high - low + 2.0 / (1.0 - level) * missed, dtype=float)


def brier(probability: ArrayLike, happened: ArrayLike) -> FloatArray:
    """Squared error of a probability.

    >>> brier([0.9, 0.9], [True, False]).round(4)
    array([0.01, 0.81])
    """
    return np.asarray((_array(probability) - _array(happened)) ** 2, dtype=float)


def alpha_lambda(predicted_d: ArrayLike, truth_d: ArrayLike, *, alpha: float = 0.2) -> BoolArray:
    """Whether a predicted remaining life lies within a share of the true one."""
    return np.asarray(np.abs(_array(predicted_d) - _array(truth_d)) <= alpha * _array(truth_d))


def relative_accuracy(predicted_d: ArrayLike, truth_d: ArrayLike) -> FloatArray:
    """1 − error over the true **remaining** life; on the date of death the same error would look far smaller.

    >>> relative_accuracy(47.0, 50.0)
    array(0.94)
    """
    return np.asarray(1.0 - np.abs(_array(predicted_d) - _array(truth_d)) / _array(truth_d), dtype=float)


def prognostic_horizon_d(at_d: ArrayLike, predicted_d: ArrayLike, *, end_d: float, alpha: float = 0.1) -> float:
    """How long before the end the predictions come within ± alpha of the whole life and stay there; 0 if never.

    Notes
    -----
    Source: Saxena et al., Metrics for offline evaluation of prognostic performance, IJPHM 1 (2010) (from memory).
    """
    at = _array(at_d)
    off = np.abs(_array(predicted_d) - (end_d - at)) > alpha * end_d
    if not off.any():
        return float(end_d - at[0])
    last_off = int(np.flatnonzero(off)[-1])
    return float(end_d - at[last_off + 1]) if last_off + 1 < len(at) else 0.0


def mass_within(mean: float, sd: float, low: float, high: float) -> float:
    """Probability that a normal forecast gives to a stretch.

    >>> round(mass_within(47.0, 5.0, 40.0, 60.0), 6)
    0.914582
    """
    return float(ndtr((high - mean) / sd) - ndtr((low - mean) / sd))


def pit_is_uniform(pit: ArrayLike) -> float:
    """P-value of the Kolmogorov–Smirnov test that probability integral transforms are uniform, as they should be."""
    return float(stats.kstest(_array(pit), "uniform").pvalue)


def conformal_factor(scores: ArrayLike, weights: ArrayLike | None = None, *, level: float = 0.8) -> float:
    """Factor on an interval's half-widths that would have held `level` of past truths.

    Parameters
    ----------
    scores
        Each past truth's distance from the middle over the half-width on its side: 1 lies on the interval's end.
    weights
        Of each score, if some stand for less (such as many forecasts of one node).

    Notes
    -----
    Split conformal prediction: the ceil((n + 1) level)-th smallest score. Source: Vovk, Gammerman and Shafer,
    Algorithmic Learning in a Random World, 2005 (from memory).

    Examples
    --------
    Of four scores the ceil(5 × 0.8) = 4th:

    >>> conformal_factor([0.5, 2.0, 1.0, 1.5])
    2.0
    """
    value = _array(scores)
    weight = np.ones(len(value)) if weights is None else _array(weights) / _array(weights).mean()
    if not len(value):
        return float("nan")
    order = np.argsort(value)
    reached = np.cumsum(weight[order])
    place = int(np.searchsorted(reached, np.ceil((len(value) + 1) * level) - 1e-9))
    return float(value[order][min(place, len(value) - 1)])
