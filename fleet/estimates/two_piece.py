"""A whole distribution from P10, P50 and P90: normal in the logarithm, each side with its own spread."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

FloatArray = NDArray[np.float64]
Z90 = float(ndtri(0.9))
LEAST_LIFE_D = 1e-3
LEAST_LOG_SD = 1e-6


def spread_log(p10: ArrayLike, p50: ArrayLike, p90: ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Logarithm of the median, and the standard deviation of the logarithm below and above it."""
    low, middle, high = (np.log(np.maximum(np.asarray(p, dtype=float), LEAST_LIFE_D)) for p in (p10, p50, p90))
    below = np.maximum((middle - low) / Z90, LEAST_LOG_SD)
    above = np.maximum((high - middle) / Z90, LEAST_LOG_SD)
    return middle, below, above


def ended_by_frac(life_d: ArrayLike, p10: ArrayLike, p50: ArrayLike, p90: ArrayLike) -> FloatArray:
    """Probability of an end within so many days, by a forecast's three quantiles.

    >>> ended_by_frac([10.0, 20.0, 80.0], 10.0, 20.0, 80.0).round(3)
    array([0.1, 0.5, 0.9])
    """
    middle, below, above = spread_log(p10, p50, p90)
    off = np.log(np.maximum(np.asarray(life_d, dtype=float), LEAST_LIFE_D)) - middle
    return np.asarray(ndtr(off / np.where(off < 0, below, above)), dtype=float)


def quantile_d(level: ArrayLike, p10: ArrayLike, p50: ArrayLike, p90: ArrayLike) -> FloatArray:
    """Any quantile from the three.

    >>> quantile_d([0.1, 0.9], 10.0, 20.0, 80.0).round(6)
    array([10., 80.])
    """
    middle, below, above = spread_log(p10, p50, p90)
    z = ndtri(np.asarray(level, dtype=float))
    return np.asarray(np.exp(middle + z * np.where(z < 0, below, above)), dtype=float)


def widened(p10: ArrayLike, p50: ArrayLike, p90: ArrayLike, factor: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The three quantiles with both half-widths, in the logarithm, times a factor.

    >>> low, middle, high = widened(10.0, 20.0, 80.0, 2.0)
    >>> float(low.round(6)), float(middle.round(6)), float(high.round(6))
    (5.0, 20.0, 320.0)
    """
    middle, below, above = spread_log(p10, p50, p90)
    steps = (middle - factor * Z90 * below, middle, middle + factor * Z90 * above)
    low, mid, high = (np.asarray(np.exp(step), dtype=float) for step in steps)
    return low, mid, high
