"""Robust slopes of many series at once, and fits that only fall."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri
from sklearn.isotonic import isotonic_regression

FloatArray = NDArray[np.float64]


def theil_sen(x: ArrayLike, y: ArrayLike) -> FloatArray:
    """Median slope over all pairs of points, one a row; NaN where a row has fewer than two points.

    Parameters
    ----------
    x
        Shape (n_points,).
    y
        NaN where not known. Shape (n_points,) or (n_rows, n_points)

    Notes
    -----
    Holds up to 29 % gross errors. All pairs are made: give weekly medians rather than a year of days.

    Examples
    --------
    >>> float(theil_sen([0, 1, 2, 3, 4], [0.0, 2.0, 4.0, 6.0, 600.0]))
    2.0
    """
    slopes = _pair_slopes(x, y)
    return _median(slopes.reshape(*slopes.shape[:-2], -1))


def theil_sen_limits(x: ArrayLike, y: ArrayLike, *, confidence: float = 0.95) -> tuple[float, float]:
    """Limits of the Theil–Sen slope of one series, by Kendall's variance with ties.

    Notes
    -----
    Source: Sen, JASA 63 (1968) 1379–1389 (from memory).
    """
    values = np.asarray(y, dtype=float)
    slopes = np.sort(_pair_slopes(x, values).ravel())
    slopes = slopes[np.isfinite(slopes)]
    reach = float(ndtri(0.5 + confidence / 2.0)) * np.sqrt(kendall_variance(values))
    low = int(np.clip(np.round((len(slopes) - reach) / 2.0) - 1, 0, len(slopes) - 1))
    high = int(np.clip(np.round((len(slopes) + reach) / 2.0), 0, len(slopes) - 1))
    return float(slopes[low]), float(slopes[high])


def kendall_score(y: ArrayLike) -> float:
    """Rises less falls over all pairs in time (Mann–Kendall's S)."""
    values = np.asarray(y, dtype=float)
    return float(np.sign(values[None, :] - values[:, None])[np.triu_indices(len(values), 1)].sum())


def kendall_variance(y: ArrayLike) -> float:
    """Variance of `kendall_score` without a trend, ties taken into account."""
    values = np.asarray(y, dtype=float)
    n = len(values)
    _, ties = np.unique(values, return_counts=True)
    return float((n * (n - 1) * (2 * n + 5) - (ties * (ties - 1) * (2 * ties + 5)).sum()) / 18.0)


def siegel(x: ArrayLike, y: ArrayLike) -> FloatArray:
    """Median of each point's median slope, one a row: holds up to 50 % gross errors.

    >>> float(siegel(np.arange(10), np.where(np.arange(10) < 6, 1.0, 100.0) * np.arange(10)))
    1.0
    """
    slopes = _pair_slopes(x, y)
    both = np.where(np.isfinite(slopes), slopes, np.swapaxes(slopes, -1, -2))
    return _median(_median(both))


def _pair_slopes(x: ArrayLike, y: ArrayLike) -> FloatArray:
    """Slopes of all pairs above the diagonal, NaN elsewhere. Shape (..., n_points, n_points)"""
    at, values = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    run = at[None, :] - at[:, None]
    upper = np.triu(np.ones(run.shape, dtype=bool), 1) & (run != 0)
    rise = values[..., None, :] - values[..., :, None]
    return np.where(upper, rise / np.where(upper, run, 1.0), np.nan)


def _median(values: FloatArray) -> FloatArray:
    """Median of the last axis, NaN left out and kept only where nothing else is."""
    known = np.isfinite(values).sum(axis=-1)
    ordered = np.sort(values, axis=-1)  # NaN goes last
    top = np.maximum(values.shape[-1] - 1, 0)
    low, high = np.clip((known - 1) // 2, 0, top), np.clip(known // 2, 0, top)
    pick = [np.take_along_axis(ordered, place[..., None], axis=-1)[..., 0] for place in (low, high)]
    return np.asarray(np.where(known > 0, 0.5 * (pick[0] + pick[1]), np.nan), dtype=float)


def falling_fit(values: ArrayLike, weights: ArrayLike | None = None) -> FloatArray:
    """Nearest series that never rises (least squares, pooled adjacent violators).

    >>> falling_fit([3.05, 3.01, 3.02, 2.98, 2.99, 2.90])
    array([3.05 , 3.015, 3.015, 2.985, 2.985, 2.9  ])
    """
    y = np.asarray(values, dtype=float)
    w = None if weights is None else np.asarray(weights, dtype=float)
    return np.asarray(isotonic_regression(y, sample_weight=w, increasing=False), dtype=float)
