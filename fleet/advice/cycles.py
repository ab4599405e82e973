"""Daily and tidal cycle of a reading, by least squares on published constituent speeds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fleet.units import S_PER_H

SPEED_DEG_PER_H = {
    "M2": 28.9841042,
    "S1": 15.0,
    "S2": 30.0,
    "K1": 15.0410686,
    "N2": 28.4397295,
    "O1": 13.9430356,
}
"""Source: speeds of the harmonic constituents as published by the national tide services; S1 and S2 are the solar day
and half day, which also carry a daily cycle that has nothing to do with tides."""

TRIED = ("M2", "S1", "S2", "N2", "O1")
SEPARATION = 0.9
"""Cycles that two speeds must differ by within the span to be told apart (Rayleigh criterion, with a little credit)."""


@dataclass(frozen=True)
class Cycle:
    """Mean and harmonic terms of a reading; `coefficients` are mean, then cosine and sine of each name."""

    names: tuple[str, ...]
    coefficients: np.ndarray
    epoch_s: float

    def at(self, t: np.ndarray) -> np.ndarray:
        """Value of the cycle at these moments, in the reading's unit."""
        return np.asarray(_design(t - self.epoch_s, self.names) @ self.coefficients)

    def amplitude(self, name: str) -> float:
        """Amplitude of one constituent; 0 if it was not found."""
        if name not in self.names:
            return 0.0
        first = 1 + 2 * self.names.index(name)
        return float(np.hypot(*self.coefficients[first : first + 2]))


def fit_cycle(t: np.ndarray, value: np.ndarray, weights: np.ndarray, *, tau_s: float = 3.0 * S_PER_H) -> Cycle:
    """Cycle with as many constituents as the samples support.

    Parameters
    ----------
    t
        Moments of the samples. [s]
    value
        Samples of the reading.
    weights
        Time each sample stands for; crowded samples near an edge must not count more than the quiet hours.
    tau_s
        Time after which what the cycle leaves over is taken as new. [s]

    Notes
    -----
    Constituents are added one at a time, the one that explains most first, if it explains far more than an
    autocorrelated remainder would by chance and the span tells it apart from those taken.

    Examples
    --------
    >>> t = np.arange(0.0, 20 * 86400.0, 1800.0)
    >>> tide = 2.0 + 0.7 * np.cos(np.radians(SPEED_DEG_PER_H["M2"]) * t / 3600.0)
    >>> cycle = fit_cycle(t, tide, np.ones(len(t)))
    >>> cycle.names, round(cycle.amplitude("M2"), 6)
    (('M2',), 0.7)
    """
    middle = float((weights / weights.sum()) @ value)
    value = value - middle
    epoch_s = float(t[0])
    span_s = float(t[-1] - t[0])
    root = np.sqrt(weights / weights.sum())
    design = _design(t - epoch_s, TRIED) * root[:, None]
    normal, moment, whole = design.T @ design, design.T @ (root * value), float((weights / weights.sum()) @ value**2)

    def solve(names: tuple[str, ...]) -> tuple[np.ndarray, float]:
        columns = [0, *(1 + 2 * TRIED.index(name) + k for name in names for k in (0, 1))]
        return _solve(normal[np.ix_(columns, columns)], moment[columns], whole)

    taken: tuple[str, ...] = ()
    best, left = solve(taken)
    independent = max(3.0, span_s / (2.0 * tau_s))
    while True:
        tries = [(name, *solve((*taken, name))) for name in _apart(taken, span_s)]
        if not tries or left <= 1e-12 * whole:
            break
        name, coefficients, less = min(tries, key=lambda one: one[2])
        if (left - less) / max(less, 1e-12 * whole) * independent < 14.0:  # chi-square with 2 degrees, 1 in 1000
            break
        taken, best, left = (*taken, name), coefficients, less
    best[0] += middle
    return Cycle(taken, best, epoch_s)


def _apart(taken: tuple[str, ...], span_s: float) -> list[str]:
    """Constituents not taken yet that the span can tell apart from those taken, and covers twice."""
    hours = span_s / S_PER_H
    return [
        name
        for name in TRIED
        if name not in taken
        and SPEED_DEG_PER_H[name] * hours / 360.0 >= 3.0
        and all(abs(SPEED_DEG_PER_H[name] - SPEED_DEG_PER_H[one]) * hours / 360.0 >= SEPARATION for one in taken)
    ]


def _design(since_s: np.ndarray, names: tuple[str, ...]) -> np.ndarray:
    columns = [np.ones_like(since_s)]
    for name in names:
        angle = np.radians(SPEED_DEG_PER_H[name]) / S_PER_H * since_s
        columns += [np.cos(angle), np.sin(angle)]
    return np.column_stack(columns)


def _solve(normal: np.ndarray, moment: np.ndarray, whole: float) -> tuple[np.ndarray, float]:
    """Weighted least squares from its normal equations: coefficients and the variance left over."""
    eased = normal + np.diag(np.diag(normal)) * 1e-10
    coefficients = np.linalg.solve(eased, moment)
    return coefficients, max(whole - float(coefficients @ moment), 0.0)
