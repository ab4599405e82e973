"""Heavy tails beyond an edge: the generalised Pareto law of excesses, and how exceedances cluster."""

from __future__ import annotations

from math import exp, log

import numpy as np

from fleet.errors import EstimateError

NEARLY_EXPONENTIAL = 1e-9


def excess_kept_frac(shift: float, *, scale: float, shape: float) -> float:
    """Share of exceedances that remain when an edge is moved outwards.

    Parameters
    ----------
    shift
        How far the edge is moved outwards, in the reading's unit.
    scale, shape
        Of the generalised Pareto law of excesses over the present edge.

    Notes
    -----
    Source: Davison & Smith, J. R. Statist. Soc. B 52 (1990), after Pickands, Ann. Statist. 3 (1975).

    Examples
    --------
    (1 + 0.1 x 5 / 2) ^ -10 is 1.25 ^ -10:

    >>> round(excess_kept_frac(5.0, scale=2.0, shape=0.1) * 1.25**10, 12)
    1.0
    """
    if abs(shape) < NEARLY_EXPONENTIAL:
        return exp(-shift / scale)
    return float(max(1.0 + shape * shift / scale, 0.0) ** (-1.0 / shape))


def mean_excess(shift: float, *, scale: float, shape: float) -> float:
    """Mean excess over an edge moved outwards by `shift`; infinite for a shape of 1 or more.

    Examples
    --------
    An exponential tail forgets where it is cut:

    >>> mean_excess(7.0, scale=2.0, shape=0.0)
    2.0
    """
    return float("inf") if shape >= 1.0 else (scale + shape * shift) / (1.0 - shape)


def level_once_in(polls_count: float, *, u: float, above_frac: float, scale: float, shape: float) -> float:
    """Level that is exceeded once in so many polls on average.

    Parameters
    ----------
    polls_count
        Polls for one exceedance.
    u
        Threshold over which the law of excesses was fitted.
    above_frac
        Share of polls over `u`.
    scale, shape
        Of the generalised Pareto law.

    Examples
    --------
    Once in 1 / above_frac polls is the threshold itself:

    >>> level_once_in(100.0, u=30.0, above_frac=0.01, scale=2.0, shape=0.1)
    30.0
    """
    times = polls_count * above_frac
    if abs(shape) < NEARLY_EXPONENTIAL:
        return u + scale * log(times)
    return float(u + scale / shape * (times**shape - 1.0))


def fit_excess(excess: np.ndarray) -> tuple[float, float]:
    """Scale and shape of the generalised Pareto law of these excesses, by probability-weighted moments.

    Parameters
    ----------
    excess
        Excesses over a threshold, all positive, at least 10.

    Raises
    ------
    EstimateError
        If there are fewer than 10.

    Notes
    -----
    Moments, not likelihood: always defined, and steady below 50 excesses. Shape is held between -0.5 and 0.5.
    Source: Hosking & Wallis, Technometrics 29 (1987).

    Examples
    --------
    Quantiles of an exponential law of mean 2 give shape 0 and scale 2:

    >>> p = (np.arange(4000) + 0.65) / 4000.3
    >>> [round(float(v), 2) + 0.0 for v in fit_excess(-2.0 * np.log1p(-p))]
    [2.0, 0.0]
    """
    if len(excess) < 10:
        raise EstimateError(f"tail: {len(excess)} excesses; at least 10 are needed. Use the normal law instead.")
    ordered = np.sort(excess)
    place = (np.arange(1, len(ordered) + 1) - 0.35) / len(ordered)
    mean = float(ordered.mean())
    first = float(((1.0 - place) * ordered).mean())
    shape = 2.0 - mean / (mean - 2.0 * first)
    shape = min(max(shape, -0.5), 0.5)
    return mean * (1.0 - shape), shape


def extremal_index(above: np.ndarray) -> float:
    """Share of exceedances that open a new cluster: 1 if they come alone, 0.2 if in fives.

    Parameters
    ----------
    above
        True at each poll that exceeds the threshold.

    Notes
    -----
    Source: Ferro & Segers, J. R. Statist. Soc. B 65 (2003), intervals estimator.

    Examples
    --------
    >>> extremal_index(np.tile([True, False, False, False], 50))
    1.0
    """
    gaps = np.diff(np.flatnonzero(above)).astype(float)
    if len(gaps) < 2:
        return 1.0
    if gaps.max() <= 2.0:
        return float(min(1.0, 2.0 * gaps.sum() ** 2 / (len(gaps) * (gaps**2).sum())))
    longer = gaps - 1.0
    return float(min(1.0, 2.0 * longer.sum() ** 2 / (len(gaps) * (longer * (gaps - 2.0)).sum())))
