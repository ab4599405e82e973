"""Quantiles of weighted draws, and the odds of being dead within so many days."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def weighted_quantiles(draws: FloatArray, weights: FloatArray, levels: FloatArray) -> FloatArray:
    """Quantiles of each row's weighted draws. shape (n_rows, n_levels)

    Parameters
    ----------
    draws, weights
        shape (n_rows, n_draws); a row whose weights are all 0 gives NaN.

    Examples
    --------
    >>> weighted_quantiles(np.array([[3.0, 1.0, 2.0]]), np.ones((1, 3)), np.array([0.5]))
    array([[2.]])
    """
    order = np.argsort(draws, axis=1)
    sorted_draws = np.take_along_axis(draws, order, axis=1)
    cumulative = np.cumsum(np.take_along_axis(weights, order, axis=1), axis=1)
    total = cumulative[:, -1:]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = cumulative / total
    result = np.full((len(draws), len(levels)), np.nan)
    for column, level in enumerate(levels):
        at = np.minimum((share < level - 1e-9).sum(axis=1), draws.shape[1] - 1)
        result[:, column] = np.where(total[:, 0] > 0, sorted_draws[np.arange(len(draws)), at], np.nan)
    return result


def dead_within(life_d: FloatArray, weights: FloatArray, horizon_d: float) -> FloatArray:
    """Weighted share of draws that end within a horizon. shape (n_rows,)

    >>> dead_within(np.array([[5.0, 20.0]]), np.ones((1, 2)), 7.0)
    array([0.5])
    """
    total = weights.sum(axis=1)
    dead = np.where(life_d <= horizon_d, weights, 0.0).sum(axis=1)
    return np.asarray(np.divide(dead, total, out=np.full(len(life_d), np.nan), where=total > 0), dtype=float)
