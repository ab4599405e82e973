"""Sums of what daily wakes exceed a reference by: when they alarm, and how often they do so for nothing."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special, stats

from fleet.errors import EstimateError

FloatArray = NDArray[np.float64]
LATTICE = 1000.0  # reference and limit are taken to a thousandth at the finest
STATES_MOST = 4000
NODES = 60  # Gauss–Legendre points of the integral equation
LONGEST = 1e13  # a longer run length drowns in rounding: never


def reference_per_d(usual_per_d: float, watched_per_d: float) -> float:
    """Reference value that tells a watched rate from the usual one soonest, for Poisson counts.

    Notes
    -----
    Source: Lucas, Technometrics 27 (1985) 129–144 (formula from memory): the difference over the difference of logs.

    >>> round(reference_per_d(4.0, 8.0), 6)
    5.77078
    """
    return float((watched_per_d - usual_per_d) / np.log(watched_per_d / usual_per_d))


def cusum_paths(excess: ArrayLike, *, start: float = 0.0) -> FloatArray:
    """Running sums of the excess that never go below 0; a value not known leaves the sum as it is.

    Parameters
    ----------
    excess
        Values less their reference; the last axis is time.

    Examples
    --------
    >>> cusum_paths([1.0, -3.0, np.nan, 2.0])
    array([1., 0., 0., 2.])
    """
    values = np.nan_to_num(np.asarray(excess, dtype=float))
    sums: FloatArray = np.empty_like(values)
    now = np.full(values.shape[:-1], start)
    for place in range(values.shape[-1]):  # over days only: all nodes at once
        now = np.maximum(now + values[..., place], 0.0)
        sums[..., place] = now
    return sums


def count_alarms(counts: ArrayLike, reference: ArrayLike, threshold: ArrayLike) -> NDArray[np.bool_]:
    """Where the sum of counts over a reference is **at or above** its limit; sums of counts often lie right on it."""
    paths = cusum_paths(np.asarray(counts, dtype=float) - np.asarray(reference, dtype=float))
    return np.asarray(paths >= np.asarray(threshold, dtype=float) - 1e-9)


def count_run_length_d(
    mean: float, reference: float, threshold: float, *, start: float = 0.0, lower: bool = False
) -> float:
    """Mean number of days until a sum of Poisson counts alarms, exact.

    Parameters
    ----------
    mean
        Mean count a day.
    reference, threshold
        Of the sum; taken to a thousandth.
    lower
        For sums of what the counts fall short by.

    Raises
    ------
    EstimateError
        If reference and limit have no common step coarse enough to be solved.

    Notes
    -----
    Markov chain on the lattice of values the sum can take. Source: Brook and Evans, Biometrika 59 (1972) 539–549.

    Examples
    --------
    Four wakes a day, watched for a doubling:

    >>> round(count_run_length_d(4.0, 6.0, 7.0), 3), round(count_run_length_d(8.0, 6.0, 7.0), 3)
    (805.305, 4.075)
    """
    step = np.gcd.reduce(np.rint(np.array([reference, threshold, 1.0, start]) * LATTICE).astype(np.int64)) / LATTICE
    n_states = round(threshold / step)
    if n_states > STATES_MOST:
        raise EstimateError(
            f"count sum: reference {reference:g} and limit {threshold:g} need {n_states} states; expected at most "
            f"{STATES_MOST}. Round both to a coarser common step."
        )
    one, back = round(1.0 / step), round(reference / step)
    states = np.arange(n_states)
    counts = np.arange(int(stats.poisson.isf(1e-15, mean)) + 2)
    chance = stats.poisson.pmf(counts, mean)
    moves = (back - one * counts) if lower else (one * counts - back)
    goes_to = np.maximum(states[:, None] + moves[None, :], 0)
    stays = goes_to < n_states
    matrix = np.zeros((n_states, n_states))
    rows = np.broadcast_to(states[:, None], goes_to.shape)[stays]
    np.add.at(matrix, (rows, goes_to[stays]), np.broadcast_to(chance, goes_to.shape)[stays])
    lengths = np.linalg.solve(np.eye(n_states) - matrix, np.ones(n_states))
    length = float(lengths[round(start / step)])
    return length if 1.0 - 1e-9 <= length < LONGEST else float("inf")


def threshold_for_d(mean: float, reference: float, wanted_d: float, *, step: float = 0.5) -> float:
    """Smallest limit, to a step, whose sum alarms for nothing no more often than once in so many days.

    >>> threshold_for_d(4.0, 6.0, 800.0, step=1.0)
    7.0
    """
    low, high = 0, 1
    while count_run_length_d(mean, reference, high * step) < wanted_d:
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        enough = count_run_length_d(mean, reference, middle * step) >= wanted_d
        low, high = (low, middle) if enough else (middle, high)
    return float(high * step)


def normal_run_length(shift: float, reference: float, threshold: float, *, start: float = 0.0) -> float:
    """Mean number of values until a one-sided sum of unit normal values, moved by `shift`, exceeds its limit.

    Notes
    -----
    Fredholm integral equation by Gauss–Legendre quadrature, with the mass at 0 as a state of its own.
    Source: Page, Biometrika 41 (1954) 100–115; Vance 1986 (from memory).
    """
    points, weights = np.polynomial.legendre.leggauss(NODES)
    at = 0.5 * threshold * (points + 1.0)
    weight = 0.5 * threshold * weights
    state = np.append(0.0, at)

    def moves_to(origin: FloatArray) -> FloatArray:
        off = at[None, :] - origin[:, None] - (shift - reference)
        density = np.exp(-0.5 * off**2) / np.sqrt(2.0 * np.pi) * weight[None, :]
        to_zero = special.ndtr(-origin - (shift - reference))
        return np.column_stack([to_zero, density])

    lengths = np.linalg.solve(np.eye(len(state)) - moves_to(state), np.ones(len(state)))
    length = float(1.0 + (moves_to(np.array([start])) @ lengths)[0])
    return length if 1.0 <= length < LONGEST else float("inf")


def two_sided_run_length(up_d: float, down_d: float) -> float:
    """Mean run length of two one-sided sums watched together, both starting at 0.

    Notes
    -----
    Source: Van Dobben de Bruyn 1968 (from memory): the reciprocals add up when both references are at least 0.
    """
    return 1.0 / (1.0 / up_d + 1.0 / down_d)


def outside_limits(counts: ArrayLike, mean: float) -> NDArray[np.bool_]:
    """Counts **strictly** outside mean ± 3 √mean (a c-chart); one that lies on a limit is inside.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.1.

    >>> outside_limits([28, 29], 16.0)
    array([False,  True])
    """
    reach = 3.0 * np.sqrt(mean)
    return np.asarray(np.abs(np.asarray(counts, dtype=float) - mean) > reach + 1e-9)
